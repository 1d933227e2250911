"""``write_month``: every family's page, the index, the thresholds and the record of the run."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pandas as pd

from kit.logs import Fault, LogFault, Logs, read_logs, read_settings
from kit.logs.months import month_start, parse_month
from kit.reports.engine.limits import TIME_LIMIT, Limits
from kit.reports.engine.unwritable import stops_the_run, writing
from kit.reports.last_month import last_month
from kit.reports.month_files import Known, invented_note, write_month_files
from kit.reports.naming import slugs
from kit.reports.pages import SCRIPT_NAME, drawing_script
from kit.reports.record import family_stamps, run_record
from kit.reports.resuming import DONE, FAILED, Stamp, standing
from kit.reports.running import FamilyRun, FamilyTask, run_named
from kit.reports.wording import fault_words, month_words
from kit.reports.writing import write_text
from kit.scale import FamilyLost, each_family

Progress = Callable[[str, str, float], None]
KEPT = "kept"


@dataclass(frozen=True)
class MonthRun:
    """A written month: where it lies and what became of each family."""

    folder: Path
    month: str
    families: tuple[FamilyRun, ...]

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
    ``fresh_kernels`` a kernel started for each family instead of a fork of one warmed process.
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
    logs, settings = read_logs(workspace), read_settings(workspace)
    known = logs.as_of(as_of)
    chosen = _chosen(order.families, logs.families)
    folder = Path(order.out or workspace / "out").resolve() / month
    record = run_record(logs, settings, (month, as_of), (order.seed, order.draws))
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        write_text(folder / SCRIPT_NAME, drawing_script())
    shared = {"month": month, "as_of": as_of, "known_before": _known_before(folder)}
    tasks = _tasks(known, folder, {**shared, **_numbers(order)}, order.limits)
    made = _standing(tasks)
    runs = {f: run for f, (run, _) in made.items()}
    for family in chosen:
        if not order.again and family in made and made[family][1] == tasks[family].stamp:
            progress(family, KEPT, 0.0)
            tasks.pop(family)
    for run in _run({f: t for f, t in tasks.items() if f in chosen}, order):
        runs[run.family_id] = run
        progress(run.family_id, run.status, run.seconds)
    whole = MonthRun(folder, month, tuple(runs[f] for f in logs.families if f in runs))
    with writing(folder):
        write_month_files(whole.folder, whole.families, Known(month, known, settings), record)
    return whole


def _numbers(order: Order) -> dict[str, str]:
    asked = {"seed": order.seed, "draws": order.draws}
    return {name: "" if value is None else str(value) for name, value in asked.items()}


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


def _known_before(folder: Path) -> str:
    """Last day known to last month's report; empty if there is none."""
    before = last_month(folder)
    return "" if before is None else before.cutoff


def _tasks(
    known: Logs, folder: Path, shared: dict[str, str], limits: Limits
) -> dict[str, FamilyTask]:
    """Return what every family of the workspace would be run with."""
    names, invented = slugs(known.families), invented_note(known.folder)
    when = month_words(f"{shared['month']}-01")
    stamps = family_stamps(known, folder, [*shared.items(), invented])
    models = known.tables["catalogue"]["family_id"].value_counts()
    return {
        f: FamilyTask(
            family_id=f,
            slug=names[f],
            title=f"{fault_words(f)}, {when}",
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
