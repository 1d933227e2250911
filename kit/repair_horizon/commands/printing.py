"""What commands have in common: reading their words, and showing and writing tables."""

from __future__ import annotations

import json
import re
import shutil
import sys
from argparse import Namespace
from pathlib import Path
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.files.writing import write_table
from repair_horizon.logs import Fault, LogFault, Logs, Settings, read_logs, read_settings
from repair_horizon.scale import Hands
from repair_horizon.tables.inputs import LEDGER, TABLES
from repair_horizon.tables.months import month_word
from repair_horizon.tables.words import MISSING

if TYPE_CHECKING:
    from repair_horizon.shop import Shop


def read(workspace: str, as_of: str | None = None) -> tuple[Logs, Settings]:
    """Read a workspace, up to a day if one is given."""
    day = day_of(as_of)
    logs = read_logs(workspace)
    return (logs.as_of(day) if day else logs), read_settings(workspace)


NO_SETTINGS = (
    "No settings.toml: premium, fees, wage and delays are usual ones, not yours; "
    "`repair-horizon init` writes the file to change."
)


def opened(options: Namespace) -> Shop:
    """Open the shop a command is about, up to a day if one is given."""
    from repair_horizon.shop import open_shop

    shop = open_shop(options.workspace, day_of(options.as_of))
    if "workers" in options:
        shop.hands = hands_of(options)
    tell_now(shop.logs.now_words_asked(options.as_of))
    if not (Path(options.workspace) / "settings.toml").is_file():
        tell_now(NO_SETTINGS)
    return shop


def tell_now(words: str) -> None:
    """Say which day is taken for now, beside what is printed and not in it."""
    print("\n".join(wrap(words, NARROW, subsequent_indent="  ")), file=sys.stderr)


