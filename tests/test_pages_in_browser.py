"""Pages opened from disk in a real browser: nothing asked of a network, everything drawn."""

import time

import pytest
from family_by_hand import NASTY, family_by_hand
from opened_page import SIZES, Seen, sheets
from pages_by_hand import all_charts, all_tables, as_notebook
from repair_horizon.reports.month_tables import for_page
from repair_horizon.reports.page import SCRIPT_NAME, drawing_script, page_html, page_parts

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A page of untrusted names beside the drawing script, and one whose script is missing."""
    folder = tmp_path_factory.mktemp("by hand")
    month = for_page(family_by_hand())
    pieces = [*all_tables(month), *all_charts(month)]
    html = page_html(page_parts(as_notebook(pieces), NASTY[1]))
    (folder / "page.html").write_text(html, encoding="utf-8", newline="")
    (folder / SCRIPT_NAME).write_text(drawing_script(), encoding="utf-8", newline="")
    (folder / "alone").mkdir()
    (folder / "alone" / "page.html").write_text(html, encoding="utf-8", newline="")
    whole = page_html(page_parts(as_notebook(pieces), "whole"), whole=True)
    (folder / "alone" / "whole.html").write_text(whole, encoding="utf-8", newline="")
    return folder


@pytest.fixture(scope="module")
def month(written_month):
    """A real month of one family of the demo business."""
    return written_month / "out" / "2026-11"


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_a_family_page_draws_all_charts_quietly_and_fits(browser, month, size):
    page = month / "grabvyx_console.html"
    seen = Seen(browser, page, size)
    assert seen.charts == seen.drawn >= 5
    assert seen.console == []
    assert seen.outside(month) == []
    assert seen.overflow <= 0
    assert seen.count(".missing") == 0


@pytest.mark.parametrize("page", ["index.html", "grabvyx_console.html"])
def test_every_table_and_picture_says_that_it_is_invented(browser, month, page):
    """Inside, where a picture of it sent alone keeps it; a business of one's own says nothing."""
    seen = Seen(browser, month / page)
    said = (
        "const each = s => [...document.querySelectorAll(s)];"
        "const after = e => getComputedStyle(e, '::after').content;"
        "return [...each('caption').map(after),"
        "...each('figure:not(.picture) figcaption p').map(after),"
        "...each('.picture .note').map(e => e.textContent)]"
    )
    told = seen.run(said)
    assert len(told) >= 5
    assert all("nvented" in words for words in told), told
    seen.run("document.querySelector('.invented').remove()")
    assert not any("nvented" in words for words in seen.run(said)[: seen.count("caption")])


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_the_index_fits_and_asks_nothing_of_a_network(browser, month, size):
    seen = Seen(browser, month / "index.html", size)
    assert seen.requests == [(month / "index.html").as_uri()]
    assert seen.console == []
    assert seen.overflow <= 0
    assert browser.execute_script("return document.querySelector('h1').innerText").endswith("2026")


def test_a_phone_shows_both_pictures_of_a_family_within_a_screen_and_a_half(browser, month):
    """Each row's mark and words on the screen's width; what is folded stays folded."""
    page = month / "grabvyx_console.html"
    seen = Seen(browser, page, SIZES["phone"])
    ends = seen.run(
        "return [...document.querySelectorAll('figure.picture')].map("
        "f => f.getBoundingClientRect().bottom + window.scrollY)"
    )
    assert len(ends) == 2
    assert max(ends) <= 1.5 * SIZES["phone"][1]
    rights = "return [...document.querySelectorAll('.picture .says, .picture .who')].map("
    assert max(seen.run(rights + "e => e.getBoundingClientRect().right)")) <= 390


def words_open(seen):
    """Words on a page with everything folded closed."""
    return seen.run(
        "document.querySelectorAll('details').forEach(d => { d.open = false; });"
        "return document.body.innerText.split(/\\s+/).length"
    )


