"""Would the tests notice? Plants single faults in estimation and decisions and runs them.

    python -m tests.benchmark.planted_faults --seed 1 --faults 40 --within decisions

A fault is one change in one place: an operator, a comparison, a sign, min for max, a constant times
1.1. Each is planted in a copy of the package and judged by the tests that belong to its module
(``TESTS``), those of pages left out, stopping at the first that fails: those that call the function
it stands in begin (``called``), the quickest file first. Printed are the survivors with their lines
and the rate noticed; a survivor that changes nothing anybody could see is named in ``EQUIVALENT``
with why.
"""

from __future__ import annotations

import argparse
import ast
import copy
import json
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
PACKAGE = Path("kit") / "repair_horizon"
LONGEST = 420.0
FORKS = multiprocessing.get_context("forkserver")  # each begins with what is slow to import
FORKS.set_forkserver_preload(["pandas", "scipy.stats", "statsmodels.api", "plotly.graph_objects"])
os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")

# Figures of all of estimation; first, as they take seconds.
HAND = (
    "test_curves_by_hand",
    "test_ratios_by_hand",
    "test_tables_by_hand",
    "test_worlds_by_hand",
    "test_estimates_by_hand",
)
RULE = ("test_maximum_bid", "test_options", "test_bid_limits")
COSTS = ("test_worked_examples", "test_decisions")
CURVE = (
    "test_cells",
    "test_successor_dates",
    "test_estimation",
    "test_price_curves",
    "published/test_certified_curves",
    "published/test_log_lines",
    "test_published_fits",
)
# Tests by the start of a module's path, the longest match counts; the quickest stand first.
TESTS: dict[str, tuple[str, ...]] = {
    "decisions/costs": (*COSTS, "published/test_second_hand_tax", *RULE),
    "decisions/costs/replacement": ("published/test_keeping",),
    "decisions/month/listings": ("test_candidates", "test_planning", "test_winning"),
    "decisions/month/lot_values": ("test_planning",),
    "decisions/month/opportunity_cost": ("test_opportunity_cost",),
    "decisions/month/plan": ("test_planning",),
    "decisions/month/questions_asked": ("test_candidates",),
    "decisions/month/quotes": ("test_quotes",),
    "decisions/month/readiness": ("test_readiness",),
    "decisions/month/shelf": ("test_shelf", "test_time_on_market"),
    "decisions/month/stop_dates": ("test_stop_dates", "test_decisions"),
    "decisions/month/thresholds": ("test_stop_dates",),
    "decisions/review": ("test_forecast_ledger", "test_selection"),
    "decisions/review/value_of_information": ("test_value_of_information",),
    "decisions/review/what_if": ("test_what_if",),
    "decisions/review/why_changed": ("test_attribution",),
    "decisions/unit": (*RULE, "test_winning", "test_shelf", "test_quotes"),
    "decisions/unit/bid": ("test_winning", *RULE),
    "decisions/unit/bid_limits": (
        "test_worked_examples",
        "test_decisions",
        "test_bid_limits",
        "test_forecast_ledger",
    ),
    "decisions/unit/disposition": ("test_shelf",),
    "decisions/unit/outcomes": (*RULE, "test_winning", "test_stop_dates"),
    "decisions/unit/winning": ("test_winning", "test_private_sellers"),
    "estimation": (
        "test_estimation",
        "test_price_curves",
        "test_prices_not_confused",
        "published/test_pooling",
    ),
    "estimation/calibration": ("test_calibration", "test_widths"),
    "estimation/curve": CURVE,
    "estimation/curve/market": ("benchmark/test_market_breaks", *CURVE),
    "estimation/curve/checks": ("test_fit_checks", "test_estimation", "test_sampled_posterior"),
    "estimation/owner_guesses": ("test_success_rates",),
    "estimation/shop_knowledge": ("test_pooled_curves", "benchmark/test_market_breaks"),
    "estimation/part_paths": ("test_no_option_lost",),
    "estimation/part_prices": ("test_no_option_lost", "test_part_alerts"),
    "estimation/pooled_effects": ("test_usual_effects",),
    "estimation/pooled_ratios": ("test_broken_prices", "test_no_option_lost"),
    "estimation/broken_prices": ("test_broken_prices", "test_no_option_lost"),
    "estimation/robust_means": ("test_broken_prices", "test_no_option_lost"),
    "estimation/repairs": (
        "published/test_proportions",
        "test_readings",
        "test_success_rates",
        "test_no_option_lost",
    ),
    "estimation/pooled_curves": (
        "test_pooled_curves",
        "published/test_pooling",
        "test_no_option_lost",
    ),
    "estimation/price_table": (
        "test_fit_checks",
        "test_price_change",
        "test_price_curves",
        "test_estimation",
    ),
    "estimation/rival_prices": (
        "test_private_sellers",
        "test_broken_prices",
        "test_no_option_lost",
    ),
    "estimation/simple_curves": (
        "published/test_falling_curves",
        "published/test_certified_curves",
        "published/test_used_prices",
    ),
    "estimation/time_on_market": ("test_time_on_market",),
}

