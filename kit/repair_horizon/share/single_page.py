"""One family's page as one file that draws its charts anywhere, without a network.

The drawing library and the charts' data are packed together: gzip, then every 13 bits as two of 91
printable characters, which is 23 % longer than the bytes where base64 is 33 %. A few lines of
script unpack them (``DecompressionStream``: browsers since 2023). Without it the page still shows
its words and tables that stand open, and says what is missing.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import html
import json
import re

import numpy as np

from repair_horizon.reports.page import SCRIPT_NAME, drawing_script, read_template

# Printable ASCII without what ends a script element or an attribute.
DIGITS = "".join(chr(c) for c in range(33, 127) if chr(c) not in '<&"')
_CHART = re.compile(
    r'(<script(?=[^>]*type="application/json")[^>]*\bid="([^"]+)"[^>]*>)(.*?)(</script>)', re.DOTALL
)
_LIBRARY = re.compile(rf'<script src="{re.escape(SCRIPT_NAME)}">\s*</script>')
_DRAW = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_MISSING = re.compile(r'(<p class="missing">).*?(</p>)', re.DOTALL)
_POLICY = re.compile(r'(<meta[^>]*?content=")[^"]*("[^>]*http-equiv="Content-Security-Policy")')
_POLICY_LATE = re.compile(r'(http-equiv="Content-Security-Policy"[^>]*?content=")[^"]*(")')
_LINK = re.compile(r'<a\s[^>]*?href="(?!#)[^"]*"[^>]*>(.*?)</a>', re.DOTALL)
_TAGS = re.compile(r"<(/?)details\b[^>]*>")
NEEDS = "This chart needs a browser of 2023 or later with scripts allowed."


def pack(data: bytes) -> str:
    """Write bytes as printable characters, 13 bits to every two."""
    bits = np.unpackbits(np.frombuffer(data, dtype="uint8"))
    padded = np.concatenate([bits, np.zeros(-len(bits) % 13, dtype="uint8")]).reshape(-1, 13)
    values = padded @ (1 << np.arange(12, -1, -1))
    digits = np.frombuffer(DIGITS.encode("ascii"), dtype="uint8")
    return np.column_stack([digits[values // 91], digits[values % 91]]).tobytes().decode("ascii")


def unpack(text: str, size: int) -> bytes:
    """Read back what ``pack`` wrote; ``size`` is the number of bytes."""
    at = np.zeros(128, dtype="int64")
    at[[ord(c) for c in DIGITS]] = np.arange(91)
    codes = at[np.frombuffer(text.encode("ascii"), dtype="uint8")]
    values = codes[0::2] * 91 + codes[1::2]
    bits = (values[:, None] >> np.arange(12, -1, -1)) & 1
    return np.packbits(bits.astype("uint8").ravel()[: size * 8]).tobytes()


def single_page(page: str) -> str:
    """Turn a family's page into one file.

    Parameters
    ----------
    page
        The page as the month's folder holds it, drawing with the script beside it.

    Returns
    -------
    str
        The same page, needing nothing beside it; links to other files are left as plain words.

    Raises
    ------
    ValueError
        If the page is not one of a month's folder.
    """
    draw = _DRAW.search(page)
    if draw is None or not _LIBRARY.search(page):
        raise ValueError("the page does not draw its charts as a month's page does")
    charts = {m.group(2): m.group(3) for m in _CHART.finditer(page)}
    page = _CHART.sub(r"\1\4", page.replace(draw.group(0), "", 1))
    page = _MISSING.sub(rf"\g<1>{NEEDS}\g<2>", _LINK.sub(r"\1", page))
    page, folded = _fold(page)
    library = drawing_script()
    what = {"scripts": [library, draw.group(1)], "charts": charts, "folded": folded}
    squeezed = gzip.compress(json.dumps(what).encode("utf-8"), 9, mtime=0)
    reader = read_template("unpack.js")
    page = _with_policy(page, [library, draw.group(1), reader])
    block = (
        f'<script type="text/plain" id="digits">{DIGITS}</script>\n'
        f'<script type="text/plain" id="packed" data-size="{len(squeezed)}">{pack(squeezed)}'
        f"</script>\n<script>{reader}</script>"
    )
    return _LIBRARY.sub(lambda _: block, page, count=1)


def _with_policy(page: str, scripts: list[str]) -> str:
    """Let through exactly these scripts, by their hash, and no file or address at all."""
    digests = [hashlib.sha256(s.encode("utf-8")).digest() for s in scripts]
    hashes = " ".join(f"'sha256-{base64.b64encode(d).decode('ascii')}'" for d in digests)
    policy = (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    said = html.escape(policy, quote=False)
    page, first = _POLICY.subn(rf"\g<1>{said}\g<2>", page, count=1)
    if not first:
        page, first = _POLICY_LATE.subn(rf"\g<1>{said}\g<2>", page, count=1)
    if not first:
        raise ValueError("the page has no content policy")
    return page


def _fold(page: str) -> tuple[str, list[str]]:
    """Take out what stands folded, leaving each summary with a note that the rest is packed."""
    out: list[str] = []
    folded: list[str] = []
    at, depth, start = 0, 0, 0
    for tag in _TAGS.finditer(page):
        depth += -1 if tag.group(1) else 1
        if depth == 1 and not tag.group(1):
            start = tag.start()
        elif depth == 0:
            whole = page[start : tag.end()]
            out += [page[at:start], _stub(whole, len(folded))]
            folded.append(whole)
            at = tag.end()
    return "".join([*out, page[at:]]), folded


def _stub(details: str, number: int) -> str:
    summary = re.search(r"<summary>.*?</summary>", details, re.DOTALL)
    said = summary.group(0) if summary else ""
    note = '<p class="note">This part needs a browser of 2023 or later with scripts allowed.</p>'
    return f'<details data-folded="{number}">{said}{note}</details>'
