"""``write_month``: every family's page, the index, the thresholds and the record of the run."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pandas as pd

from repair_horizon.decisions.month.listings import open_listings
from repair_horizon.decisions.month.plan import Plan
from repair_horizon.files.names import slugs
from repair_horizon.files.writing import (
    make_folder,
    stops_the_run,
    write_table,
    write_text,
    writing,
)
from repair_horizon.logs import Fault, LogFault, Logs, Settings, read_logs
from repair_horizon.reports.index import IndexPage, index_body, index_html
from repair_horizon.reports.kernel import TIME_LIMIT, Limits
from repair_horizon.reports.last_month import DONE, FAILED, keep_rules, keep_valuation, last_month
from repair_horizon.reports.made_from import Stamp, family_stamps, run_record, standing
from repair_horizon.reports.month_tables import (
    family_names,
    invented_note,
    read_saved,
    short_names,
    stacked,
)
from repair_horizon.reports.notebooks import FamilyRun, FamilyTask, run_named
from repair_horizon.reports.page import SCRIPT_NAME, drawing_script
from repair_horizon.reports.requested import settings_asked
from repair_horizon.scale import ALONE, FamilyLost, Hands, each_family
from repair_horizon.shop import Shop, shop_of
from repair_horizon.tables.months import month_start, parse_month
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import month_words

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

    Parameters
    ----------
    workspace
        Folder of the logs.
    month
        YYYY-MM.
    order
        Which families, up to which day, where to, by how many processes.
    progress
        Called after each family with its identifier, 'done', 'failed' or 'kept' (made before
        from the same inputs, and still standing), and seconds taken.

    Returns
    -------
    MonthRun
        A family that fails is marked and does not stop the others.

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
    before = last_month(folder)
    numbers = {"seed": order.seed, "draws": order.draws}
    shared = {
        "month": month,
        "as_of": as_of,
        "known_before": "" if before is None else before.known.known,
        **{name: "" if value is None else str(value) for name, value in numbers.items()},
    }
    tasks = _tasks(known, folder, shared, order.limits)
    made = _standing(tasks)
    runs = {f: run for f, (run, _) in made.items()}
    for family in chosen:
        if not order.again and family in made and made[family][1] == tasks[family].stamp:
            progress(family, KEPT, 0.0)
            tasks.pop(family)
    for run in _run({f: t for f, t in tasks.items() if f in chosen}, order):
        runs[run.family_id] = run
        progress(run.family_id, run.status, run.seconds)
    done = tuple(runs[f] for f in logs.families if f in runs)
    whole = MonthRun(folder, month, done, known.now_words)
    with writing(folder):
        hands = Hands(order.workers, order.cluster)
        about = Known(month, known, settings)
        write_month_files(whole.folder, whole.families, about, record, hands)
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


def _standing(tasks: dict[str, FamilyTask]) -> dict[str, tuple[FamilyRun, Stamp]]:
    """Families whose files stand whole and were made from what they would be made from now.

    Their stamp says whether by the same program, too: a family that is asked for is then kept, one
    that is not asked for stays on the index in any case.
    """
    out = {}
    for family, task in tasks.items():
        found = standing(task.folder, task.slug)
        if found is not None and found[0].inputs == task.stamp.inputs:
            stamp, said = found
            run = FamilyRun(family, task.slug, DONE, 0.0, messages=said, inputs=stamp.inputs)
            out[family] = run, stamp
    return out


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


@dataclass(frozen=True, eq=False)
class Known:
    """A month (YYYY-MM), the logs as known for it, and the settings."""

    month: str
    logs: Logs
    settings: Settings


def write_month_files(
    folder: Path,
    runs: Sequence[FamilyRun],
    known: Known,
    record: dict[str, object],
    hands: Hands = ALONE,
) -> None:
    """Write index.html, the month's tables, run.json and the settings used.

    ``folder`` is the month's, with the families' saved tables; ``record`` is from ``run_record``;
    ``hands`` fit the families that the plan needs.
    """
    places = {r.family_id: folder / "tables" / r.slug for r in runs if r.status == DONE}
    tables = {f: _saved_thresholds(place) for f, place in places.items()}
    declared = OUTPUTS["thresholds"]
    thresholds = stacked(list(tables.values()), "thresholds")[declared.names]
    write_table(folder / "thresholds.csv", declared.written(thresholds))
    write_table(folder / "set_aside.csv", known.logs.ledger.exceptions)
    whole = shop_of(known.logs, known.settings)
    valuation = whole.valuation(known.month)
    shop = whole.fit(list(places), hands).only(list(places), known.month) if places else whole
    page = IndexPage(
        month=known.month,
        logs=known.logs,
        settings=known.settings,
        families=runs,
        thresholds=tables,
        shelf=stacked([read_saved(p, "shelf") for p in places.values()], "shelf"),
        chances={f: read_saved(p, "stop_chances") for f, p in places.items()},
        changes={f: read_saved(p, "changes") for f, p in places.items()},
        alerts={f: read_saved(p, "part_alerts") for f, p in places.items()},
        plan=_plan(shop, known.month) if places else None,
        before=last_month(folder),
        settings_hash=str(record["settings_sha256"]),
        invented=invented_note(known.logs.folder),
    )
    if page.plan is not None:
        write_table(folder / "plan.csv", OUTPUTS["plan"].written(page.plan.items))
    for name, table in (
        ("price_changes", shop.price_changes(list(places), known.month)),
        ("broken_prices", shop.broken_ratios(list(places))),
    ):
        write_table(folder / f"{name}.csv", OUTPUTS[name].written(table))
    write_text(folder / "index.html", index_html(page))
    bodies = {
        "whole": index_body(page, costs=True),
        "without costs": index_body(page, costs=False),
    }
    kept = {"title": page.title, "invented": page.invented, "bodies": bodies}
    write_text(folder / "tables" / "index.json", json.dumps(kept, ensure_ascii=False) + "\n")
    keep_rules(known.logs.folder, folder)
    keep_valuation(valuation, folder)
    write_text(folder / "run.json", record_text(record, runs))


def _plan(shop: Shop, month: str) -> Plan | None:
    """Return the month's plan; None where no listing is open and no unit is owned."""
    listings = open_listings(shop.logs.tables["listings"], shop.now)
    if listings.empty and shop.logs.tables["stock"].empty:
        return None
    return shop.plan(month)


def _saved_thresholds(folder: Path) -> pd.DataFrame:
    """Thresholds of a family, with short model names and the day of each one's newest sale."""
    models = read_saved(folder, "models").set_index("model_id")
    models["short"] = short_names(models["model_name"].tolist())
    table = read_saved(folder, "thresholds")
    return table.assign(
        newest_sale=table["model_id"].map(models["newest_sale"]),
        model_name=table["model_id"].map(models["short"]),
    )


def record_text(record: dict[str, object], runs: Iterable[FamilyRun]) -> str:
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
