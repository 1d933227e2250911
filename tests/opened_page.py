"""A page opened from disk in the tests' browser: what it drew, said and asked for."""

import base64
import importlib.resources
import json
import re
import time

SIZES = {"desk": (1280, 900), "phone": (390, 844)}
_DRAWN = "[...document.querySelectorAll('.chart')].filter(c => c.querySelector('.main-svg'))"
# A page that stands in the same file and is not shown draws nothing.
_AWAITED = (
    "[...document.querySelectorAll('.chart')].filter(c => !c.querySelector('.main-svg') && "
    "!(c.closest('article') && c.closest('article').offsetParent === null)).length"
)


class Seen:
    """What a browser did with one page; ``paper`` leaves out the size, as printing needs."""

    def __init__(self, driver, page, size=SIZES["desk"], scheme="light", paper=False):
        width, height = size
        driver.get("about:blank")
        driver.get_log("performance"), driver.get_log("browser")
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        if paper:
            driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        else:
            driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        self.driver = driver
        self.show_as(scheme)
        driver.get(page.as_uri())
        self._wait_until_read()
        self.charts, self.drawn = self._wait_for_charts()
        self.console = driver.get_log("browser")
        events = [json.loads(e["message"])["message"] for e in driver.get_log("performance")]
        sent = [e for e in events if e["method"] == "Network.requestWillBeSent"]
        self.requests = [e["params"]["request"]["url"] for e in sent]

    def _wait_until_read(self):
        # A busy machine's driver may return from get() before the page has come whole.
        whole = "return location.href !== 'about:blank' && document.readyState === 'complete'"
        for _ in range(300):
            if self.run(whole):
                return
            time.sleep(0.1)
        raise AssertionError("the page was not read within half a minute")

    def _wait_for_charts(self):
        # A page sent alone unpacks its charts first, so they are counted anew each time.
        for _ in range(100):
            # A chart in a folded section is drawn when the section is opened.
            self.run("document.querySelectorAll('details.section').forEach(d => d.open = true)")
            charts = self.count(".chart")
            drawn = self.driver.execute_script(f"return {_DRAWN}.length")
            waits = "return !!window.Plotly || !!document.getElementById('packed')"
            if not self.run(f"return {_AWAITED}") or not self.driver.execute_script(waits):
                break
            time.sleep(0.1)
        return charts, drawn

    def show_as(self, scheme):
        """Show pages as on light or dark paper from now on."""
        media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", media)

    def run(self, script, *arguments):
        """Return what a script returns."""
        return self.driver.execute_script(script, *arguments)

    def count(self, selector):
        return self.run("return document.querySelectorAll(arguments[0]).length", selector)

    @property
    def overflow(self):
        return self.run("return document.documentElement.scrollWidth - window.innerWidth")

    def outside(self, folder):
        """Requests that leave a folder."""
        inside = folder.as_uri()
        return [u for u in self.requests if not u.startswith((inside, "data:", "about:"))]

    def printed(self):
        """Return the PDF of the page on A4."""
        paper = {"paperWidth": 8.27, "paperHeight": 11.69}
        return base64.b64decode(self.driver.execute_cdp_cmd("Page.printToPDF", paper)["data"])

    def serious(self, ink_only=False):
        """Return what axe, the usual open checker, calls serious or critical: rule and places.

        It takes no notice of the ink of drawn text, yet most of its time: contrast is judged
        outside drawings, and of rows marked up alike in one only. ``ink_only`` leaves out what
        does not depend on the paper.
        """
        script = importlib.resources.files("axe_playwright_python") / "axe.min.js"
        self.run(script.read_text(encoding="utf-8") + ";window.axe = window.axe || axe;")
        found = self.driver.execute_async_script(_JUDGED, ink_only)
        return [(rule, places) for impact, rule, places in found if impact in _GRAVE]


_GRAVE = ("serious", "critical")
_JUDGED = """(async () => {
const [inkOnly, done] = arguments;
const rest = {resultTypes: ['violations'], rules: {'color-contrast': {enabled: false}}};
const ink = {resultTypes: ['violations'], runOnly: ['color-contrast']};
const marks = row => [row, ...row.querySelectorAll('*')].map(e => e.tagName + e.className).join();
const alike = [];
const spared = () => document.querySelectorAll('tbody').forEach(body => {
  const seen = new Set();
  for (const row of [...body.rows]) {
    const placeholder = document.createComment('');
    if (seen.has(marks(row))) { row.replaceWith(placeholder); alike.push([placeholder, row]); }
    seen.add(marks(row));
  }
});
try {
  const whole = inkOnly ? {violations: []} : await axe.run(document, rest);
  spared();
  const inked = await axe.run({exclude: ['svg']}, ink);
  done([...whole.violations, ...inked.violations].map(
    v => [v.impact, v.id, v.nodes.map(n => n.target.join(' ') + ': ' + n.failureSummary)]));
} catch (error) {
  done([['critical', String(error), []]]);
} finally {
  alike.forEach(([placeholder, row]) => placeholder.replaceWith(row));
}
})()"""


def sheets(pdf):
    """Return the number of sheets of a PDF."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))
