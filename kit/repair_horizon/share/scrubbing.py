"""Text made fit to leave the house: no e-mail address, no place on this machine's disk.

Scripts and styles of a page are left as they are, since the page's policy holds their hashes and
nothing of the logs stands in them; so are a chart's figures written in base64, which may look like
a path.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

MAIL_GONE, PATH_GONE = "[e-mail left out]", "[path left out]"

# A local part, an at sign and a domain with a dot: addresses as RFC 5322's dot-atoms, and the
# escaped at sign of JSON and HTML.
_MAIL = re.compile(r"[\w.!#$%&'*+/=?^`{|}~-]+(?:@|&#64;|\\u0040)[\w-]+(?:\.[\w-]+)+")
# Two folders or more below the root, a drive letter, a share, or a file address. A word before
# the slash ('EUR/h', '11/2026', 'text/html') is no path, nor is a closing tag.
_PATHS = re.compile(
    r"file:/{1,3}[^\s\"'<>\\]+"
    r"|(?<![\w.<+:/&;{}%)\]-])/[\w.@~-]+(?:/[\w.@~+-]+)+"
    r"|(?<![A-Za-z0-9])[A-Za-z]:(?:/(?!/)|\\{1,2}(?!u[0-9a-f]{4}))[^\s\"'<>|]+"
    r"|(?<!\\)\\\\{1,3}[A-Za-z0-9][\w.$-]*(?:\\{1,2}[\w.$ -]+)+"
)
_KEPT = re.compile(
    r"<script(?![^>]*application/json)[^>]*>.*?</script>|<style[^>]*>.*?</style>"
    r"|<meta[^>]*Content-Security-Policy[^>]*>"
    r'|"bdata":\s*"[A-Za-z0-9+/=]*"',
    re.DOTALL | re.IGNORECASE,
)


def own_places(folder: Path) -> tuple[str, ...]:
    """Places on this machine that must not be told: a folder, home, interpreter, temporary files.

    A place right below the root or shorter than five characters is left out, since as a mere
    word it could stand anywhere.
    """
    found = {str(folder), str(folder.resolve()), str(Path.home()), sys.prefix, str(Path.cwd())}
    found |= {tempfile.gettempdir()}
    long = [p for p in found if len(p) >= 5]
    return tuple(sorted(long, key=len, reverse=True))


def scrubbed(text: str, places: Sequence[str] = ()) -> str:
    """Return a text without e-mail addresses and without paths.

    Parameters
    ----------
    text
        Any text; of HTML, scripts, styles and charts' figures are not touched.
    places
        Folders known to be this machine's, as ``own_places`` tells them.
    """
    out, at = [], 0
    for kept in _KEPT.finditer(text):
        out += [_plain(text[at : kept.start()], places), kept.group()]
        at = kept.end()
    return "".join([*out, _plain(text[at:], places)])


def _plain(text: str, places: Sequence[str]) -> str:
    for place in places:
        text = re.sub(rf"(?<![\w.-]){re.escape(place)}(?![\w-])[\w.@~+/-]*", PATH_GONE, text)
    return _MAIL.sub(MAIL_GONE, _PATHS.sub(PATH_GONE, text))
