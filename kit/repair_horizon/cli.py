"""The command ``repair-horizon``: words in, exit status out. The work is in ``commands``."""

from __future__ import annotations

import argparse
import io
import re
import sys
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from difflib import get_close_matches
from pathlib import Path
from shutil import get_terminal_size
from typing import Any, ClassVar, NoReturn, TextIO, TypeAlias

from repair_horizon import __version__
from repair_horizon.commands import decide as decisions
from repair_horizon.commands import look as months
from repair_horizon.commands import write_down as logs
from repair_horizon.commands.printing import NARROW, wrapped
from repair_horizon.scale import FamilyLost
from repair_horizon.tables.faults import LogFault, visible

DONE, FAILED, BAD_USAGE = 0, 1, 2

# The work in its order; every command stands in one group.
WORK = {
    "begin": ("demo", "init", "ask"),
    "write down": ("add", "import", "check", "explain", "partition"),
    "decide": ("bids", "stock", "plan", "report"),
    "look": ("forecast", "backtest", "explore"),
    "hand on": ("share",),
}
Commands: TypeAlias = "argparse._SubParsersAction[_Parser]"


class _Defaults(argparse.HelpFormatter):
    """Help with the defaults there are; none is told for what is simply left out."""

    def _get_help_string(self, action: argparse.Action) -> str:
        said = action.help or ""
        if action.default in (None, False, argparse.SUPPRESS) or "%(default)" in said:
            return said
        return f"{said} (default: %(default)s)".strip()


class _Completion(argparse.Action):
    """Print what a shell completes commands and options from, and end."""

    def __call__(self, parser: argparse.ArgumentParser, _: Any, shell: Any, *__: Any) -> None:
        import shtab

        for action in parser._actions:  # what the help leaves to its epilog is completed too
            action.help = "" if action.help == argparse.SUPPRESS else action.help
        print(shtab.complete(parser, shell))
        parser.exit()


class _Parser(argparse.ArgumentParser):
    """A parser that says what was probably meant; with ``mixed``, options may stand anywhere."""

    mixed = False

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        if not self.mixed:
            return super().parse_known_args(args, namespace)
        self.mixed = False  # what follows may call this again, for one kind of words at a time
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self.mixed = True

    def error(self, message: str) -> NoReturn:
        super().error(message + _meant(message, self._words()))

    def _words(self) -> list[str]:
        words = [o for a in self._actions for o in a.option_strings if o.startswith("--")]
        for action in self._actions:
            if isinstance(action, argparse._SubParsersAction):
                words += list(action.choices)
                for below in action.choices.values():
                    assert isinstance(below, _Parser)
                    words += below._words()
        return words


def _meant(message: str, words: Sequence[str]) -> str:
    found = re.search(r"invalid choice: '([^']*)'|unrecognized arguments: (\S+)", message)
    if not found:
        return ""
    given = (found[1] or found[2] or "").partition("=")[0]
    near = get_close_matches(given, dict.fromkeys(words), 1, 0.6)
    return f"; did you mean {near[0]}?" if near else ""