def test_pages_are_short_until_something_is_unfolded(browser, month):
    """1,200 words of a family, and 400 of the index before its first table."""
    page = month / "grabvyx_console.html"
    assert 100 < words_open(Seen(browser, page)) <= 1200
    seen = Seen(browser, month / "index.html")
    words_open(seen)
    before = seen.run(
        "const text = document.body.innerText;"
        "const first = document.querySelector('.scroll caption').innerText;"
        "return text.slice(0, text.indexOf(first)).split(/\\s+/).length"
    )
    assert 50 < before <= 400


def test_the_index_is_searched_sorted_and_filtered_offline(browser, month):
    seen = Seen(browser, month / "index.html")
    seen.run("document.getElementById('everything').open = true")
    rows = "return [...document.querySelectorAll('table.find tbody tr')].filter(r => !r.hidden)"
    whole = seen.run(rows + ".length")
    field = browser.find_element("css selector", ".finding input")
    field.send_keys("no power")
    left = seen.run(rows + ".map(r => r.cells[0].innerText)")
    assert 0 < len(left) < whole
    assert all("no power" in name for name in left)
    field.clear()
    seen.run("document.querySelectorAll('table.find th button')[2].click()")
    bids = seen.run(rows + ".map(r => Number(r.cells[2].innerText.replace(/,/g, '')) || 0)")
    assert bids == sorted(bids, reverse=True)


def test_an_answer_tapped_on_the_index_becomes_text_that_import_reads(browser, month):
    """Without a network: the text is shown to be copied; the note stays text."""
    from repair_horizon.imports import answers_in

    seen = Seen(browser, month / "index.html")
    seen.run("document.getElementById('answer-back').open = true")
    browser.find_element("css selector", "#answer-back select option[value=other_bid]").click()
    browser.find_element("css selector", "#answer-back .amount").send_keys("95")
    browser.find_element("css selector", "#answer-back .words").send_keys("<b>worn</b> | dirty")
    seen.run("document.querySelectorAll('#answer-back > button')[1].click()")
    text = seen.run("return document.querySelector('#answer-back textarea').value")
    assert "other_bid | 95 | <b>worn</b> / dirty" in text
    assert answers_in(text, "reply").count("\n") == 2
    assert seen.count("#answer-back b") == 0


# Levels of WCAG 2.2: 1.4.3 (contrast 4.5, large text 3), 1.3.1 (headings, table heads), 2.4.7 and
# 2.1.1 (what scrolls or folds takes the keyboard), 4.1.2 and 1.1.1 (names), 2.4.4 (links).
ACCESS = """
const bad = [];
const seen = e => e.getClientRects().length > 0;
const name = e => (e.getAttribute('aria-label') || e.textContent || '').trim();
const rgb = c => (c.match(/[\\d.]+/g) || []).map(Number);
function ground(e) {
  for (let at = e; at; at = at.parentElement) {
    const c = rgb(getComputedStyle(at).backgroundColor);
    if (c.length === 3 || c[3] === 1) { return c; }
  }
  return [255, 255, 255];
}
function light(c) {
  const l = c.slice(0, 3).map(v => v / 255).map(
    v => v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4));
  return 0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2];
}
let level = 0;
for (const h of document.querySelectorAll('h1,h2,h3,h4,h5,h6')) {
  const now = Number(h.tagName[1]);
  if (now > level + 1) { bad.push(`heading ${now} after ${level}: ${name(h)}`); }
  if (!name(h)) { bad.push('empty heading'); }
  level = now;
}
if (document.querySelectorAll('h1').length !== 1) { bad.push('not one h1'); }
if (document.querySelectorAll('main').length !== 1) { bad.push('not one main'); }
if (!document.documentElement.lang || !document.title) { bad.push('language or title'); }
const ids = [...document.querySelectorAll('[id]')].map(e => e.id);
if (new Set(ids).size !== ids.length) { bad.push('an id twice'); }
for (const th of document.querySelectorAll('th')) {
  if (!['row', 'col'].includes(th.scope)) { bad.push(`no scope: ${name(th)}`); }
}
for (const t of document.querySelectorAll('table')) {
  if (!t.caption && !t.classList.contains('terms')) { bad.push('table without caption'); }
}
for (const box of document.querySelectorAll('.scroll')) {
  if (box.tabIndex !== 0 || !name(box)) { bad.push('a scrolling box out of reach'); }
}
for (const d of document.querySelectorAll('details')) {
  const first = d.firstElementChild;
  if (first.tagName !== 'SUMMARY' || !name(first)) { bad.push('a fold without a line'); }
  else if (seen(first)) {
    first.focus();
    if (document.activeElement !== first) { bad.push(`no focus: ${name(first)}`); }
    if (getComputedStyle(first).outlineStyle === 'none' && first.matches(':focus-visible')) {
      bad.push(`focus not seen: ${name(first)}`);
    }
  }
}
for (const e of document.querySelectorAll('a[href],[role=img],[role=region],aside,nav')) {
  if (!name(e)) { bad.push(`${e.tagName} without a name`); }
}
for (const d of document.querySelectorAll('details')) { d.open = true; }
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
let read = 0;
while (walk.nextNode()) {
  const e = walk.currentNode.parentElement;
  if (!walk.currentNode.data.trim() || !seen(e) || e.closest('svg, script, style')) { continue; }
  const style = getComputedStyle(e), size = parseFloat(style.fontSize);
  const pair = [light(rgb(style.color)), light(ground(e))].sort((a, b) => b - a);
  const ratio = (pair[0] + 0.05) / (pair[1] + 0.05);
  const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
  if (ratio < (large ? 3 : 4.5)) { bad.push(`contrast ${ratio.toFixed(2)}: ${name(e)}`); }
  if (size < 9) { bad.push(`text of ${size} px: ${name(e)}`); }
  read += 1;
}
return [read, [...new Set(bad)]];
"""