def day_of(text: str | None) -> str | None:
    """Check a day given as YYYY-MM-DD."""
    if text is not None and pd.isna(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")):
        raise LogFault([Fault("--as-of", None, "", text, "a date YYYY-MM-DD")])
    return text


def within(option: str, value: float, lowest: float, highest: float) -> None:
    """Refuse a number outside its limits."""
    if not lowest <= value <= highest:
        raise LogFault([Fault(option, None, "", str(value), f"from {lowest:g} to {highest:g}")])


def hands_of(options: Namespace) -> Hands:
    """Who does the work: ``--workers`` processes, or the cluster at ``--cluster``."""
    within("--workers", options.workers, 1, 64)
    return Hands(options.workers, options.cluster, _step if sys.stderr.isatty() else None)


def _step(family: str, done: int, of: int) -> None:
    """Say on one line of the terminal how far the work is; what is printed next wipes it away."""
    print(f"\r  {done} of {of}: {family[:60]}", end="", file=sys.stderr, flush=True)


# Locks and notes of the kit's own, and a log put aside by `partition`.
_OURS = re.compile(rf"\.|({'|'.join(TABLES)})(\.csv|\.parquet)?\.(before|next)")


def out_file(options: Namespace) -> Path:
    """Return the file of ``--out``, which must not be one that the kit reads.

    Raises ``LogFault`` if it is a folder, a log, the settings or another file of the workspace's
    own, or an input named on the same line; links are followed to see it.
    """
    path = Path(options.out)
    if path.is_dir():
        raise LogFault([Fault("--out", None, "", options.out, "a file, not a folder")])
    place, workspace = path.resolve(), Path(options.workspace).resolve()
    own = {"settings.toml", "import_salt", f"{LEDGER.name}.csv"}
    own |= {f"{n}{e}" for n in TABLES for e in (".csv", ".parquet")}
    reads = [getattr(options, n, None) for n in ("price_index", "listings")]
    name = place.name.lower()
    taken = place.parent == workspace and (name in own or bool(_OURS.match(name)))
    taken |= any(place.is_relative_to(workspace / n) for n in (*TABLES, "review"))
    taken |= any(file is not None and place == Path(file).resolve() for file in reads)
    # The same file under another name, such as a link of the system's.
    there = [workspace / n for n in own] if path.exists() else []
    taken |= any(p.exists() and p.samefile(path) for p in there)
    if taken:
        allowed = "a file of its own: this one is read, not written"
        raise LogFault([Fault("--out", None, "", options.out, allowed)])
    return path


def month_folder(workspace: str, month: int) -> Path:
    """Folder a month's tables go to."""
    return Path(workspace) / "out" / month_word(month)


MOST_ROWS, WIDEST_CELL, NARROW = 60, 60, 80
# Declared outputs of tables that are told under another name.
_DECLARED = {"stock": "shelf", "maximum_bids": "thresholds"}
_COPIED = re.compile(r" *(repair-horizon|jupyter) ")
_WHOLE: dict[str, Any] = {"break_long_words": False, "break_on_hyphens": False}


class Telling:
    """What a command tells: as it goes in words, or at its end as one JSON object.

    Parameters
    ----------
    options
        Of the command; ``format`` 'json' gathers tables and sentences for ``finish``.
    """

    def __init__(self, options: Namespace) -> None:
        self._json: dict[str, Any] | None = {} if options.format == "json" else None
        self._said: list[str] = []

    def say(self, words: str) -> None:
        """Tell one sentence or line."""
        if self._json is None:
            print(words if width() is None else wrapped(words))
        elif words.strip():
            self._said.append(words.strip())

    def step(self, words: str) -> None:
        """Tell how far the work is, as it goes; beside the JSON, not in it."""
        print(words, flush=True, file=sys.stdout if self._json is None else sys.stderr)

    def table(
        self,
        name: str,
        table: pd.DataFrame,
        path: Path | None = None,
        columns: str = "",
        nothing: str = "",
        shown: pd.DataFrame | None = None,
        decimals: int = 2,
    ) -> None:
        """Write a table to its file and show it; one sentence in place of an empty one.

        Parameters
        ----------
        name
            Its key in the JSON.
        table
            Figures are shown and written to ``decimals``, amounts to cents, declared shares finer.
        path
            Its file; none is written if None.
        columns
            Names of those shown, parted by spaces; all if empty.
        nothing
            What to say where it has no row.
        shown
            What is shown in its place, in words; nothing if it is empty.
        """
        output = _DECLARED.get(name, name)
        exact, table = table, _rounded(table, decimals, output)
        if path is not None:
            write_table(path, table)
        if self._json is not None:
            self._json[name] = table
        elif table.empty:
            print(nothing)
        else:
            shown = exact[columns.split() or list(table)] if shown is None else shown
            if len(shown):
                print(laid_out(shown, width(), output, decimals))
            if path is not None:
                print(f"{'' if shown.empty else chr(10)}{len(table)} rows: {path}")

    def finish(self, **more: Any) -> None:
        """Print the JSON object, with what else belongs to it."""
        if self._json is not None:
            give_json({**more, **self._json, "said": self._said})


def width() -> int | None:
    """Columns of the terminal; None where there is none, and lines may be as long as they are."""
    return shutil.get_terminal_size((NARROW, 24)).columns if sys.stdout.isatty() else None


def wrapped(words: str, most: int = NARROW) -> str:
    """Break lines that are too long for a page of a terminal, the rest of each a little in.

    Words stay whole, and so does a command to copy.
    """
    return "\n".join(
        line if len(line) <= most or _COPIED.match(line) else _broken(line, most)
        for line in words.split("\n")
    )


def _broken(line: str, most: int) -> str:
    inner = len(line) - len(line.lstrip()) + 2
    return fill(line, most, subsequent_indent=" " * inner, **_WHOLE)


def laid_out(table: pd.DataFrame, columns: int | None, output: str = "", decimals: int = 2) -> str:
    """Print a table, or cards of a row each where it is wider than the terminal.

    A card says the headings and words of the declared ``output``; files and JSON have the names.
    """
    look = {"index": False, "na_rep": "", "max_rows": MOST_ROWS, "max_colwidth": WIDEST_CELL}
    text = _rounded(table, decimals, output).to_string(**look)
    if columns is None or max(len(line) for line in text.splitlines()) <= columns:
        return str(text)
    rows = table.head(MOST_ROWS).iterrows()
    return "\n\n".join(_card(row, columns, output) for _, row in rows)


def _rounded(table: pd.DataFrame, decimals: int, output: str) -> pd.DataFrame:
    """Round figures; a share to its declared digits, so that 0.997 never reads as certain."""
    from repair_horizon.tables.columns import OUTPUT_KINDS
    from repair_horizon.tables.outputs import OUTPUTS

    known = OUTPUTS[output].columns if output in OUTPUTS else ()
    digits = {c.name: OUTPUT_KINDS[c.kind].decimals for c in known if c.kind in ("share", "chance")}

    def rounded(name: str) -> Any:
        most = digits.get(name) or decimals  # words may stand among the figures
        return table[name].map(lambda v: round(v, most) if isinstance(v, float) else v)

    mixed = [c for c in digits if c in table]
    names = [*table.select_dtypes("float").columns, *mixed]
    return table.assign(**{c: rounded(c) for c in dict.fromkeys(names)})


def _card(row: pd.Series, columns: int, output: str) -> str:
    """One row: its first two entries as a head, the others by name; what is empty is left out."""
    told = [(str(n), v) for n, v in row.items() if not (pd.isna(v) or v in ("", MISSING))]
    head = "  ".join(str(v) for _, v in told[:2])
    rest = "; ".join(_said(name, value, output) for name, value in told[2:])
    lines = wrap(rest, max(columns, 20), initial_indent="  ", subsequent_indent="  ", **_WHOLE)
    return "\n".join([head, *lines])


def _said(name: str, value: Any, output: str) -> str:
    from repair_horizon.tables.outputs import OUTPUTS

    if output not in OUTPUTS or name not in OUTPUTS[output].names:
        return f"{name.replace('_', ' ')}: {_short(value)}"
    column = OUTPUTS[output].column(name)
    words = f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else column.worded(value)
    return f"{column.heading[:1].lower()}{column.heading[1:]}: {words}"


def _short(value: Any) -> str:
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, float):
        return f"{round(value, 0 if abs(value) >= 10 else 2):.10g}"
    return str(value)


def give_json(answer: dict[str, Any]) -> None:
    """Print an answer as JSON; tables as lists of rows, what is missing as null."""
    print(json.dumps({k: _plain(v) for k, v in answer.items()}, ensure_ascii=False, indent=1))


def _plain(value: Any) -> Any:
    if isinstance(value, pd.DataFrame):
        return json.loads(value.to_json(orient="records", date_format="iso", date_unit="s"))
    if isinstance(value, float) and value != value:
        return None
    return value
