"""What is handed on opens offline, draws its charts, and tells nothing it should not."""

import csv
import gzip
import io
import json
import os
import re
import shutil
import struct
import tempfile
import time
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_copies import DEMO
from opened_page import Seen
from python_calamine import CalamineWorkbook
from repair_horizon.cli import main
from repair_horizon.files.writing import guarded, workbook
from repair_horizon.logs import LogFault
from repair_horizon.share import bundle as sharing
from repair_horizon.share.bundle import (
    MAIL_GONE,
    PATH_GONE,
    SINGLE_LIMIT,
    own_places,
    scrubbed,
    share_month,
)
from repair_horizon.share.single_page import DIGITS, pack
from repair_horizon.share.single_page import browser as drawing_browser

FAMILY = "grabvyx_console"
FORMULAS = ["=1+1", "+1+cmd|' /C calc'!A0", "-2+3+A1", "@SUM(A1)", '=HYPERLINK("http://x.y")']
MAIL = re.compile(rb"[\w.+-]+@[\w-]+\.\w+")


def unpack(text: str, size: int) -> bytes:
    """Read back what ``pack`` wrote, as the page's script does; ``size`` is the number of bytes."""
    at = np.zeros(128, dtype="int64")
    at[[ord(c) for c in DIGITS]] = np.arange(91)
    codes = at[np.frombuffer(text.encode("ascii"), dtype="uint8")]
    values = codes[0::2] * 91 + codes[1::2]
    bits = (values[:, None] >> np.arange(12, -1, -1)) & 1
    return np.packbits(bits.astype("uint8").ravel()[: size * 8]).tobytes()