# Why a fault changes nothing anybody could see.
BRACKET = "a wider bracket, or one that grows faster, holds the same root"
FAR = "a bound beyond any price that may come up"
ROUND = "the bound takes off rounding beyond one, a part in 10^12"
RATE = "what it multiplies is a rate of zero"
SAME = "both ways are the same number"
EVEN = "weights are made to add up to one afterwards"
EXACT = "a spread worked out of draws is never just the threshold"
DECLARED = "the ledger is declared to hold shares up to one"
TIME = "what is kept or worked out again: the figures are the same, only later"
LABEL = "labels of groups: any that tell them apart"
NEVER_JUST = "two numbers worked out of data are never just equal"
TAKEN_OFF = "it keeps the equations solvable and is taken off again"
JUDGED = "a judged prior: a tenth of it moves nothing by a seventh of its deviation (no_*_rests_on)"
MIRRORED = "luck is as likely to be the other way: the same law"
NEWEST = "the newest day of all logs is never before that of some of their rows"
PASSES = "one pass more or less: always 4 and always 12 lose the same within 0.2 % (fit_joint)"
AT_MOST = "what is cut there is a chance or a share: never more than one"
STEP = "how far one step of a search may go: it ends at the same place"
STAND_IN = "a price that a family's own prices replace, or nothing is said of it"
GRID = "a place of the grid that a smooth posterior is summed on: its neighbours carry the weight"
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (
        "decisions/unit/outcomes",
        "max(float(state.share.sum()), 1e-300)",
        "min(float(state.share.sum()), 1e-300)",
    ): "weights are compared only, and one factor for all options changes no order",
    ("decisions/unit/outcomes", "self.share * 0 + 1.0", "self.share * 0 + 1.1"): EVEN,
    ("decisions/unit/outcomes", "min(free, 0.0) - 1.0", "min(free, 0.0) - 1.1"): BRACKET,
    ("decisions/unit/outcomes", "2.0 * low", "2.2 * low"): BRACKET,
    ("decisions/unit/outcomes", "2.0 * low - 1.0", "2.0 * low - 1.1"): BRACKET,
    ("decisions/unit/outcomes", "max(free, 0.0) + 1.0", "max(free, 0.0) + 1.1"): BRACKET,
    ("decisions/unit/outcomes", "2.0 * high", "2.2 * high"): BRACKET,
    ("decisions/unit/bid_limits", "4.0 + abs(z)", "4.4 + abs(z)"): BRACKET,
    (
        "decisions/unit/bid_limits",
        "abs(worst) + abs(best) + sum((abs(s.K) for s in landing.segments)) + 1.0",
        "abs(worst) + abs(best) + sum((abs(s.K) for s in landing.segments)) + 1.1",
    ): BRACKET,
    ("decisions/unit/certainty_equivalent", "away.max() < 1.0", "away.max() < 1.1"): SAME,
    (
        "decisions/unit/certainty_equivalent",
        "np.minimum(swing, 300.0)",
        "np.minimum(swing, 330.0)",
    ): SAME,
    (
        "decisions/unit/winning",
        "min(self.wins(bid).mean(), 1.0)",
        "min(self.wins(bid).mean(), 1.1)",
    ): ROUND,
    ("decisions/unit/winning", "min(loss, 1.0)", "min(loss, 1.1)"): ROUND,
    (
        "decisions/unit/winning",
        "min(float(np.sum(single.weight * loses)), 1.0)",
        "min(float(np.sum(single.weight * loses)), 1.1)",
    ): ROUND,
    (
        "decisions/unit/bench",
        "named.return_rate / reserve.return_rate if reserve.return_rate else 1.0",
        "named.return_rate / reserve.return_rate if reserve.return_rate else 1.1",
    ): RATE,
    (
        "decisions/unit/bench",
        "named.warranty_rate / reserve.warranty_rate if reserve.warranty_rate else 1.0",
        "named.warranty_rate / reserve.warranty_rate if reserve.warranty_rate else 1.1",
    ): RATE,
    ("decisions/month/opportunity_cost", "2.0 * high", "2.2 * high"): BRACKET,
    ("decisions/month/opportunity_cost", "2.0 ** 20", "2.2 ** 20"): FAR,
    ("decisions/month/opportunity_cost", "2.0 ** 20", "2.0 ** 22.0"): FAR,
    (
        "decisions/review/scorecard",
        "np.clip(lot.common_share, 0.0, 1.0)",
        "np.clip(lot.common_share, 0.0, 1.1)",
    ): DECLARED,
    ("decisions/review/what_if", "times == 1.0", "times == 1.1"): SAME,
    (
        "decisions/review/value_of_information",
        "value.std() >= LEAST_SPREAD",
        "value.std() > LEAST_SPREAD",
    ): EXACT,
    (
        "decisions/review/value_of_information",
        "len(row) and value.std() >= LEAST_SPREAD",
        "len(row) and value.std() > LEAST_SPREAD",
    ): EXACT,
    ("estimation/shop_knowledge", "10.0", "11.0"): TAKEN_OFF,
    ("estimation/owner_guesses", "log_weight.max()", "log_weight.min()"): EVEN,
    (
        "estimation/time_on_market",
        "np.where(grid <= cut, known, rate * grid)",
        "np.where(grid < cut, known, rate * grid)",
    ): SAME,
    (
        "estimation/curve/market",
        "known @ self.weights[:months].T + luck @ root.T",
        "known @ self.weights[:months].T - luck @ root.T",
    ): MIRRORED,
    (
        "estimation/curve/predict",
        "(age >= drawn.successor[:, points.model]) - share",
        "(age > drawn.successor[:, points.model]) - share",
    ): NEVER_JUST,
    (
        "estimation/curve/panel",
        "float(np.exp(np.log(price[known]).mean())) if known.any() else 1.0",
        "float(np.exp(np.log(price[known]).mean())) if known.any() else 1.1",
    ): STAND_IN,
    ("estimation/pooled_effects", "panel.month.max()", "panel.month.min()"): LABEL,
    ("estimation/pooled_ratios", "[0.25, 0.3, 0.3]", "[0.25, 0.33, 0.3]"): JUDGED,
    (
        "estimation/pooled_effects",
        "panel.model * (panel.month.max() // 3 + 1) + panel.month // 3",
        "panel.model * (panel.month.max() // 3 + 1) - panel.month // 3",
    ): LABEL,
    ("estimation/curve/fit", "(8, 0.02)", "(8, 0.022000000000000002)"): PASSES,
    (
        "estimation/curve/panel",
        "np.clip(left * (1.0 - luck), 1e-300, 1.0)",
        "np.clip(left * (1.0 - luck), 1e-300, 1.1)",
    ): AT_MOST,
    (
        "estimation/curve/predict",
        "np.clip(1.0 - known / alone, 0.0, 1.0)",
        "np.clip(1.0 - known / alone, 0.0, 1.1)",
    ): AT_MOST,
    (
        "estimation/curve/checks",
        "np.clip(1.0 - np.diag(posterior.cov)[at] / prior, 0.0, 1.0)",
        "np.clip(1.0 - np.diag(posterior.cov)[at] / prior, 0.0, 1.1)",
    ): AT_MOST,
    (
        "estimation/forecast",
        "1.0 / np.maximum(effects[:, 1], 0.0001) ** 2",
        "1.1 / np.maximum(effects[:, 1], 0.0001) ** 2",
    ): "weights are compared only: one factor for all",
    (
        "estimation/forecast",
        "np.maximum(effects[:, 1], 0.0001)",
        "np.maximum(effects[:, 1], 0.00011000000000000002)",
    ): "the base grade is known whole: surer than any other by as much as one likes",
    ("estimation/part_paths", "models.launch_price != 1.0", "models.launch_price != 1.1"): STAND_IN,
    (
        "estimation/pooled_curves",
        "panel.month.min(initial=0) // 3",
        "panel.month.min(initial=0) // 3.3000000000000003",
    ): SAME,
    (
        "estimation/pooled_effects",
        "panel.month.max() // 3",
        "panel.month.max() // 3.3000000000000003",
    ): LABEL,
    ("estimation/pooled_ratios", "[0.25, 0.3, 0.3]", "[0.275, 0.3, 0.3]"): JUDGED,
    ("estimation/pooled_ratios", "[0.25, 0.3, 0.3]", "[0.25, 0.3, 0.33]"): JUDGED,
    (
        "estimation/rival_prices",
        "np.linspace(-8.0, 8.0, 4001)",
        "np.linspace(-8.0, 8.8, 4001)",
    ): FAR,
    ("estimation/rival_prices", "-8.0", "-8.8"): FAR,
    ("estimation/owner_guesses", "-2.5", "-2.75"): GRID,
    (
        "estimation/owner_guesses",
        "np.linspace(-2.5, 2.5, 41)",
        "np.linspace(-2.5, 2.75, 41)",
    ): GRID,
    ("estimation/rival_prices", "-1.0", "-1.1"): GRID,
    (
        "estimation/rival_prices",
        "np.linspace(-1.0, 1.0, 81)",
        "np.linspace(-1.0, 1.1, 81)",
    ): GRID,
    ("estimation/rival_prices", "np.log(0.08)", "np.log(0.08800000000000001)"): GRID,
    ("estimation/rival_prices", "np.log(1.0)", "np.log(1.1)"): GRID,
    ("estimation/rival_prices", "np.log(0.05)", "np.log(0.05500000000000001)"): GRID,
    ("estimation/rival_prices", "np.log(0.6)", "np.log(0.66)"): GRID,
    ("estimation/owner_guesses", "shop.max()", "shop.min()"): EVEN,
    ("estimation/owner_guesses", "log.max()", "log.min()"): EVEN,
    ("estimation/part_prices", "ahead <= SUPPLY_MONTHS", "ahead < SUPPLY_MONTHS"): NEVER_JUST,
    (
        "estimation/part_prices",
        "float(age_in_months([now], panel.models.launch[[at]])[0]) >= OLD_AGE",
        "float(age_in_months([now], panel.models.launch[[at]])[0]) > OLD_AGE",
    ): NEVER_JUST,
    (
        "estimation/part_prices",
        "quotes['quote_date'].max()",
        "quotes['quote_date'].min()",
    ): NEWEST,
    ("estimation/price_rows", "sales['sale_date'].max()", "sales['sale_date'].min()"): NEWEST,
    (
        "estimation/shop_knowledge",
        "len(signs) < 2 or sure <= 0",
        "len(signs) < 2 or sure < 0",
    ): "nothing known of a month is known of no family either",
    (
        "estimation/simple_curves",
        "(rates <= grid[0] * (1 + 1e-06)) | (rates >= grid[-1] * (1 - 1e-06))",
        "(rates < grid[0] * (1 + 1e-06)) | (rates >= grid[-1] * (1 - 1e-06))",
    ): NEVER_JUST,
    (
        "estimation/time_on_market",
        "3.0 / max(longest, 1e-12)",
        "3.3000000000000003 / max(longest, 1e-12)",
    ): STEP,
    ("estimation/time_on_market", "max(longest, 1e-12)", "min(longest, 1e-12)"): STEP,
    (
        "estimation/simple_curves",
        "found.at_edge or youngest - oldest <= scatter",
        "found.at_edge or youngest - oldest < scatter",
    ): NEVER_JUST,
    (
        "estimation/simple_curves",
        "(rates <= grid[0] * (1 + 1e-06)) | (rates >= grid[-1] * (1 - 1e-06))",
        "(rates <= grid[0] * (1 + 1e-06)) | (rates > grid[-1] * (1 - 1e-06))",
    ): NEVER_JUST,
}
"""(module, before, after): why nobody could see it."""