@pytest.fixture(scope="module")
def pages(month, folder):
    """The index, a family's page, and the page of untrusted names."""
    family = month / "grabvyx_console.html"
    return {"index": month / "index.html", "family": family, "untrusted": folder / "page.html"}


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
@pytest.mark.parametrize("which", ["index", "family", "untrusted"])
def test_pages_are_within_reach_of_every_reader(browser, pages, which, size):
    """Headings, table heads, names, keyboard and contrast hold, on light and on dark paper.

    axe-core (Deque, MPL 2.0) judges the page with everything folded standing open. A page is
    opened once for both kinds of paper, as opening costs more than judging.
    """
    seen = Seen(browser, pages[which], size)
    for scheme in ("light", "dark"):
        seen.show_as(scheme)
        if which != "untrusted":
            read, bad = seen.run(ACCESS)
            assert read > 60
            assert bad == []
        if (size, scheme) != (SIZES["phone"], "dark"):  # its ink is the desk's, judged there
            seen.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
            assert seen.serious(ink_only=scheme == "dark") == []


def test_the_check_for_readers_notices_what_is_wrong(browser, folder):
    broken = (
        '<html lang="en"><title>x</title><body style="background:#fff"><main><h1>a</h1><h3>b</h3>'
        '<p style="color:#999">pale</p><table><tr><th>head</th></tr></table>'
        '<a href="x"></a><details><summary></summary>c</details></main></body></html>'
    )
    (folder / "broken.html").write_text(broken, encoding="utf-8", newline="")
    seen = Seen(browser, folder / "broken.html")
    assert {"color-contrast", "link-name"} <= {rule for rule, _ in seen.serious()}
    _, bad = seen.run(ACCESS)
    said = " ".join(bad)
    for what in ("heading 3 after 1", "contrast 2.85", "no scope", "without caption",
                 "A without a name", "a fold without a line"):  # fmt: skip
        assert what in said


def test_pages_print_on_few_sheets(browser, month, pages):
    """The index on three sheets; a family on four at most, with its charts two to a row."""
    assert 1 <= sheets(Seen(browser, month / "index.html", paper=True).printed()) <= 3
    assert 2 <= sheets(Seen(browser, pages["family"], paper=True).printed()) <= 4


