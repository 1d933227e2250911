"""A month, or one family of it, as one file that draws its charts anywhere, without a network.

It is set from the parts kept beside the pages. The drawing library and the charts' data are packed
together: gzip, then every 13 bits as two of 91 printable characters, which is 23 % longer than the
bytes where base64 is 33 %. A few lines of script unpack them (``DecompressionStream``: browsers
since 2023). Without it the file still shows its words, tables and the pictures at a glance, and
says what is missing.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from markupsafe import Markup

from repair_horizon.reports.index import INDEX_SCRIPTS
from repair_horizon.reports.page import (
    Block,
    DrawnChart,
    PageParts,
    content_policy,
    drawing_script,
    read_template,
    rendered,
)

# Printable ASCII without what ends a script element or an attribute.
DIGITS = "".join(chr(c) for c in range(33, 127) if chr(c) not in '<&"')
NEEDS = "This chart needs a browser of 2023 or later with scripts allowed."


def pack(data: bytes) -> str:
    """Write bytes as printable characters, 13 bits to every two."""
    bits = np.unpackbits(np.frombuffer(data, dtype="uint8"))
    padded = np.concatenate([bits, np.zeros(-len(bits) % 13, dtype="uint8")]).reshape(-1, 13)
    values = padded @ (1 << np.arange(12, -1, -1))
    digits = np.frombuffer(DIGITS.encode("ascii"), dtype="uint8")
    return np.column_stack([digits[values // 91], digits[values % 91]]).tobytes().decode("ascii")


def single_file(pages: Mapping[str, PageParts], title: str, index: str = "") -> str:
    """Set pages, parts by slug, into one file that needs nothing beside it.

    ``index`` is finished HTML; without one the first page is the whole file.
    """
    charts: dict[str, str] = {}
    bare = {slug: _bare(slug, parts, charts) for slug, parts in pages.items()}
    more = INDEX_SCRIPTS if index else ()
    scripts = [drawing_script(), *(read_template(n) for n in ("draw.js", *more))]
    what = {"scripts": scripts, "charts": charts}
    squeezed = gzip.compress(json.dumps(what).encode("utf-8"), 9, mtime=0)
    reader = read_template("unpack.js")
    return rendered(
        "share.html.j2",
        [reader],
        content_policy([*scripts, reader], beside=""),
        title=title,
        index=Markup(index),
        pages=bare,
        missing=NEEDS,
        digits=Markup(DIGITS),
        packed=Markup(pack(squeezed)),
        size=len(squeezed),
    )


def _bare(slug: str, parts: PageParts, charts: dict[str, str]) -> PageParts:
    """Take the charts' data out of a page's parts, each under the name it is drawn by."""
    count = 0
    blocks: list[Block] = []
    for block in parts.blocks:
        pieces: list[str | DrawnChart] = []
        for piece in block.pieces:
            if isinstance(piece, DrawnChart):
                count += 1
                charts[f"{slug}-{count}-data"] = piece.json
                piece = replace(piece, json="")
            pieces.append(piece)
        blocks.append(replace(block, pieces=tuple(pieces)))
    return replace(parts, blocks=tuple(blocks))


def figures(pages: Mapping[str, PageParts]) -> dict[str, DrawnChart]:
    """Return every chart of some pages by page and place: ``phone-1``, ``phone-2``."""
    return {f"{slug}-{n}": c for slug, parts in pages.items() for n, c in _numbered(parts.blocks)}


def _numbered(blocks: Sequence[Block]) -> list[tuple[int, DrawnChart]]:
    found = [p for b in blocks for p in b.pieces if isinstance(p, DrawnChart)]
    return list(enumerate(found, 1))
