"""Commands that look ahead or back, and hand on: forecast, explore, report, backtest, share."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from argparse import Namespace
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.commands.printing import (
    Telling,
    day_of,
    hands_of,
    month_folder,
    opened,
    out_file,
    read,
    tell_now,
    within,
)
from repair_horizon.logs import Fault, LogFault
from repair_horizon.scale import check_shared
from repair_horizon.tables.command_outputs import BACKTEST
from repair_horizon.tables.months import month_word, parse_month
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import MISSING

if TYPE_CHECKING:
    from repair_horizon.shop import Shop

PRICES, CHANGES, BROKEN = "prices", "changes", "broken"
FORECASTS = {PRICES: "prices", CHANGES: "price_changes", BROKEN: "broken_prices"}


def forecast(options: Namespace) -> int:
    """Write a price forecast, the changes of prices a month, or the prices of broken units."""
    within("--months", options.months, 1, 120)
    within("--level", options.level, 0.01, 0.99)
    asked = out_file(options) if options.out else None
    shop, tell = _forecasting(options), Telling(options)
    name = FORECASTS[options.of]
    path = asked or month_folder(options.workspace, shop.month()) / f"{name}.csv"
    hands = hands_of(options)
    if options.of == PRICES:
        keys = [k for k in options.by.split(",") if k]
        table = shop.forecast(options.months, options.level, keys, hands)
        tell.table(name, table, path, shown=pd.DataFrame(), nothing="no model: no row.")
        tell.say(f"{table['model_id'].nunique()} models. {shop.calibration.words}")
        unsaid = table.loc[table["reason"] != "", "reason"].value_counts()
        for reason, n in unsaid.items():
            tell.say(f"  {n} rows: {reason}")
    else:
        shop.fit(None, hands)
        table = (
            shop.price_changes(level=options.level)
            if options.of == CHANGES
            else shop.broken_ratios()
        )
        output = OUTPUTS[name]
        told = {
            c.headed(shop.currency): [c.worded(v) for v in table[c.name]] for c in output.columns
        }
        shown, rows = pd.DataFrame(told), output.written(table)
        shown = shown.loc[:, (shown != MISSING).any()]
        tell.table(name, rows, path, nothing="No model, no row.", shown=shown, decimals=4)
    if options.price_index:
        tell.say(f"amounts in the money of {shop.now:%Y-%m-%d}, by {options.price_index}")
    tell.finish(month=month_word(shop.month()), now=f"{shop.now:%Y-%m-%d}")
    return 0


def _forecasting(options: Namespace) -> Shop:
    """Open the shop, in the newest day's money where a price index is given."""
    shop = opened(options)
    if not options.price_index:
        return shop
    from repair_horizon.estimation.price_rows import deflated, read_index
    from repair_horizon.shop import Shop

    logs = deflated(shop.logs, read_index(options.price_index), shop.now)
    return Shop(logs, shop.settings, shop.calibration)


def explore(options: Namespace) -> int:
    """Open the explorer's notebook on a workspace; one that is there stays as it was left."""
    from repair_horizon.files.writing import write_text
    from repair_horizon.reports.made_from import template_notebook

    families = opened(options).logs.families
    if options.family not in (None, *families):
        allowed = "one of " + ", ".join(families)
        raise LogFault([Fault("--family", None, "", options.family, allowed)])
    path = (Path(options.workspace) / "out" / "explore.ipynb").resolve()
    if options.family or options.month or options.anew or not path.is_file():
        notebook = json.loads(template_notebook("explore.ipynb").read_text(encoding="utf-8"))
        chosen = {
            "workspace": str(Path(options.workspace).resolve()),
            "family_id": options.family or families[0],
            "month": month_word(parse_month(options.month)) if options.month else "",
        }
        for cell in notebook["cells"]:
            if "parameters" in cell["metadata"].get("tags", []):
                cell["source"] = "\n".join(f"{n} = {v!r}" for n, v in chosen.items())
        write_text(path, json.dumps(notebook, ensure_ascii=False, indent=1) + "\n")
    # Jupyter refuses root, who may be all there is in a container.
    given = [str(path), *["--allow-root"] * (hasattr(os, "geteuid") and os.geteuid() == 0)]
    if options.write_only:
        print(f"written: {path}\nopen it:\n  jupyter lab {shlex.join(given)}")
        return 0
    print(f"{path}: run all cells. Ctrl-C here ends it.", flush=True)
    if len(given) > 1:
        print("You are root: JupyterLab is started with --allow-root.", flush=True)
    given += ["--no-browser"] * options.no_browser
    return subprocess.call([sys.executable, "-m", "jupyterlab", *given])


