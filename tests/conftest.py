"""The one browser that every test of a page shares."""

import shutil

import pytest

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
)


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """Headless Chromium that logs its console and its requests; skipped where there is none."""
    chromium, chromedriver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or chromedriver is None:
        pytest.skip("no Chromium here")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(chromedriver))
    yield driver
    driver.quit()