def judged_tenths() -> dict[tuple[str, str, str], str]:
    """A tenth more of every judged figure of the priors that ``no_price_rests_on_a_tenth`` tries.

    The package is imported here alone: a process that runs tests begins with this module, and must
    find the package with the fault in it.
    """
    from repair_horizon.estimation.curve.design import Priors
    from repair_horizon.estimation.device_prices import PRICE_PRIORS
    from repair_horizon.estimation.part_prices import PART_PRIORS

    out = []
    for name, priors in (
        ("curve/design", Priors()), ("device_prices", PRICE_PRIORS), ("part_prices", PART_PRIORS)
    ):  # fmt: skip
        for figure, value in vars(priors).items():
            if isinstance(value, tuple):
                mean, sd = value
                out.append((name, repr(mean), repr(mean * 1.1)))
                out.append((name, repr(value), repr((mean, sd * 1.1))))
            elif isinstance(value, float) and figure not in ("damp", "fast_months"):
                out.append((name, repr(value), repr(value * 1.1)))
    return {(f"estimation/{name}", *texts): JUDGED for name, *texts in out}  # type: ignore[misc]


def grid_places() -> dict[tuple[str, str, str], str]:
    """Every place of the owner's spreads and strengths a tenth farther on."""
    out = {}
    for grid in ([0.12, 0.2, 0.3, 0.45, 0.65, 0.95, 1.4], [1.5, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0]):
        for i, place in enumerate(grid):
            moved = [*grid[:i], place * 1.1, *grid[i + 1 :]]
            out["estimation/owner_guesses", str(grid), str(moved)] = GRID
    return out


SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}
COMPARED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
}
EXTREMES = {"min": "max", "minimum": "maximum", "argmin": "argmax", "nanmin": "nanmax"}
EXTREMES |= {b: a for a, b in EXTREMES.items()}
KINDS = ("operator", "comparison", "sign", "extreme", "constant")


@dataclass(frozen=True)
class Fault:
    """One change: the ``at``-th node, in walking order, of a module, and how it is changed."""

    module: str
    at: int
    kind: str
    line: int
    before: str
    after: str

    def __str__(self) -> str:
        """Say where it is and what it does."""
        return f"{self.module}.py:{self.line}  {self.kind}: {self.before}  ->  {self.after}"


def changed(node: ast.AST, inside: ast.AST | None) -> tuple[str, ast.AST] | None:
    """Return the kind of fault a node takes and the node with it; None where it takes none."""
    out = copy.deepcopy(node)
    if isinstance(node, ast.BinOp) and type(node.op) in SWAPS:
        texts = (ast.Constant, ast.JoinedStr, ast.List, ast.Tuple, ast.ListComp)
        for side in (node.left, node.right):
            if isinstance(side, texts) and not _number(side):
                return None
        out.op = SWAPS[type(node.op)]()  # type: ignore[attr-defined]
        return "operator", out
    if isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARED:
        out.ops[0] = COMPARED[type(node.ops[0])]()  # type: ignore[attr-defined]
        return "comparison", out
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        # The sign of a whole number is a place (the last one, an axis), not an amount.
        whole = isinstance(node.operand, ast.Constant) and isinstance(node.operand.value, int)
        return None if whole else ("sign", node.operand)
    if isinstance(node, ast.Attribute) and node.attr in EXTREMES:
        out.attr = EXTREMES[node.attr]  # type: ignore[attr-defined]
        return "extreme", out
    if isinstance(node, ast.Name) and node.id in ("min", "max"):
        out.id = EXTREMES[node.id]  # type: ignore[attr-defined]
        return "extreme", out
    if isinstance(node, ast.Constant) and _number(node):
        scales = isinstance(inside, ast.BinOp) and not isinstance(inside.op, (ast.Add, ast.Sub))
        amount = isinstance(node.value, float) or (scales and node.value > 1)
        # Amounts next to nothing or huge keep a logarithm or a search within range; no more.
        if amount and 1e-6 < node.value < 1e6:
            out.value = node.value * 1.1  # type: ignore[attr-defined]
            return "constant", out
    return None


