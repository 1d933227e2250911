"""``write_month``: every family's page, the index, the thresholds and the record of the run."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pandas as pd

from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.files.writing import (
    make_folder,
    slugs,
    stops_the_run,
    write_table,
    write_text,
    writing,
)
from repair_horizon.logs import Fault, LogFault, Logs, Settings, read_logs
from repair_horizon.reports.family import settings_asked
from repair_horizon.reports.index import SAVED, IndexPage, index_html, index_kept
from repair_horizon.reports.made_from import (
    DONE,
    FAILED,
    family_stamps,
    keep_rules,
    last_month,
    run_record,
    standing,
)
from repair_horizon.reports.month_tables import (
    invented_note,
    read_saved,
    stacked,
)
from repair_horizon.reports.notebooks import TIME_LIMIT, FamilyRun, FamilyTask, Limits, run_named
from repair_horizon.reports.page import SCRIPT_NAME, drawing_script
from repair_horizon.scale import FamilyLost, Hands, each_family
from repair_horizon.shop import shop_of
from repair_horizon.tables.months import month_start, parse_month
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import family_names, month_words, short_names

Progress = Callable[[str, str, float], None]
KEPT = "kept"


@dataclass(frozen=True)
class MonthRun:
    """A written month: where it lies and what became of each family."""

    folder: Path
    month: str
    families: tuple[FamilyRun, ...]
    now_words: str = ""

    @property
    def failed(self) -> dict[str, str]:
        """Families without a page, with the reason."""
        return {r.family_id: r.reason for r in self.families if r.status == FAILED}

    @property
    def index(self) -> Path:
        """The page to open first."""
        return self.folder / "index.html"


def _quiet(family_id: str, status: str, seconds: float) -> None:
    return None


@dataclass(frozen=True)
class Order:
    """What may be asked for beyond workspace and month; what is left out or None is the usual.

    ``families`` (all), ``as_of`` the last day the report may know of (YYYY-MM-DD; the month's
    last), ``out`` the folder the month's folder is made in (``out`` inside the workspace),
    ``workers`` processes (1), ``cluster`` the address of a dask scheduler in place of them,
    ``seed`` and ``draws`` (the settings'), ``again`` whether to make pages anew that stand from
    the same inputs, ``time_limit`` in seconds and ``memory_limit`` in GB (none) for each family,
    ``fresh_kernels`` a kernel started for each family instead of one kept for the next.
    """

    families: Sequence[str] | None = None
    as_of: str | pd.Timestamp | None = None
    out: str | Path | None = None
    workers: int = 1
    seed: int | None = None
    draws: int | None = None
    cluster: str | None = None
    again: bool = False
    time_limit: float = TIME_LIMIT
    memory_limit: float | None = None
    fresh_kernels: bool = False

    @property
    def limits(self) -> Limits:
        """What each family's notebook may take."""
        return Limits(self.time_limit, self.memory_limit, self.fresh_kernels)


_USUAL = Order()


def write_month(
    workspace: str | Path,
    month: str,
    *,
    order: Order = _USUAL,
    progress: Progress = _quiet,
) -> MonthRun:
    """Write ``MONTH/``: index.html, a page per family, thresholds.csv, set_aside.csv, run.json.

    A family that fails is marked and does not stop the others. ``progress`` is called after each
    with its identifier, 'done', 'failed' or 'kept' (made before from the same inputs, and still
    standing), and seconds taken.

    Raises
    ------
    LogFault
        If the logs, settings, month, day or a family's name cannot be used.
    OSError
        If the month's folder cannot be written to; families finished until then are kept.
    """
    workspace, number = Path(workspace).resolve(), parse_month(month)
    as_of = _last_day(order.as_of, number)
    logs, settings = read_logs(workspace), settings_asked(workspace, order.seed, order.draws)
    known = logs.as_of(as_of)
    chosen = _chosen(order.families, logs.families)
    folder = Path(order.out or workspace / "out").resolve() / month
    record = run_record(logs, settings, month, as_of)
    with writing(folder):
        make_folder(folder)
        write_text(folder / SCRIPT_NAME, drawing_script())
    given = {"seed": order.seed, "draws": order.draws}
    shared = {
        "month": month,
        "as_of": as_of,
        "known_before": last_month(folder).known,
        **{name: "" if value is None else str(value) for name, value in given.items()},
    }
    tasks = _tasks(known, folder, shared, order.limits)
    runs, asked = {}, {}
    for family, task in tasks.items():
        # A family not asked for stays on the index if its files stand whole and were made from
        # what they would be made from now, by whichever program; one asked for is then kept only
        # if the program was the same.
        stamp, said = standing(folder, task.slug)
        if stamp is not None and stamp.inputs == task.stamp.inputs:
            runs[family] = FamilyRun(family, task.slug, DONE, 0.0, "", said, stamp.inputs)
        if family in chosen and stamp == task.stamp and not order.again:
            progress(family, KEPT, 0.0)
        elif family in chosen:
            asked[family] = task
    for run in _run(asked, order):
        runs[run.family_id] = run
        progress(run.family_id, run.status, run.seconds)
    done = tuple(runs[f] for f in logs.families if f in runs)
    whole = MonthRun(folder, month, done, known.now_words_asked(order.as_of))
    with writing(folder):
        hands = Hands(order.workers, order.cluster)
        write_month_files(whole, known, settings, record, hands)
    return whole


def _last_day(as_of: str | pd.Timestamp | None, number: int) -> str:
    last = month_start(number + 1) - pd.Timedelta(days=1)
    if as_of is None or as_of == "":
        return f"{last:%Y-%m-%d}"
    day = pd.to_datetime(as_of, format="%Y-%m-%d", errors="coerce")
    if pd.isna(day):
        raise LogFault([Fault("--as-of", None, "", str(as_of), "a day such as 2026-10-31")])
    return f"{day:%Y-%m-%d}"


def _chosen(asked: Sequence[str] | None, known: list[str]) -> list[str]:
    unknown = [f for f in asked or () if f not in known]
    if unknown:
        allowed = "one of " + ", ".join(known)
        raise LogFault([Fault("--family", None, "", f, allowed) for f in unknown])
    return list(dict.fromkeys(asked)) if asked else known


def _tasks(
    known: Logs, folder: Path, shared: dict[str, str], limits: Limits
) -> dict[str, FamilyTask]:
    """Return what every family of the workspace would be run with."""
    names, invented = slugs(known.families), invented_note(known.folder)
    when = month_words(f"{shared['month']}-01")
    stamps = family_stamps(known, folder, [*shared.items(), invented])
    catalogue = known.tables["catalogue"]
    said, models = family_names(catalogue), catalogue["family_id"].value_counts()
    return {
        f: FamilyTask(
            family_id=f,
            slug=names[f],
            title=f"{said[f]}, {when}",
            invented=invented,
            folder=folder,
            parameters={
                "workspace": str(known.folder),
                "family_id": f,
                "out_folder": str(folder / "tables" / names[f]),
                **shared,
            },
            limits=limits,
            stamp=stamps[f],
            models=int(models[f]),
        )
        for f in known.families
    }


def _run(tasks: dict[str, FamilyTask], order: Order) -> Iterator[FamilyRun]:
    """Run every task through the kit's one map; a process that dies fails its family only."""
    work, families = partial(run_named, tasks), list(tasks)
    if order.workers > 1 or order.cluster:  # the longest first, so that all end together
        families.sort(key=lambda f: -tasks[f].models)
    for family_id, result in each_family(work, families, order.workers, order.cluster):
        if isinstance(result, FamilyRun):
            yield result
        elif stops_the_run(result):
            raise result
        else:
            reason = str(result) if isinstance(result, FamilyLost) else f"it failed: {result!r}"
            yield FamilyRun(family_id, tasks[family_id].slug, FAILED, 0.0, reason)


def write_month_files(
    run: MonthRun, logs: Logs, settings: Settings, record: dict[str, object], hands: Hands
) -> None:
    """Write index.html, the month's tables, run.json and the settings used.

    ``logs`` are as known for the month, ``record`` is from ``run_record``; ``hands`` fit the
    families that the plan needs.
    """
    folder, invented = run.folder, invented_note(logs.folder)
    places = {r.family_id: folder / "tables" / r.slug for r in run.families if r.status == DONE}
    tables = {n: stacked([_saved(p, n) for p in places.values()], n) for n in SAVED}
    whole = shop_of(logs, settings)
    valuation = whole.valuation(run.month)
    shop, plan = whole, None
    if places:
        shop = whole.fit(list(places), hands).only(list(places), run.month)
        # Without a listing to bid for or a unit to work on there is nothing to plan.
        listings = shop.open_listings()
        if len(listings) or len(shop.logs.tables["stock"]):
            plan = shop.plan(run.month)
    written = {
        "thresholds": tables["thresholds"][OUTPUTS["thresholds"].names],
        **({} if plan is None else {"plan": plan.items}),
        **{n: stacked([read_saved(p, n) for p in places.values()], n) for n in _STACKED},
    }
    for name, table in written.items():
        write_table(folder / f"{name}.csv", OUTPUTS[name].written(table))
    write_table(folder / "set_aside.csv", logs.ledger.exceptions)
    before, rules = last_month(folder), str(record["settings_sha256"])
    market = whole.market_break()
    broke = market.words if isinstance(market, MarketBreak) else ""
    about = (run.month, logs, settings, run.families, tables, plan, before, rules)
    page = IndexPage(*about, invented, broke)
    write_text(folder / "index.html", index_html(page))
    write_text(folder / "tables" / "index.json", index_kept(page))
    keep_rules(logs.folder, folder, valuation)
    write_text(folder / "run.json", _record_text(record, run.families))


_STACKED = ("price_changes", "broken_prices")


def _saved(folder: Path, name: str) -> pd.DataFrame:
    """A family's saved table; thresholds with short model names."""
    table = read_saved(folder, name)
    if name != "thresholds":
        return table
    models = read_saved(folder, "models")
    short = dict(zip(models["model_id"], short_names([*models["model_name"]]), strict=True))
    return table.assign(model_name=table["model_id"].map(short))


def _record_text(record: dict[str, object], runs: Iterable[FamilyRun]) -> str:
    """Return run.json: the inputs' record and what became of each family."""
    families = [
        {
            "family_id": r.family_id,
            "slug": r.slug,
            "status": r.status,
            "reason": r.reason,
            "messages": r.messages,
            "inputs_sha256": r.inputs,
        }
        for r in runs
    ]
    return json.dumps({**record, "families": families}, indent=1, ensure_ascii=False) + "\n"
