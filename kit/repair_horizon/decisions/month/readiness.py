"""``readiness``: what the logs do not say, what it would unlock, and how to write it down.

What moves a bid is told in money: the width the class leaves on a figure times how often a bid
hangs on it. It is worked out from the class's figures alone, without a fit, so that checking logs
stays cheap; ``ask`` says the same of one unit exactly.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.classes import ClassKnowledge, class_knowledge
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.logs.checking import visible_name
from repair_horizon.tables.months import age_in_months
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import fault_words, listing, part_codes, part_words

READINESS_COLUMNS = ["moves", "missing", "unlocks", "how", "family_id"]
RARE = 0.1
"""Parts that fewer units need are not asked for."""


def readiness(logs: Logs, settings: Settings, planned: pd.DataFrame | None = None) -> pd.DataFrame:
    """List what is missing, what moves bids most first.

    Parameters
    ----------
    logs
        The workspace's.
    settings
        Rules of the business; channels are named there.
    planned
        What bids told planned with: ``model_id, part_quality, month``; none if None.

    Returns
    -------
    DataFrame
        ``READINESS_COLUMNS``: ``moves`` is how far the missing figure leaves a bid open either
        way (one standard deviation), settlement currency, missing where it cannot be told in
        money; ``missing`` and ``unlocks`` are sentences, ``how`` the next step.
    """
    rows = [] if planned is None else list(_unquoted(logs, settings, planned))
    catalogue = logs.tables["catalogue"]
    for family_id in logs.families:
        models = catalogue[catalogue["family_id"] == family_id]
        rows += list(_of_family(logs, str(family_id), models))
    rows += [*_named_nowhere(logs, settings), *_unsaid(logs), *_not_set(settings)]
    table = pd.DataFrame(rows, columns=READINESS_COLUMNS)
    return table.sort_values("moves", ascending=False, kind="stable", ignore_index=True)


def _row(missing: str, unlocks: str, how: str = "", moves: float = np.nan, family: str = "") -> Any:
    values = (moves, missing, unlocks, how, family)
    return dict(zip(READINESS_COLUMNS, values, strict=True))


def _of_family(logs: Logs, family_id: str, models: pd.DataFrame) -> Iterator[Any]:
    """What one family lacks; amounts are of its newest launched model."""
    known = class_knowledge(logs.class_of[family_id])
    here = logs.family(family_id).tables
    unknown = models.loc[~models["launch_known"], "model_id"].tolist()
    if unknown:
        yield _row(
            f"No launch date of {listing(unknown)}.",
            "Prices are dated from the first day seen, and no launch price anchors them.",
            "fill launch_date and launch_price in catalogue.csv",
            family=family_id,
        )
    priced = models[models["launch_known"] & (models["launch_amount"] > 0)]
    launched = priced[priced["launch_date"] <= logs.newest_day].sort_values("launch_date")
    unsold = set(models["model_id"]) - set(here["sales"]["model_id"])
    silent = [m for m in unknown if m in unsold and not len(here["sales"])]
    if silent or (not len(priced) and not len(here["sales"])):
        yield _row(
            f"Neither a launch price nor a sale of the family {family_id}.",
            "Nothing at all can be said of its prices.",
            "fill launch_date and launch_price in catalogue.csv",
            family=family_id,
        )
    if launched.empty:
        return
    newest = launched.iloc[-1]
    age = float(age_in_months([logs.newest_day], [newest["launch_date"]])[0])
    share = known.share_of_launch(max(age, 0.0))
    worth = float(share.value) * float(newest["launch_amount"])
    model = str(newest["model_id"])
    working = here["sales"][here["sales"]["condition"].isin(["", "working"])]
    if working.empty:
        yield _row(
            f"No sale of {family_id}: its prices are the class's ({share.words()}).",
            "The first sales narrow every bid of the family.",
            f"repair-horizon add sale model_id={typed(model)} gross_amount=...",
            0.5 * worth * float(share.log_sd),
            family_id,
        )
    states = _states(here, known, family_id)
    yield from _parts(here["part_quotes"], states, known, newest, logs.currency)
    yield from _broken(here, known, (family_id, model), worth)


def _states(here: Any, known: ClassKnowledge, family_id: str) -> pd.DataFrame:
    states = here["fault_states"]
    return states if len(states) else known.fault_states(family_id)


def _often(states: pd.DataFrame) -> pd.Series:
    """Share of the units of a listed fault that need a part, by part and fault."""
    rows = states.assign(part=states["part_codes"].map(part_codes)).explode("part")
    return rows.groupby(["part", "listed_fault"])["prior_share"].sum()


def _parts(
    quotes: pd.DataFrame,
    states: pd.DataFrame,
    known: ClassKnowledge,
    newest: pd.Series,
    currency: str,
) -> Iterator[Any]:
    """Parts nobody quoted in the family: the class's price stands in, wide."""
    model, quoted = str(newest["model_id"]), set(quotes["part_code"])
    by_fault = _often(states)
    for code, often in by_fault.groupby("part").max().items():
        share = known.part_share(str(code))
        if str(code) in quoted or often < RARE:
            continue
        fault = fault_words(by_fault[code].idxmax())
        if isinstance(share, CannotSay):
            yield _row(
                f"No quote for the {part_words(code)} of {model}, and the class has no price.",
                f"Repairing '{fault}' cannot be costed without it.",
                _quote(model, str(code)),
                float(newest["launch_amount"]),
                str(newest["family_id"]),
            )
            continue
        price = float(share.value) * float(newest["launch_amount"])
        yield _row(
            f"No quote for the {part_words(code)} of {model}: the class says "
            f"{currency} {price:.0f} ({share.words()}).",
            f"A quote decides what '{fault}' is worth.",
            _quote(model, str(code)),
            price * float(share.log_sd) * float(often),
            str(newest["family_id"]),
        )


