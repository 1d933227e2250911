"""The one browser that every test of a page shares; files that take long begin first."""

import os
import shutil

import pytest
from demo_copies import demo_copy, some_families
from filelock import FileLock

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
)

# By seconds measured, the longest first: begun last, one of them keeps a single core busy.
LONGEST = (
    "test_month_faults.py",
    "test_scale.py",
    "test_pages_in_browser.py",
    "test_profit.py",
    "test_notebook_engine.py",
    "test_beginners.py",
    "test_cli.py",
    "test_keeping.py",
    "test_explorer.py",
    "test_kills.py",
    "test_harness.py",
    "test_share.py",
    "test_backtest.py",
    "test_recovery.py",
    "test_partitions.py",
    "test_reports.py",
    "test_no_injection.py",
    "test_plain_papermill.py",
    "test_maximum_bid.py",
    "test_backtest_money.py",
    "test_pages_smoke.py",
    "test_strategies.py",
    "test_readme.py",
    "3_from_logs_to_thresholds.ipynb",
    "test_broken_prices.py",
    "test_one_figure.py",
    "6_your_first_month.ipynb",
    "7_the_method.ipynb",
    "test_report_pages.py",
    "test_ask.py",
    "test_attribution.py",
)


def pytest_configure(config):
    """Let the order below stand: xdist would begin with the files of most tests."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items):
    """Begin with the files that take longest, where several processes share them."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    at = {name: n for n, name in enumerate(LONGEST)}
    items.sort(key=lambda item: at.get(item.path.name, len(at)))


@pytest.fixture(scope="session")
def kept_demo(tmp_path_factory):
    """The demo business where answers are kept, so that no two files work out the same ones.

    For all test processes; nobody changes it. What is kept is what would be worked out anew:
    ``test_keeping``.
    """
    demo = for_all_processes(tmp_path_factory) / "kept" / "data" / "demo"
    with FileLock(demo.parents[2] / "kept.lock"):
        if not (demo / "out").exists():
            demo_copy(demo)
            (demo / "out").mkdir()
    return demo


def for_all_processes(tmp_path_factory):
    """The folder of temporary ones that all test processes of a run see."""
    place = tmp_path_factory.getbasetemp()
    return place.parent if "PYTEST_XDIST_WORKER" in os.environ else place


@pytest.fixture(scope="session")
def written_month(tmp_path_factory):
    """A shop of two families and its month, one page of it; made once for all test processes.

    Whoever changes it takes a copy. The page is ``grabvyx_console``, which has open lots.
    """
    from repair_horizon.reports.month import Order, write_month

    place = for_all_processes(tmp_path_factory)
    shop = place / "shop of two"
    with FileLock(place / "shop.lock"):
        if not (shop / "out" / "2026-11" / "index.html").exists():
            some_families(shop, ["grabvyx_console", "ulmvrist_watch"])
            order = Order(families=["grabvyx_console"], draws=200)
            assert not write_month(shop, "2026-11", order=order).failed
    return shop


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
    driver.set_script_timeout(120)  # a busy machine is no fault of a page
    yield driver
    driver.quit()
