"""A place that cannot be written to: one message for the whole run, not one per family."""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
# Only writing meets these; the others may also come from reading, and count under the folder only.
_SURELY = _FULL | {errno.EROFS}
_PERHAPS = {errno.EACCES, errno.EPERM, errno.ENOTDIR, errno.EEXIST, errno.EISDIR}
_SAID = re.compile(r"\[Errno (\d+)\] ([^:\n]*)(?:: '([^'\n]*)')?")


def unwritable(error: OSError, place: Path) -> OSError:
    """Return the failure in a partner's words; ``filename`` is where, ``strerror`` what to do."""
    why = error.strerror or str(error)
    remedy = "make room" if error.errno in _FULL else "choose a folder that may be written to"
    words = f"cannot be written ({why}); {remedy} and run again: finished families are kept"
    return OSError(error.errno, words, str(error.filename or place))


def stops_the_run(error: BaseException) -> bool:
    """Whether a family's failure is one of writing, which every other family would meet too."""
    return isinstance(error, OSError) and error.errno in _SURELY | _PERHAPS


@contextmanager
def writing(place: Path) -> Iterator[None]:
    """Turn a failure to write under ``place`` into its one message.

    Raises
    ------
    OSError
        With words of its own, in place of the system's.
    """
    try:
        yield
    except OSError as error:
        raise unwritable(error, place) from error


def said_in_a_cell(words: str, place: Path) -> OSError | None:
    """Return the failure to write that a cell's error tells of, if it is one.

    Parameters
    ----------
    words
        The error as a notebook holds it, where only its text is left.
    place
        The folder of the month.
    """
    found = _SAID.search(words)
    if found is None:
        return None
    number, path = int(found[1]), found[3] or ""
    inside = path.startswith(str(place) + os.sep) or path == str(place)
    if number in _SURELY or (number in _PERHAPS and inside):
        return unwritable(OSError(number, os.strerror(number), path or str(place)), place)
    return None
