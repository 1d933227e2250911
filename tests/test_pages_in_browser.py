"""Pages opened from disk in a real browser: nothing asked of a network, everything drawn."""

import json
import shutil
import time
from pathlib import Path

import pytest
from family_by_hand import NASTY, family_by_hand
from pages_by_hand import DEMO, all_charts, all_tables, as_notebook

from kit.logs import read_logs
from kit.reports.choosing import for_page
from kit.reports.month import Order, write_month
from kit.reports.pages import SCRIPT_NAME, PageWords, drawing_script, page_html

CHROMIUM, DRIVER = Path("/usr/bin/chromium"), Path("/usr/bin/chromedriver")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM.exists() and DRIVER.exists()), reason="no Chromium here"),
]
SIZES = {"desk": (1280, 900), "phone": (390, 844)}


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-background-networking",
        "--no-first-run",
        f"--user-data-dir={tmp_path_factory.mktemp('profile')}",
    ):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    yield driver
    driver.quit()


class Seen:
    """What a browser did with one page."""

    def __init__(self, driver, page, size):
        width, height = size
        driver.get("about:blank")
        driver.get_log("performance"), driver.get_log("browser")
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        driver.get(page.as_uri())
        self.driver = driver
        self.charts, self.drawn = self._wait_for_charts()
        self.console = driver.get_log("browser")
        events = [json.loads(e["message"])["message"] for e in driver.get_log("performance")]
        sent = [e for e in events if e["method"] == "Network.requestWillBeSent"]
        self.requests = [e["params"]["request"]["url"] for e in sent]

    def _wait_for_charts(self):
        for _ in range(50):
            charts = self.count(".chart")
            drawn = self.driver.execute_script(
                "return [...document.querySelectorAll('.chart')]"
                ".filter(c => c.querySelector('.main-svg')).length"
            )
            if charts == drawn or not self.driver.execute_script("return !!window.Plotly"):
                break
            time.sleep(0.1)
        return charts, drawn

    def count(self, selector):
        return self.driver.execute_script(
            "return document.querySelectorAll(arguments[0]).length", selector
        )

    @property
    def overflow(self):
        return self.driver.execute_script(
            "return document.documentElement.scrollWidth - window.innerWidth"
        )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A page of untrusted names beside the drawing script, and one whose script is missing."""
    folder = tmp_path_factory.mktemp("by hand")
    month = for_page(family_by_hand())
    pieces = [*all_tables(month), *all_charts(month)]
    html = page_html(as_notebook(pieces), PageWords(NASTY[1]))
    (folder / "page.html").write_text(html, encoding="utf-8", newline="")
    (folder / SCRIPT_NAME).write_text(drawing_script(), encoding="utf-8", newline="")
    (folder / "alone").mkdir()
    (folder / "alone" / "page.html").write_text(html, encoding="utf-8", newline="")
    whole = page_html(as_notebook(pieces), PageWords("whole"), whole=True)
    (folder / "alone" / "whole.html").write_text(whole, encoding="utf-8", newline="")
    return folder


@pytest.fixture(scope="module")
def month(tmp_path_factory):
    """A real month of one family of the demo business."""
    folder = tmp_path_factory.mktemp("demo")
    for file in DEMO.iterdir():
        shutil.copy(file, folder / file.name)
    logs = read_logs(folder)
    sales = {f: len(logs.family(f).tables["sales"]) for f in logs.families}
    order = Order(families=[min(sales, key=sales.__getitem__)], draws=200)
    run = write_month(folder, "2026-11", order=order)
    assert not run.failed
    return run


def outside(seen, folder):
    """Requests that leave the page's folder."""
    inside = folder.as_uri()
    return [u for u in seen.requests if not u.startswith((inside, "data:", "about:"))]


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_a_family_page_draws_all_charts_quietly_and_fits(browser, month, size):
    page = month.folder / f"{month.families[0].slug}.html"
    seen = Seen(browser, page, size)
    assert seen.charts == seen.drawn >= 5
    assert seen.console == []
    assert outside(seen, month.folder) == []
    assert seen.overflow <= 0
    assert seen.count(".missing") == 0


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_the_index_fits_and_asks_nothing_of_a_network(browser, month, size):
    seen = Seen(browser, month.index, size)
    assert seen.requests == [month.index.as_uri()]
    assert seen.console == []
    assert seen.overflow <= 0
    assert seen.count("table") == 2


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_untrusted_names_run_nothing_and_show_as_text(browser, folder, size):
    seen = Seen(browser, folder / "page.html", size)
    assert browser.title == NASTY[1]
    assert seen.console == []
    assert outside(seen, folder) == []
    assert seen.count("img") == seen.count("svg a") == 0
    assert seen.charts == seen.drawn
    assert seen.overflow <= 0
    legends = browser.execute_script(
        "return [...document.querySelectorAll('.legendtext')].map(t => t.textContent)"
    )
    assert any(t.startswith(NASTY[0]) for t in legends)
    words = browser.execute_script("return document.body.innerText")
    assert "$5 and $6" in words


def test_hovering_an_untrusted_name_shows_it_as_text(browser, folder):
    Seen(browser, folder / "page.html", SIZES["desk"])
    browser.execute_script(
        "const c = [...document.querySelectorAll('.chart')].find(c => c.data.length > 4);"
        "const at = c.data.findIndex(t => t.mode === 'lines' && t.customdata);"
        "Plotly.Fx.hover(c, [{curveNumber: at, pointNumber: 7}]);"
    )
    time.sleep(0.5)
    hover = browser.execute_script(
        "return [...document.querySelectorAll('.hoverlayer')].map(h => h.textContent).join('')"
    )
    assert hover.startswith(f"{NASTY[0]}Dec 2026")
    assert browser.title == NASTY[1]
    assert browser.execute_script("return document.querySelectorAll('.hoverlayer a').length") == 0


def test_without_the_drawing_script_the_page_says_so_and_keeps_its_words(browser, folder):
    seen = Seen(browser, folder / "alone" / "page.html", SIZES["phone"])
    assert seen.drawn == 0
    assert seen.count(".missing") == seen.charts > 0
    note = browser.execute_script("return document.querySelector('.missing').innerText")
    assert "plotly.min.js" in note
    assert "EUR" in browser.execute_script("return document.querySelector('figcaption').innerText")


def test_a_page_sent_alone_draws_its_charts(browser, folder):
    seen = Seen(browser, folder / "alone" / "whole.html", SIZES["desk"])
    assert seen.charts == seen.drawn > 0
    assert seen.console == []
    assert seen.requests == [(folder / "alone" / "whole.html").as_uri()]


def test_an_injected_script_is_stopped_by_the_page_policy(browser, folder):
    html = (folder / "page.html").read_text(encoding="utf-8")
    attack = "<script>document.title='run'</script><img src=x onerror=\"document.title='run'\">"
    forged = html.replace("</main>", f"{attack}</main>")
    (folder / "forged.html").write_text(forged, encoding="utf-8", newline="")
    Seen(browser, folder / "forged.html", SIZES["desk"])
    assert browser.title == NASTY[1]


def test_charts_take_the_ink_of_a_dark_page(browser, folder):
    dark = {"features": [{"name": "prefers-color-scheme", "value": "dark"}]}
    script = "return document.querySelector('.chart').layout.font.color"
    Seen(browser, folder / "page.html", SIZES["desk"])
    light_ink = browser.execute_script(script)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", dark)
    Seen(browser, folder / "page.html", SIZES["desk"])
    dark_ink = browser.execute_script(script)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    assert (light_ink, dark_ink) == ("#58616b", "#a4adb6")