def test_on_paper_charts_are_drawn_for_half_a_row_and_come_back(browser, pages):
    """Neither clipped nor shrunk: each fits its column while printing and the screen after it."""
    seen = Seen(browser, pages["family"])
    widths = (
        "return [...document.querySelectorAll('.chart')].map("
        "c => [c.querySelector('.main-svg').clientWidth, c.clientWidth])"
    )
    before = seen.run(widths)
    assert all(drawn == box > 900 for drawn, box in before)
    seen.run("window.dispatchEvent(new Event('beforeprint'))")
    assert {drawn for drawn, _ in seen.run(widths)} == {330}
    seen.run("window.dispatchEvent(new Event('afterprint'))")
    time.sleep(0.3)
    assert seen.run(widths) == before
    assert browser.get_log("browser") == []


def test_what_paper_leaves_out_is_said_on_it(browser, pages):
    """The line stands on paper only; the screen shows everything and no such line."""
    seen = Seen(browser, pages["family"])
    shown = (
        "return [...document.querySelectorAll(arguments[0])]"
        ".map(e => e.getClientRects().length > 0)"
    )
    assert seen.run(shown, ".paper") == [False]
    assert all(seen.run(shown, "details.screen"))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert seen.run(shown, ".paper") == [True]
        assert not any(seen.run(shown, ".screen"))
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_on_paper_two_charts_share_a_row(browser, pages):
    """Side by side, neither reaching into the other, at the width of an A4 sheet's text."""
    seen = Seen(browser, pages["family"], (695, 900))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        seen.run("window.dispatchEvent(new Event('beforeprint'))")
        rows = seen.run(
            "return [...document.querySelectorAll('.charts')].map(b => [...b.querySelectorAll("
            "'figure')].slice(0, 2).map(f => { const r = f.getBoundingClientRect();"
            " return [r.top, r.left, r.right, f.scrollWidth - f.clientWidth]; }))"
        )
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    pairs = [row for row in rows if len(row) == 2]
    assert pairs
    for first, second in pairs:
        assert first[0] == second[0]
        assert first[2] <= second[1]
        assert first[3] <= 0
        assert second[3] <= 0


@pytest.mark.parametrize("which", ["family", "untrusted"])
def test_a_phone_shows_each_bid_as_a_card_with_nothing_to_scroll(browser, pages, which):
    """Every figure of a row is on the screen's width, under the heading of its column."""
    seen = Seen(browser, pages[which], SIZES["phone"])
    seen.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    boxes = seen.run(
        "return [...document.querySelectorAll('.cards')].map(b => [b.scrollWidth - b.clientWidth,"
        " Math.max(...[...b.querySelectorAll('td')].map(d => d.getBoundingClientRect().right))])"
    )
    assert boxes
    assert all(hidden <= 0 and right <= 390 for hidden, right in boxes)
    labels, heads = seen.run(
        "const box = document.querySelector('.cards');"
        "return [[...box.querySelector('tbody tr').cells].slice(2).map("
        "d => getComputedStyle(d, '::before').content),"
        " [...box.querySelectorAll('thead th')].slice(2).map(h => h.textContent)]"
    )
    assert [label.strip('"') for label in labels] == heads
    assert "Maximum bid, EUR" in heads


def test_a_family_page_stays_small(month):
    page = month / "grabvyx_console.html"
    assert page.stat().st_size <= 400_000
    assert (month / "index.html").stat().st_size <= 400_000


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_untrusted_names_run_nothing_and_show_as_text(browser, folder, size):
    seen = Seen(browser, folder / "page.html", size)
    assert browser.title == NASTY[1]
    assert seen.console == []
    assert seen.outside(folder) == []
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
    script = "return document.querySelector('.chart').layout.font.color"
    page = folder / "page.html"
    ink = {scheme: Seen(browser, page, scheme=scheme).run(script) for scheme in ("light", "dark")}
    assert ink == {"light": "#58616b", "dark": "#a4adb6"}