def parser() -> argparse.ArgumentParser:
    """Build the argument parser."""
    top = _Parser(
        prog="repair-horizon",
        usage="repair-horizon [-h] [--version] COMMAND ...",
        description="Which broken handheld devices to buy, up to which bid, and when repair stops.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"repair-horizon {__version__}")
    shells, said = ("bash", "zsh", "tcsh"), "print a script that completes words in this shell"
    top.add_argument("--completion", choices=shells, action=_Completion, help=said)
    does = top.add_subparsers(
        dest="command",
        required=True,
        prog="repair-horizon",
        metavar="COMMAND",
        help=argparse.SUPPRESS,
    )
    _logs(does)
    _one_unit(does)
    _months(does)
    _decisions(does)
    _proof(does)
    top.epilog = _by_the_work(does)
    return top


def _by_the_work(does: Commands) -> str:
    """List the commands by the work they belong to."""
    about = {a.dest: a.help or "" for a in does._choices_actions}
    lines = []
    for work, names in WORK.items():
        lines += [f"{work}:", *(f"  {name:<11}{about[name]}" for name in names), ""]
    return "\n".join([*lines, "repair-horizon COMMAND --help explains one."])


def _logs(does: Commands) -> None:
    """Commands about the logs themselves."""
    told = "write the invented demo business and run its month"
    demo = does.add_parser("demo", help=told, description=told, formatter_class=_Defaults)
    demo.add_argument("folder", nargs="?", default="repair-horizon-demo", metavar="FOLDER")
    demo.add_argument("--workers", type=int, default=2, metavar="N")
    _format(demo)
    demo.set_defaults(run=logs.demo)
    start = _command(does, "init", "write empty logs and a commented settings.toml")
    start.set_defaults(run=logs.init)
    bring = _command(does, "import", "bring rows of a foreign export into a log")
    bring.add_argument("file", metavar="FILE")
    bring.add_argument("--table", metavar="T", help="the log; the mapping's own if left out")
    bring.add_argument("--mapping", metavar="M.toml", help="how FILE is read; see explain mapping")
    bring.add_argument("--draft", action="store_true", help="write a first mapping for FILE")
    bring.add_argument("--sheet", metavar="NAME", help="draft for this sheet of a workbook")
    bring.add_argument(
        "--preview", action="store_true", help="write nothing; show which lines would be held, why"
    )
    _format(bring)
    bring.set_defaults(run=logs.bring_in)
    one = _command(does, "add", "add one sale, quote, repair, listing or unit; say what it changed")
    one.mixed = True
    one.add_argument("table", nargs="?", metavar="TABLE", help="a table, or sale, quote, unit ...")
    one.add_argument("values", nargs="*", metavar="column=value", help="see explain columns TABLE")
    one.add_argument("--undo", action="store_true", help="take the row added last back")
    one.add_argument("--today", metavar="DATE", help="for days left out; the computer's")
    one.add_argument("--quiet", action="store_true", help="do not work out what it changed")
    _format(one)
    one.set_defaults(run=logs.add)
    parted = _command(does, "partition", "turn a log into Parquet partitioned by family")
    parted.add_argument("--table", default="sales", metavar="T")
    parted.set_defaults(run=logs.partition)
    told = "explain mappings, columns, settings or words"
    about = does.add_parser("explain", help=told, description=told, formatter_class=_Defaults)
    about.add_argument("topic", choices=logs.TOPICS, metavar="|".join(logs.TOPICS))
    about.add_argument("part", nargs="?", metavar="PART", help="a table, section or word")
    about.set_defaults(run=logs.explain)
    check = _command(does, "check", "say what became of every row, and every fault found")
    check.add_argument("--most", type=int, default=12, metavar="N", help="lines of readiness")
    _format(check)
    check.set_defaults(run=logs.check)


def _months(does: Commands) -> None:
    """Commands that look ahead."""
    forecast = _command(does, "forecast", "forecast sale prices, or say how they move")
    forecast.add_argument(
        "--of",
        choices=tuple(months.FORECASTS),
        default=months.PRICES,
        help="prices by month, changes a month by model, or broken units against working ones",
    )
    forecast.add_argument("--months", type=int, default=24, metavar="N")
    forecast.add_argument("--level", type=float, default=0.8, metavar="L")
    forecast.add_argument("--by", default="grade", metavar="KEYS", help="grade,storage_gb,channel")
    forecast.add_argument("--as-of", metavar="DATE", help="what is taken for today")
    forecast.add_argument(
        "--price-index", metavar="FILE", help="date,index: forecast in the newest day's money"
    )
    forecast.add_argument("--out", metavar="FILE", help="in the month's folder if left out")
    _hands(forecast)
    _format(forecast)
    forecast.set_defaults(run=months.forecast)
    report = _command(does, "report", "write the month's pages and thresholds")
    report.add_argument("--month", metavar="YYYY-MM", help="the month after the newest data")
    report.add_argument(
        "--family", action="append", metavar="F", help="only this family; may be said again"
    )
    report.add_argument("--as-of", metavar="DATE", help="what is taken for today")
    _hands(report)
    report.add_argument("--again", action="store_true", help="also what stands from same inputs")
    report.add_argument(
        "--time-limit", type=float, default=900.0, metavar="S", help="seconds for each family"
    )
    report.add_argument("--memory-limit", type=float, metavar="GB", help="for each family; none")
    report.add_argument(
        "--fresh-kernels", action="store_true", help="start a kernel for each family; slower"
    )
    _format(report)
    report.set_defaults(run=months.report)
    share = _command(does, "share", "put a written month into one file to hand on")
    share.add_argument("--month", required=True, metavar="YYYY-MM", help="month to share")
    share.add_argument("--family", metavar="F", help="only this family's page")
    share.add_argument("--hide", metavar="costs,suppliers", help="what is left out")
    share.add_argument("--out", metavar="FILE", help="html, or zip for an archive with pictures")
    share.set_defaults(run=months.share)


def _proof(does: Commands) -> None:
    """The command that checks the others."""
    back = _command(does, "backtest", "test forecasts, stop dates and bids on the past")
    back.add_argument("--every", type=int, default=3, metavar="N", help="months between bids")
    _hands(back)
    _format(back)
    back.set_defaults(run=months.backtest)

    look = _command(does, "explore", "open a notebook: a map of models, and one listing what if")
    look.add_argument("--family", metavar="F", help="shown first; the catalogue's first")
    look.add_argument("--month", metavar="YYYY-MM", help="the month after the newest data")
    look.add_argument("--anew", action="store_true", help="in place of the one left there")
    look.add_argument("--no-browser", action="store_true", help="start JupyterLab, open nothing")
    look.add_argument("--write-only", action="store_true", help="write the notebook, start nothing")
    look.set_defaults(run=months.explore, as_of=None)


def _decisions(does: Commands) -> None:
    """Commands for decisions of the day."""
    bids = _command(does, "bids", "score the open listings for bidding now")
    bids.add_argument("listings", nargs="?", metavar="LISTINGS.csv")
    bids.add_argument(
        "--won", nargs=3, metavar=("LISTING", "UNIT", "PRICE"), help="only note that a lot was won"
    )
    bids.add_argument("--correct", action="store_true", help="with --won: change what was noted")
    bids.set_defaults(run=decisions.bids)
    stock = _command(does, "stock", "say what to do with every unit owned")
    stock.set_defaults(run=decisions.stock)
    plan = _command(does, "plan", "choose the month's purchases, bench work and part orders")
    plan.add_argument("--months", type=int, default=24, metavar="N", help="months parts look ahead")
    plan.set_defaults(run=decisions.plan)
    for one in (bids, stock, plan):
        one.add_argument("--month", metavar="YYYY-MM", help="the month after the newest data")
        one.add_argument("--as-of", metavar="DATE", help="what is taken for today")
        _hands(one)
        _format(one)


def _one_unit(does: Commands) -> None:
    """The command for the unit in front of you."""
    told = "one unit: how much to pay, what to do with it, until when"
    one = does.add_parser("ask", help=told, description=told, formatter_class=_Defaults)
    one.add_argument("--workspace", metavar="FOLDER", help="folder of logs, if there is one")
    one.add_argument("--model", metavar="MODEL", help="a model of the workspace's catalogue")
    one.add_argument("--class", dest="device_class", metavar="CLASS", help="else its class")
    one.add_argument("--fault", required=True, metavar="FAULT", help="in the seller's words")
    one.add_argument("--launch", metavar="YYYY-MM", help="month the model came out")
    one.add_argument("--launch-price", type=float, metavar="X")
    one.add_argument("--asking", type=float, metavar="X", help="what the seller asks")
    one.add_argument("--resale", type=float, metavar="X", help="what it sells for working, now")
    one.add_argument("--monthly-fall", type=float, metavar="SHARE", help="of that, such as 0.03")
    one.add_argument(
        "--part", action="append", metavar="[CODE=]X[+SHIPPING][@FALL]", help="repeatable"
    )
    one.add_argument(
        "--as-is", action="append", metavar="[STATE=]X", help="sold broken; repeatable"
    )
    one.add_argument(
        "--state",
        action="append",
        metavar="STATE=SHARE[,PARTS[,HOURS[,SUCCESS]]]",
        help="what it may turn out to be, parts joined by +; repeatable, the shares make 1",
    )
    one.add_argument(
        "--grade",
        action="append",
        metavar="GRADE=SHARE[,FACTOR]",
        help="after repair; repeatable, the shares make 1; no FACTOR: the family's own",
    )
    one.add_argument("--hours", type=float, metavar="H", help="bench hours of the repair")
    one.add_argument("--success", type=float, metavar="SHARE", help="of such repairs")
    one.add_argument("--manufacturer-quote", type=float, metavar="X", help="for its own repair")
    one.add_argument("--month", metavar="YYYY-MM", help="month it is bought in")
    one.add_argument("--as-of", metavar="DATE", help="what is taken for today")
    one.add_argument("--chart", metavar="FILE.html", help="draw what it is worth, month by month")
    _format(one)
    one.set_defaults(run=decisions.ask)


def _hands(one: argparse.ArgumentParser) -> None:
    """Who works on the families; results do not depend on it."""
    who = one.add_mutually_exclusive_group()
    who.add_argument("--workers", type=int, default=1, metavar="N", help="processes here")
    who.add_argument("--cluster", metavar="ADDRESS", help="of a dask scheduler, tcp://HOST:PORT")


def _format(one: argparse.ArgumentParser) -> None:
    one.add_argument("--format", choices=("text", "json"), default="text", help="text or json")


def _command(does: Commands, name: str, about: str) -> _Parser:
    one: _Parser = does.add_parser(name, help=about, description=about, formatter_class=_Defaults)
    one.add_argument("--workspace", default=".", metavar="FOLDER", help="folder of logs")
    return one


def main(words: Sequence[str] | None = None) -> int:
    """Run one command.

    Returns
    -------
    int
        0 done; 1 something failed, or more rows are held for review than the settings allow;
        2 bad usage or unusable input. Bad input is a message, never a traceback.
    """
    options = parser().parse_args(words)
    # All a command prints goes through here, whatever file it came from.
    with redirect_stdout(_Visible(sys.stdout)), redirect_stderr(_Visible(sys.stderr)):
        return _run(options)


class _Visible(io.TextIOBase):
    """A stream on which control characters are written out, and a terminal's edge is kept.

    Text that begins with a carriage return and ends no line says how far the work is: the next of
    its kind takes its place, and whatever else is written, on either stream, wipes it away.
    """

    passing: ClassVar[TextIO | None] = None

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        passes = text.startswith("\r") and "\n" not in text
        if _Visible.passing is not None:
            _Visible.passing.write(f"\r{'':<{NARROW - 1}}\r")
            _Visible.passing.flush()
        _Visible.passing = self.stream if passes else None
        shown = visible(text[1:] if passes else text)
        if self.isatty() and not passes:
            shown = wrapped(shown, max(NARROW, get_terminal_size((NARROW, 24)).columns))
        self.stream.write(shown)
        return len(text)

    def flush(self) -> None:
        self.stream.flush()

    def isatty(self) -> bool:
        return self.stream.isatty()


def _run(options: argparse.Namespace) -> int:
    try:
        return int(options.run(options))
    except LogFault as error:
        print(str(error), file=sys.stderr)
        _next_step(error, str(getattr(options, "workspace", "") or "."))
        return BAD_USAGE
    except FamilyLost as error:
        print(f"stopped: of one family {error}", file=sys.stderr)
        return FAILED
    except BrokenPipeError:
        return DONE
    except OSError as error:
        print(f"{error.filename or 'file'}: {error.strerror or error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("stopped; what was finished is kept", file=sys.stderr)
        return FAILED


def _next_step(error: LogFault, workspace: str) -> None:
    """Name the folder that was looked in, and what to do, where it holds no logs."""
    if any(f.file == "catalogue.csv" and f.found == "no such file" for f in error.faults):
        where = Path(workspace).resolve()
        step = f"repair-horizon init --workspace {workspace}, or demo for an invented business"
        print(f"looked in {where}; next: {step}", file=sys.stderr)