def _number(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and type(node.value) in (int, float)


def places(tree: ast.AST) -> Iterator[tuple[int, ast.AST, ast.AST | None]]:
    """Go through the nodes that compute: no annotation, docstring, text or declaration of a field.

    Each with its number in walking order and the node it stands in.
    """
    counter = 0

    def walk(
        node: ast.AST, inside: ast.AST | None
    ) -> Iterator[tuple[int, ast.AST, ast.AST | None]]:
        nonlocal counter
        counter += 1
        yield counter, node, inside
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr):
                    yield from walk(child, node)

    yield from walk(tree, None)


def faults_in(module: str, copied: Path) -> list[Fault]:
    """Every fault that could be planted in a module."""
    tree = ast.parse((copied / PACKAGE / f"{module}.py").read_text(encoding="utf-8"))
    found = []
    for at, node, inside in places(tree):
        change = changed(node, inside)
        if change is not None:
            kind, other = change
            said = _said(node, other, inside)
            found.append(Fault(module, at, kind, node.lineno, *said))  # type: ignore[attr-defined]
    return found


def _said(node: ast.AST, other: ast.AST, inside: ast.AST | None) -> tuple[str, str]:
    """What stood there and what stands there now, with the expression it stands in."""
    if inside is None or not isinstance(inside, ast.expr):
        return ast.unparse(node), ast.unparse(other)
    around = copy.deepcopy(inside)
    for old, new in zip(ast.iter_fields(inside), ast.iter_fields(around), strict=True):
        if old[1] is node:
            setattr(around, old[0], other)
        elif isinstance(old[1], list):
            setattr(
                around,
                old[0],
                [other if a is node else b for a, b in zip(old[1], new[1], strict=True)],
            )
    return ast.unparse(inside), ast.unparse(around)