@pytest.fixture(scope="module")
def workspace(written_month: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A month of one family whose record tells a path, as a warning of a cell would."""
    folder = shutil.copytree(written_month, tmp_path_factory.mktemp("shop") / "w")
    month = folder / "out" / "2026-11"
    record = json.loads((month / "run.json").read_text())
    record["families"][0]["messages"] = f"{folder}/sales.csv:3: warning by anna@example.org"
    record["home"] = str(Path.home())
    (month / "run.json").write_text(json.dumps(record))
    held = "table,line,row_id,status,reason,column,found,allowed\n"
    held += "sales,3,S-Anna,held for review,unreadable value,grade,Anna Example 555 0100,A or B\n"
    (month / "set_aside.csv").write_text(held)
    return folder


@pytest.fixture(scope="module")
def month(workspace: Path) -> Path:
    return workspace / "out" / "2026-11"


@pytest.fixture(scope="module")
def bundle(month: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Share the month without pictures, and read what is in it."""
    out = tmp_path_factory.mktemp("zip") / "november.zip"
    shared = share_month(month, out, pictures=False)
    assert shared.size == out.stat().st_size
    return unzipped(out)


@pytest.fixture(scope="module")
def alone(month: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Share one family as a page in a folder of its own."""
    out = tmp_path_factory.mktemp("single") / "watch.html"
    share_month(month, out, FAMILY)
    return out


def unzipped(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as opened:
        assert opened.testzip() is None
        return {n.partition("/")[2]: opened.read(n) for n in opened.namelist()}


def test_a_bundle_holds_pages_script_and_thresholds_and_nothing_else(bundle) -> None:
    pages = {"month.html"}
    tables = {"thresholds.csv", "thresholds.xlsx", "set_aside.csv", "run.json", "READ_ME.txt"}
    assert set(bundle) == pages | tables


def test_an_archive_takes_no_name_from_a_hostile_record(workspace: Path, tmp_path: Path) -> None:
    """A record that calls its month a path elsewhere: every member still lies in one folder."""
    month = tmp_path / "2026-11"
    shutil.copytree(workspace / "out" / "2026-11", month)
    record = json.loads((month / "run.json").read_text())
    (month / "run.json").write_text(json.dumps(record | {"month": "../../elsewhere"}))
    share_month(month, tmp_path / "month.zip", pictures=False)
    with zipfile.ZipFile(tmp_path / "month.zip") as opened:
        assert {n.partition("/")[0] for n in opened.namelist()} == {"repair-horizon-2026-11"}
        assert not [n for n in opened.namelist() if ".." in n]


def test_nothing_in_a_bundle_tells_a_path_or_an_address(bundle, alone, workspace) -> None:
    """The drawing library is its makers' own text; its one address is its licence's."""
    ours = {n: b for n, b in bundle.items() if n != "thresholds.xlsx"}
    ours["alone"] = alone.read_bytes()
    places = [str(workspace), str(Path.home()), os.getcwd(), tempfile.gettempdir()]
    assert any(len(p) > 4 for p in places)
    for name, data in ours.items():
        for place in places:
            assert re.search(rf"(?<![\w.-]){re.escape(place)}/".encode(), data) is None, name
        assert MAIL.search(re.sub(rb'id="packed".*?</script>', b"", data)) is None, name


def test_the_record_keeps_hashes_and_drops_messages(bundle) -> None:
    record = json.loads(bundle["run.json"])
    assert len(record["settings_sha256"]) == 64
    assert record["families"] == [{"family_id": FAMILY, "slug": FAMILY, "status": "done"}]
    assert "home" not in record


def test_rows_set_aside_are_told_without_what_stood_in_them(bundle) -> None:
    (row,) = csv.DictReader(io.StringIO(bundle["set_aside.csv"].decode()))
    assert row["reason"] == "unreadable value"
    assert b"Anna" not in bundle["set_aside.csv"]


def test_pages_hold_no_code_and_link_only_within_the_bundle(bundle) -> None:
    notebook = json.loads((DEMO.parent.parent / "notebooks" / "family_report.ipynb").read_text())
    sources = [c["source"] for c in notebook["cells"] if c["cell_type"] == "code"]
    code = [line.strip() for source in sources for line in source if len(line) > 15]
    assert len(code) > 20
    text = bundle["month.html"].decode()
    assert [line for line in code if line in text] == []
    names = re.findall(r'href="([^"]+)"', text)
    assert names
    assert all(n.startswith("#") and f'id="{n[1:]}"' in text for n in names)


def test_what_is_hidden_is_nowhere_in_the_file(month, tmp_path) -> None:
    """Costs, profits and suppliers are left out of what is made, not covered up."""
    whole = share_month(month, tmp_path / "w.html").path.read_text()
    shared = share_month(month, tmp_path / "h.html", hide=["costs", "suppliers"])
    text = unpacked(shared.path)
    for words in ("Profit of a win, EUR", "earns EUR", ">Chance of loss", "heron_spares"):
        assert words not in text, words
    assert "Profit of a win, EUR" in whole
    assert "earns EUR" in whole
    assert "Maximum bid" in text
    assert "wins" in text
    with pytest.raises(LogFault, match="one of costs, suppliers"):
        share_month(month, tmp_path / "x.html", hide=["names"])


def unpacked(path: Path) -> str:
    """A shared file's text with what it carries packed."""
    text = path.read_text()
    size = int(re.search(r'data-size="(\d+)"', text)[1])
    digits = re.search(r'id="packed"[^>]*>(.*?)</script>', text, re.DOTALL)[1].strip()
    what = json.loads(gzip.decompress(unpack(digits, size)))
    return re.sub(r'id="packed".*?</script>', "", text) + json.dumps(what["charts"])


def test_thresholds_are_the_same_in_every_form(bundle, month) -> None:
    plain = list(csv.reader(io.StringIO(bundle["thresholds.csv"].decode())))
    assert bundle["thresholds.csv"] == (month / "thresholds.csv").read_bytes()
    sheet = CalamineWorkbook.from_filelike(io.BytesIO(bundle["thresholds.xlsx"]))
    rows = sheet.get_sheet_by_index(0).to_python()
    assert rows[0] == plain[0]
    at = rows[0].index("max_bid")
    assert [r[at] for r in rows[1:]] == [float(r[at]) if r[at] else "" for r in plain[1:]]


@pytest.mark.parametrize("text", FORMULAS)
def test_a_formula_in_a_name_stays_text(text: str) -> None:
    """OWASP's list of characters that start a formula: = + - @ tab and carriage return."""
    assert guarded(text) == f"'{text}"
    assert guarded("-12.5") == "-12.5"
    table = pd.DataFrame({"model_id": [guarded(text)], "max_bid": ["-12.5"]})
    with zipfile.ZipFile(io.BytesIO(workbook(table))) as book:
        sheet = book.read("xl/worksheets/sheet1.xml")
        assert b"<f>" not in sheet
        assert b"hyperlink" not in sheet
        assert b"<v>-12.5</v>" in sheet
    unmarked = pd.DataFrame({"model_id": [text], "max_bid": [""]})
    with zipfile.ZipFile(io.BytesIO(workbook(unmarked))) as book:
        assert b"<f>" not in book.read("xl/worksheets/sheet1.xml")


def test_numbers_that_are_names_stay_text_in_a_workbook() -> None:
    table = pd.DataFrame({"model_id": ["007", "12"], "n_sales": ["3", ""]})
    sheet = CalamineWorkbook.from_filelike(io.BytesIO(workbook(table))).get_sheet_by_index(0)
    assert sheet.to_python() == [["model_id", "n_sales"], ["007", 3.0], ["12", ""]]


@pytest.mark.parametrize(
    ("told", "kept"),
    [
        ("see /home/anna/shop/sales.csv, line 3", f"see {PATH_GONE}, line 3"),
        ('File "/srv/shop/a b.csv"', f'File "{PATH_GONE} b.csv"'),
        (r"C:\Users\anna\sales.csv", PATH_GONE),
        (r'{"p": "C:\\Users\\anna"}', f'{{"p": "{PATH_GONE}"}}'),
        (r"\\server\share\anna", PATH_GONE),
        ("file:///srv/shop", PATH_GONE),
        ("anna.b+x@mail.example.org!", f"{MAIL_GONE}!"),
        (r"anna\u0040example.org", MAIL_GONE),
    ],
)
def test_paths_and_addresses_are_left_out(told: str, kept: str) -> None:
    assert scrubbed(told) == kept


@pytest.mark.parametrize(
    "text",
    [
        "EUR/h and 11/2026, loss/day, n/a, 1/2/3",
        '<p>one</p><td class="number">2</td><br/>',
        '{"type":"text/html","x":"a:\\u003cb\\u003e"}',
        "model @ grade A, 5 @ 20.00",
        '"y":{"bdata":"/home/anna/AAAA=","dtype":"f8"}',
        "<script>var a = /home/anna/b;</script>",
        "https://www.example.org/page",
    ],
)
def test_what_is_no_path_stays(text: str) -> None:
    assert scrubbed(text) == text


def test_known_places_are_left_out_also_inside_words(tmp_path: Path) -> None:
    text = f"in={tmp_path}/sales.csv;"
    assert str(tmp_path) not in scrubbed(text, own_places(tmp_path))


@pytest.mark.parametrize("size", [0, 1, 12, 13, 14, 1000])
def test_packed_bytes_come_back(size: int) -> None:
    data = os.urandom(size)
    text = pack(data)
    assert unpack(text, size) == data
    assert set(text) <= set(DIGITS)
    assert not set('<&"') & set(DIGITS)


def test_a_single_page_stays_below_what_mail_takes(alone) -> None:
    assert 1_000_000 < alone.stat().st_size < 2_200_000 < SINGLE_LIMIT == 6_000_000


def test_a_single_page_says_its_words_without_any_script(month, alone) -> None:
    """What stands open on the page stands in the file as it is; no link leads away."""
    text = alone.read_text()
    page = (month / f"{FAMILY}.html").read_text()
    assert len(re.findall("<table", text)) == len(re.findall("<table", page)) > 6
    for heading in re.findall(r"<h[12][^>]*>.*?</h[12]>", page, re.DOTALL):
        assert heading in text
    assert re.findall(r'href="(?!#)', text) == []
    assert text.count("browser of 2023 or later") > 3


def test_a_month_whose_parts_are_gone_is_one_message(month, tmp_path) -> None:
    old = tmp_path / "2026-11"
    shutil.copytree(month, old)
    (old / "tables" / FAMILY / "page.json").write_text("[]")
    with pytest.raises(LogFault, match="run 'repair-horizon report' again"):
        share_month(old, tmp_path / "m.html")


def test_sharing_twice_gives_the_same_bytes(month, tmp_path) -> None:
    first = share_month(month, tmp_path / "a.zip", pictures=False)
    time.sleep(1.1)  # a workbook's own clock counts whole seconds
    second = share_month(month, tmp_path / "b.zip", pictures=False)
    assert first.path.read_bytes() == second.path.read_bytes()


def test_an_old_bundle_survives_a_failed_write(month, tmp_path, monkeypatch) -> None:
    out = tmp_path / "month.zip"
    out.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        share_month(month, out, pictures=False)
    assert out.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["month.zip"]


def test_without_a_browser_pictures_are_left_out_and_that_is_said(
    month, tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(sharing, "browser", lambda: None)
    shared = share_month(month, tmp_path / "m.zip")
    assert shared.notes == ("Left out: no Chromium here to draw the charts as pictures.",)
    assert "no Chromium" in unzipped(shared.path)["READ_ME.txt"].decode()


def test_a_browser_that_fails_is_said_and_the_rest_is_shared(month, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sharing, "browser", lambda: "/bin/false")
    shared = share_month(month, tmp_path / "m.zip")
    assert shared.notes == (
        "Left out: the charts as pictures, since the browser did not finish drawing.",
    )
    assert "month.html" in unzipped(shared.path)


def test_a_month_never_written_or_a_family_without_a_page_is_one_message(month, tmp_path) -> None:
    with pytest.raises(LogFault, match="a month written by"):
        share_month(tmp_path, tmp_path / "m.zip")
    with pytest.raises(LogFault, match=f"one of {FAMILY}"):
        share_month(month, tmp_path / "m.html", "vellfold")
    assert list(tmp_path.iterdir()) == []


def test_the_command_writes_and_says_what_it_wrote(
    workspace, tmp_path, capsys, monkeypatch
) -> None:
    monkeypatch.setattr(sharing, "browser", lambda: None)
    words = ["share", "--workspace", str(workspace), "--month", "2026-11"]
    assert main(words) == 0
    assert (workspace / "out" / "2026-11-all.html").is_file()
    assert main([*words, "--family", FAMILY, "--out", str(tmp_path / "w.html")]) == 0
    assert (tmp_path / "w.html").is_file()
    assert "bytes" in capsys.readouterr().out
    assert main([*words, "--family", "nobody"]) == 2
    assert main([*words, "--out", str(tmp_path)]) == 2
    assert main([*words[:3], "--month", "2026-13"]) == 2
    assert main([*words[:3], "--month", "2020-01"]) == 2
    assert "Traceback" not in capsys.readouterr().err


def looked_at(png: bytes) -> np.ndarray:
    """Decode a PNG of 8-bit RGB or RGBA, as the format's specification (W3C, 2003) has it."""
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    width, height, depth, kind = struct.unpack(">IIBB", png[16:26])
    assert (depth, kind) in ((8, 2), (8, 6))
    data, at = b"", 8
    while at < len(png):
        size, name = struct.unpack(">I4s", png[at : at + 8])
        data += png[at + 8 : at + 8 + size] if name == b"IDAT" else b""
        at += 12 + size
    step = 3 if kind == 2 else 4
    raw = np.frombuffer(zlib.decompress(data), dtype="uint8").reshape(height, 1 + width * step)
    lines, above = [], np.zeros(width * step, dtype="int64")
    for line in raw.astype("int64"):
        above = _unfiltered(int(line[0]), line[1:], above, step)
        lines.append(above)
    return np.array(lines).reshape(height, width, step)


def _unfiltered(kind: int, line: np.ndarray, above: np.ndarray, step: int) -> np.ndarray:
    """Undo one line's filter: none, left, above, their mean, or Paeth's choice."""
    if kind in (0, 2):
        return (line + (above if kind == 2 else 0)) % 256
    out = np.zeros(len(line) + step, dtype="int64")
    corner = np.concatenate([np.zeros(step, dtype="int64"), above[:-step]])
    for i in range(0, len(line), step):
        left, up, c = out[i : i + step], above[i : i + step], corner[i : i + step]
        if kind == 1:
            guess = left
        elif kind == 3:
            guess = (left + up) // 2
        else:
            far = np.abs(np.array([up - c, left - c, left + up - 2 * c]))
            guess = np.choose(far.argmin(axis=0), [left, up, c])
        out[i + step : i + 2 * step] = (line[i : i + step] + guess) % 256
    return out[step:]


@pytest.fixture(scope="module")
def pictured(month: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Share the month with its pictures, by their names."""
    if drawing_browser() is None:
        pytest.skip("no Chromium here")
    shared = share_month(month, tmp_path_factory.mktemp("pictures") / "m.zip")
    found = unzipped(shared.path)
    return {n.partition("/")[2]: b for n, b in found.items() if n.startswith("pictures/")}


@pytest.mark.browser
def test_charts_come_as_svg_with_their_titles(month, pictured) -> None:
    page = (month / f"{FAMILY}.html").read_text()
    drawn = {n: b for n, b in pictured.items() if n.endswith(".svg")}
    assert len(drawn) == page.count('class="chart"') > 3
    for svg in drawn.values():
        assert svg.startswith(b"<svg")
        assert b"gtitle" in svg
        assert b"<script" not in svg
        assert re.search(rb'(?:href|src)="http', svg) is None


@pytest.mark.browser
def test_each_chart_comes_as_png_too_on_white_and_not_blank(pictured) -> None:
    """Half as large again as the SVG in both directions, and light enough to be mailed."""
    stems = {kind: {n[:-4] for n in pictured if n.endswith(kind)} for kind in (".svg", ".png")}
    assert stems[".svg"] == stems[".png"]
    for stem in stems[".png"]:
        png, svg = pictured[f"{stem}.png"], pictured[f"{stem}.svg"].decode()
        width, height = struct.unpack(">II", png[16:24])
        named = re.search(r'<svg[^>]*width="([\d.]+)"[^>]*height="([\d.]+)"', svg)
        assert named is not None
        assert (width, height) == pytest.approx([1.5 * float(v) for v in named.groups()], abs=1)
        assert 5_000 < len(png) < 300_000
    seen = looked_at(pictured[f"{FAMILY}-1.png"])[..., :3]
    ink = (seen != 255).any(axis=2)
    assert (seen[0, 0] == 255).all()
    assert 0.02 < ink.mean() < 0.6
    assert ink[:, : ink.shape[1] // 2].any()
    assert ink[:, ink.shape[1] // 2 :].any()
    assert len(np.unique(seen.reshape(-1, 3), axis=0)) > 20


@pytest.mark.browser
def test_a_single_page_draws_every_chart_and_asks_for_nothing_but_itself(browser, month, alone):
    assert [p.name for p in alone.parent.iterdir()] == [alone.name]
    seen = Seen(browser, alone)
    page = (month / f"{FAMILY}.html").read_text()
    assert seen.drawn == seen.charts == page.count('class="chart"') > 3
    assert seen.requests == [alone.as_uri()]
    assert seen.console == []


@pytest.mark.browser
def test_a_script_put_into_a_single_page_does_not_run(browser, alone, tmp_path) -> None:
    attack = "<script>document.title='run'</script><img src=x onerror=\"document.title='run'\">"
    forged = tmp_path / "forged.html"
    forged.write_text(alone.read_text().replace("</article>", f"{attack}</article>"), newline="")
    Seen(browser, forged)
    assert browser.title != "run"


@pytest.mark.browser
def test_without_unpacking_a_single_page_says_what_it_needs(browser, alone) -> None:
    """As in a browser before 2023, or with scripts forbidden."""
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(alone.as_uri())
        text, source = browser.find_element("tag name", "body").text, browser.page_source
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert "This chart needs a browser of 2023 or later" in source
    assert "wins" in text, "the picture at a glance needs no script"
    assert "EUR" in text


@pytest.mark.browser
def test_a_month_in_one_file_opens_offline_and_leads_to_each_family(browser, bundle, tmp_path):
    """The index first; a tap on a family shows its page alone, its charts drawn."""
    file = tmp_path / "month.html"
    file.write_bytes(bundle["month.html"])
    seen = Seen(browser, file)
    assert seen.requests == [file.as_uri()]
    assert seen.console == []
    assert browser.find_element("id", "index").is_displayed()
    assert not browser.find_element("id", FAMILY).is_displayed()
    browser.get(f"{file.as_uri()}#{FAMILY}")
    assert browser.find_element("id", FAMILY).is_displayed()
    assert not browser.find_element("id", "index").is_displayed()