def report(options: Namespace) -> int:
    """Write the month's report."""
    hands = hands_of(options)
    within("--time-limit", options.time_limit, 1, 86_400)
    if options.memory_limit is not None:
        within("--memory-limit", options.memory_limit, 0.5, 4096)
    asked = {
        "families": options.family,
        "as_of": day_of(options.as_of),
        "workers": hands.workers,
        "cluster": hands.cluster,
        "again": options.again,
        "time_limit": options.time_limit,
        "memory_limit": options.memory_limit,
        "fresh_kernels": options.fresh_kernels,
    }
    if hands.cluster is not None:
        check_shared(hands.cluster, Path(options.workspace))
    month = options.month or month_word(opened(options).month())
    return write_pages(Path(options.workspace), month, asked, Telling(options))


def write_pages(workspace: Path, month: str, asked: dict[str, Any], tell: Telling) -> int:
    """Write a month's pages; ``asked`` has what a ``reports.month.Order`` may name."""
    from repair_horizon.reports.month import Order, write_month

    order = Order(**asked)
    result = write_month(workspace, month, order=order, progress=partial(_progress, tell))
    tell_now(result.now_words)
    tell.say(f"\nOpen {result.index} in a browser.")
    tell.say(f"Thresholds: {result.folder / 'thresholds.csv'}")
    for family in result.families:
        if family.family_id in result.failed:
            print(f"failed: {family.family_id}: {family.reason}", file=sys.stderr)
    rows = [(f.family_id, f.status, f.seconds, f.reason) for f in result.families]
    families = pd.DataFrame(rows, columns=["family_id", "status", "seconds", "reason"])
    tell.finish(month=month, index=str(result.index), families=families)
    return 1 if result.failed else 0


def _progress(tell: Telling, family: str, status: str, seconds: float) -> None:
    took = "" if status == "kept" else f" ({seconds:.0f} s)"
    tell.step(f"  {family}: {status}{took}")


def backtest(options: Namespace) -> int:
    """Test the forecasts and the bids on the past, and keep what that says about band widths."""
    from repair_horizon.backtest.running import backtest as test_on_the_past
    from repair_horizon.backtest.running import write_backtest

    within("--every", options.every, 1, 24)
    folder, tell = Path(options.workspace) / BACKTEST, Telling(options)
    logs, settings = read(options.workspace)
    tell_now(logs.now_words)

    def step(what: str, done: int, of: int) -> None:
        tell.step(f"  {what}: {done} of {of}")

    run = test_on_the_past(logs, settings, options.every, replace(hands_of(options), progress=step))
    write_backtest(run, folder)
    for title, table in run.printable().items():
        tell.say(f"\n{title}")
        tell.table(title, table, decimals=3)
    tell.say(f"\nEvery figure: {folder}")
    tell.finish(folder=str(folder), calibration=run.calibration.words)
    return 0


def share(options: Namespace) -> int:
    """Write a written month, or one family of it, as one file."""
    from repair_horizon.files.writing import slug
    from repair_horizon.share.bundle import share_month

    if not Path(options.workspace).is_dir():
        raise LogFault([Fault("--workspace", None, "", options.workspace, "a folder of logs")])
    folder = month_folder(options.workspace, parse_month(options.month))
    what = "all" if options.family is None else slug(options.family)
    hide = [h.strip() for h in (options.hide or "").split(",") if h.strip()]
    usual = folder.parent / f"{options.month}-{'-without-'.join([what, *hide])}.html"
    out = out_file(options) if options.out else usual
    shared = share_month(folder, out, options.family, hide=hide)
    count = "1 file" if len(shared.files) == 1 else f"{len(shared.files)} files"
    print(f"{shared.path}: {shared.size:,} bytes, {count}")
    for note in shared.notes:
        print(note)
    print("It opens without a network. The logs and saved tables are not in it.")
    print("Orientation only: check registry, ownership and locks; local law comes first.")
    return 0