def planted(fault: Fault, whole: str) -> str:
    """The module's source with the fault in it."""
    tree = ast.parse(whole)
    wanted, inside = next((n, i) for at, n, i in places(tree) if at == fault.at)
    change = changed(wanted, inside)
    assert change is not None

    class Put(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> ast.AST:
            return change[1] if node is wanted else self.generic_visit(node)

    return ast.unparse(ast.fix_missing_locations(Put().visit(tree)))


def tests_for(module: str) -> list[str]:
    """Test files that belong to a module and are there."""
    start = max((s for s in TESTS if module.startswith(s)), key=len, default="")
    names = TESTS.get(start, ())
    every = (*HAND, *names) if module.startswith("estimation") else names
    files = [f"tests/{name}.py" for name in every]
    return [f for f in files if (ROOT / f).is_file()]


def function_of(fault: Fault, tree: Path) -> str:
    """Where the innermost function around a fault begins, as ``called`` writes it; else ''."""
    source = (tree / PACKAGE / f"{fault.module}.py").read_text(encoding="utf-8")
    begins = [
        min([n.lineno, *(d.lineno for d in n.decorator_list)])
        for n in ast.walk(ast.parse(source))
        if isinstance(n, ast.FunctionDef)
        and n.body[0].lineno <= fault.line <= (n.end_lineno or n.lineno)
    ]
    return f"{fault.module}.py:{max(begins)}" if begins else ""


def noticed(fault: Fault, tree: Path, called: dict[str, tuple[float, list[str]]]) -> bool:
    """Whether the module's tests fail, or never end, with the fault planted in the copy."""
    path, files = tree / PACKAGE / f"{fault.module}.py", tests_for(fault.module)
    whole, function = path.read_text(encoding="utf-8"), function_of(fault, tree)
    mine = [t for t in called if t.partition("::")[0] in files and "page" not in t]
    # A test that found an answer kept by another was not seen to call: all of them follow.
    first = quickest({t: called[t][0] for t in mine if function in called[t][1]})
    last = quickest({t: called[t][0] for t in mine if function not in called[t][1]})
    put(path, planted(fault, whole))
    try:
        return not all(passes(tests, tree) for tests in (first, last) if tests)
    finally:
        put(path, whole)


def put(path: Path, source: str) -> None:
    """Write a module; byte code of one as long and as old would be taken for its own."""
    path.write_text(source, encoding="utf-8")
    shutil.rmtree(path.parent / "__pycache__", ignore_errors=True)


def quickest(seconds: dict[str, float]) -> list[str]:
    """Tests file by file, those of one together as they share fixtures, the quickest file first."""
    by_file: dict[str, float] = defaultdict(float)
    for test, took in seconds.items():
        by_file[test.partition("::")[0]] += took
    return sorted(seconds, key=lambda test: by_file[test.partition("::")[0]])


def passes(tests: list[str], tree: Path, called: str = "") -> bool:
    """Whether tests pass against the package in a tree; ``called`` is a file for what they call."""
    run = FORKS.Process(target=_run, args=(tests, tree, called))
    run.start()
    run.join(None if called else LONGEST)
    run.kill()
    return run.exitcode == 0


def _run(tests: list[str], tree: Path, called: str) -> None:
    os.chdir(ROOT)
    sys.path[:0] = [str(tree / "kit"), str(ROOT)]
    os.environ |= {"PYTHONPATH": os.pathsep.join(sys.path[:2]), "CALLED": called}
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    quiet = ["-x", "-q", "-o", "addopts=", "-p", "no:cacheprovider", "-k", "not page"]
    sys.exit(pytest.main([*quiet, *(["-p", "tests.benchmark.called"] if called else []), *tests]))


def chosen(within: str, seed: int, count: int, copied: Path) -> list[Fault]:
    """As many faults, each kind as often as the others, drawn from all modules alike."""
    modules = [
        path.relative_to(copied / PACKAGE).with_suffix("").as_posix()
        for stage in ("decisions", "estimation")
        for path in sorted((copied / PACKAGE / stage).rglob("*.py"))
    ]
    by_kind: dict[str, list[Fault]] = defaultdict(list)
    for module in modules:
        if module.startswith(within) and tests_for(module):
            for fault in faults_in(module, copied):
                by_kind[fault.kind].append(fault)
    rng = random.Random(seed)
    for found in by_kind.values():
        rng.shuffle(found)
    out: list[Fault] = []
    while len(out) < count and any(by_kind.values()):
        out += [by_kind[k].pop() for k in KINDS if by_kind[k]]
    return out[:count]


def main() -> int:
    """Plant, test, print; 1 where fewer are noticed than asked for, 2 where nothing can be told."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--faults", type=int, default=40)
    options.add_argument("--within", default="", help="start of a module's path: decisions/unit")
    options.add_argument("--least", type=float, default=0.85, help="share that must be noticed")
    options.add_argument("--called", type=Path, help="keeps what tests call, for this tree alone")
    given = options.parse_args()
    survivors, explained, known_same = [], 0, EQUIVALENT | judged_tenths() | grid_places()
    with tempfile.TemporaryDirectory() as place:
        tree = Path(place)
        for part in ("kit", "notebooks"):  # pages are made from the notebook beside the kit
            shutil.copytree(ROOT / part, tree / part, ignore=shutil.ignore_patterns("__pycache__"))
        faults = chosen(given.within, given.seed, given.faults, tree)
        kept = given.called or tree / "called.json"
        called = json.loads(kept.read_text(encoding="utf-8")) if kept.is_file() else {}
        known = {test.partition("::")[0] for test in called}
        files = list(dict.fromkeys(f for fault in faults for f in tests_for(fault.module)))
        files = [f for f in files if f not in known]
        if files and not passes(files, tree, str(tree / "more.json")):
            print(f"without any fault some of these fail: {' '.join(files)}")
            return 2
        called |= json.loads((tree / "more.json").read_text(encoding="utf-8")) if files else {}
        kept.write_text(json.dumps(called), encoding="utf-8")
        for number, fault in enumerate(faults, 1):
            start = time.perf_counter()
            why = known_same.get((fault.module, fault.before, fault.after), "")
            seen = not why and noticed(fault, tree, called)
            told = "equivalent" if why else "noticed" if seen else "SURVIVED"
            took = time.perf_counter() - start
            print(f"{number:3d} {told:10s} {took:5.0f} s  {fault}  {why}", flush=True)
            explained += bool(why)
            survivors += [] if seen or why else [fault]
    asked = len(faults) - explained
    rate = 1.0 - len(survivors) / max(asked, 1)
    print(f"\n{asked - len(survivors)} of {asked} faults noticed ({rate:.0%}), seed {given.seed}; "
          f"{explained} more change nothing")  # fmt: skip
    for fault in survivors:
        print(f"  survived: {fault}")
    return int(rate < given.least)


if __name__ == "__main__":
    sys.exit(main())