def _unquoted(logs: Logs, settings: Settings, planned: pd.DataFrame) -> Iterator[Any]:
    """Qualities that bids plan with and nobody quoted, where another one has an own quote."""
    catalogue = logs.tables["catalogue"].set_index("model_id")
    quotes = logs.tables["part_quotes"].sort_values("quote_date", kind="stable")
    of_part: dict[tuple[str, str], list[dict[Any, Any]]] = {}
    for quote in quotes[["model_id", "part_code", "quality_class", "amount"]].to_dict("records"):
        of_part.setdefault((quote["model_id"], quote["part_code"]), []).append(quote)
    told = planned[planned["model_id"].isin(catalogue.index)]
    often: dict[str, dict[Any, float]] = {}
    for row in told.drop_duplicates(["model_id", "part_quality"]).itertuples():
        model, (code, _, quality) = str(row.model_id), str(row.part_quality).partition(" ")
        own, device_class = of_part.get((model, code)), str(catalogue["device_class"][model])
        order = settings.for_class(device_class).repair.quality_order
        before = order[: order.index(quality)] if quality in order else order
        if own is None or any(q["quality_class"] in (quality, *before) for q in own):
            continue
        family_id, newest = str(catalogue["family_id"][model]), own[-1]
        if family_id not in often:
            known = class_knowledge(device_class)
            shares = _often(_states(logs.family(family_id).tables, known, family_id))
            often[family_id] = shares.groupby("part").max().to_dict()
        has = str(newest["quality_class"])
        yield _row(
            f"Bids on {model} plan with {code} {quality}, which nobody quoted (told for "
            f"{row.month}); you have a quote of {code} {has} at {newest['amount']:.0f}.",
            f'A quote of {quality} takes the place of an estimate; quality_order = ["{has}"] under '
            "[repair] in settings.toml plans with what you have.",
            _quote(model, code, quality),
            _left_open(device_class, often[family_id], (code, quality), newest),
            family_id,
        )


def _left_open(
    device_class: str, often: dict[Any, float], part: tuple[str, str], quote: dict[Any, Any]
) -> float:
    """Money that a quality read off a quote of another one leaves a bid open by, as often needed.

    The class says how far qualities lie apart, and how surely: what it knows less of each than of
    the maker's own. Missing where it does not know one of them.
    """
    known, (code, quality) = class_knowledge(device_class), part
    qualities = (quality, str(quote["quality_class"]), "maker_original")
    shares = [known.part_share(code, q) for q in qualities]
    found = [s for s in shares if not isinstance(s, CannotSay)]
    if len(found) < len(shares) or code not in often:
        return float("nan")
    planned, seen, whole = found
    sd = np.sqrt(max(planned.log_sd**2 + seen.log_sd**2 - 2 * whole.log_sd**2, 0.0))
    price = float(quote["amount"]) * planned.value / seen.value
    return float(price * sd * often[code])


def typed(identifier: str) -> str:
    r"""Write an identifier as bash and zsh take it, with what has no shape of its own written out.

    Examples
    --------
    >>> print(typed("phone" + chr(0x200B)), typed("it's"))
    $'phone\U0000200b' 'it'"'"'s'
    """
    if visible_name(identifier) == identifier:
        return shlex.quote(identifier)
    shown = "".join(
        c if visible_name(c) == c and c not in "\\'" else f"\\U{ord(c):08x}" for c in identifier
    )
    return f"$'{shown}'"


def _quote(model: str, code: str, quality: str = "...") -> str:
    return (
        f"repair-horizon add quote model_id={typed(model)} part_code={code} "
        f"quality_class={quality} supplier_id=... unit_price=..."
    )


def _broken(here: Any, known: ClassKnowledge, of: tuple[str, str], worth: float) -> Iterator[Any]:
    """As-is sales, hammer prices and repairs a family has none of."""
    family_id, model = of
    as_is = here["sales"][here["sales"]["condition"] == "as_is"]
    if as_is.empty:
        ratio = known.as_is_ratio("for parts")
        yield _row(
            f"No as-is sale of {family_id}: broken units count at the class's ratio.",
            "One as-is sale with its fault decides between repairing and selling as is.",
            f"repair-horizon add sale model_id={typed(model)} condition=as_is listed_fault=... "
            "gross_amount=...",
            0.3 * worth * float(ratio.value) * float(ratio.log_sd),
            family_id,
        )
    if not (here["listings"]["final_price"] > 0).any():
        yield _row(
            f"No hammer price of {family_id}.",
            "The chance of winning rests on the class; note what lots went for, lost ones too.",
            f"repair-horizon add listing model_id={typed(model)} listed_fault=... result=lost "
            "final_price=...",
            family=family_id,
        )
    if here["repairs"].empty:
        yield _row(
            f"No repair of {family_id}.",
            "What faults turn out to be, success and hours are the class's or declared.",
            "repair-horizon add repair unit_id=... listed_fault=... state_found=... outcome=...",
            family=family_id,
        )


def _named_nowhere(logs: Logs, settings: Settings) -> Iterator[Any]:
    """Channels and faults that rows name and no declaration does."""
    channels = {c.name for c in settings.channels}
    used = logs.tables["sales"].loc[lambda t: t["own_sale"].fillna(0) > 0, "channel"]
    strange = sorted(set(used) - {""} - channels)
    if strange:
        yield _row(
            f"Own sales name channels that settings.toml does not: {listing(strange)}.",
            "Their fees are not known, so net prices there are those of the planning channel.",
            "add a [[channels]] section with percentage_fee and fixed_fee for each",
        )
    declared = logs.tables["fault_states"]
    if "basis" in declared:
        declared = declared[declared["basis"] != "class"]
    rows = pd.concat([logs.tables[n]["listed_fault"] for n in ("listings", "repairs", "sales")])
    known = set(declared["listed_fault"])
    for kind in set(logs.tables["catalogue"]["device_class"]):
        known |= set(class_knowledge(str(kind)).listed_faults)
    unknown = sorted(set(rows) - {""} - known)
    if unknown:
        yield _row(
            f"Faults that fault_states.csv and the class do not name: {listing(unknown)}.",
            "They are read by their words, or count as 'for parts, fault unsaid'.",
            "name them in fault_states.csv as they are listed",
        )


def _unsaid(logs: Logs) -> Iterator[Any]:
    sales = logs.tables["sales"]
    mute = int(((sales["condition"] == "as_is") & (sales["listed_fault"] == "")).sum())
    if mute:
        yield _row(
            f"{mute} as-is {'sale has' if mute == 1 else 'sales have'} no listed_fault.",
            "They teach the usual as-is price only, not that of a fault.",
            "fill listed_fault in sales.csv",
        )


def _not_set(settings: Settings) -> Iterator[Any]:
    if settings.limits.working_cash is None:
        yield _row(
            "No working cash is named.",
            "Nothing is taken off for risk, and a plan cannot say whether cash runs out.",
            "working_cash = ... under [limits] in settings.toml",
        )
    if settings.bench.hours_per_week is None:
        yield _row(
            "No bench hours are named.",
            "An hour costs its wage even in a month in which the bench is full.",
            "hours_per_week = ... under [bench] in settings.toml",
        )
    if settings.channels == Settings().channels:
        yield _row(
            "Fees are those of no channel in particular (11 % + 2.9 % + 0.65).",
            "Own fees move every bid by as much as they differ.",
            "a [[channels]] section in settings.toml",
        )
