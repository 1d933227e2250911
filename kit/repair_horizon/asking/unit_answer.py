"""``UnitAnswer``: an answer in words, 80 columns wide for a terminal, HTML for a notebook."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from html import escape
from textwrap import wrap
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.asking.figure_sources import PART_PRICE
from repair_horizon.asking.given import Given, PartGiven, with_given
from repair_horizon.asking.unit_figures import TwoRepairs, UnitFigures
from repair_horizon.classes import meaning_of
from repair_horizon.decisions.cautions import DEFER
from repair_horizon.decisions.month.stop_dates import REPAIR_STOP
from repair_horizon.decisions.unit.bid import against
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs
from repair_horizon.tables.codes import Action, StopDate
from repair_horizon.tables.months import month_start
from repair_horizon.tables.words import (
    Ahead,
    fault_code,
    fault_words,
    percent,
    short_month,
    stop_words,
)

WIDTH = 80
NO_CURRENCY = "XXX"
RARE = 0.05
"""States less likely than this are left out of the printed sources; the table has them."""
MONTHS_TOLD = (0, 1, 2, 3, 6, 9, 12, 18, 23)


def money(amount: float, answer: UnitFigures) -> str:
    """Amount with its currency, cents where they matter; bare where no currency was named."""
    if amount is None or np.isnan(amount):
        return "–"
    text = f"{amount:,.2f}" if abs(amount) < 100 else f"{amount:,.0f}"
    return text if answer.currency == NO_CURRENCY else f"{answer.currency} {text}"


def told(answer: UnitFigures) -> list[str]:
    """Tell the whole answer, section by section."""
    out: list[str] = []
    for title, lines in sections(answer):
        out += ["", title.upper()] if out else [title]
        for line in lines:
            out += wrap(line, WIDTH, subsequent_indent="  ") if len(line) > WIDTH else [line]
    return out


def sections(answer: UnitFigures) -> Iterator[tuple[str, list[str]]]:
    """Titles and lines of an answer, the decision first."""
    yield answer.name, list(_price(answer))
    yield "What to do, once it is on the bench", list(_states(answer))
    yield "Own repair or the manufacturer's", [two_repairs(answer)]
    yield "Until when", list(_until(answer))
    yield "What matters most", list(_matters(answer))
    question = question_words(answer)
    if question:
        yield "Ask the seller", [question]
    yield "Where the figures come from", list(_sources(answer))
    cautions = [f"{c.heading}: {c.text}" for c in answer.cautions()]
    yield "Cautions", [*cautions, DEFER]


def _price(answer: UnitFigures) -> Iterator[str]:
    bid, offer = answer.bid, answer.offer
    if bid.reason:
        yield f"Maximum bid: none; {bid.reason} (break-even {money(answer.exact_bid, answer)})."
    else:
        yield f"Maximum bid: {money(bid.amount, answer)} (auction, before premium and carriage)."
        if not np.isnan(bid.won.chance):
            yield f"  wins {percent(bid.won.chance)} of such lots; a lot won that way earns " + (
                f"{money(bid.won.profit, answer)} on average and loses money in "
                f"{percent(bid.won.probability_loss)}."
            )
            objection = against(bid.won, answer.unit.settings)
            if objection:
                yield f"  Not advised at an auction: {objection}."
    if offer.walk_away > 0:
        chance = "" if np.isnan(offer.taken) else f", taken by {percent(offer.taken)} of sellers"
        yield f"First offer to a private seller: {money(offer.first, answer)}{chance};"
        rare = offer.taken < answer.unit.settings.limits.least_win_chance
        rarely = "too rarely taken to be advised; " if rare else ""
        yield f"  {rarely}walk away above {money(offer.walk_away, answer)}."
    yield from asking_words(answer)
    worth = answer.unit.valuation
    if worth.neutral:
        yield "Nothing is taken off for risk (no working cash named)."
    if worth.hour:
        yield f"A bench hour is charged {money(worth.hour, answer)} above its wage this month."
    yield from answer.notes


def asking_words(answer: UnitFigures) -> Iterator[str]:
    """Say whether the price asked may be paid."""
    asked, won = answer.given.asking, answer.at_asking
    if asked is None or won is None:
        return
    if asked <= answer.offer.walk_away:
        yield (
            f"The {money(asked, answer)} asked may be paid: expected profit "
            f"{money(won.profit, answer)}, chance of loss {percent(won.probability_loss)}."
        )
    else:
        more = money(asked - answer.offer.walk_away, answer)
        yield f"The {money(asked, answer)} asked is {more} too much."


def _states(answer: UnitFigures) -> Iterator[str]:
    yield f"{'it turns out to be':<24}{'chance':>8}  {'do':<22}{'worth':>10}{'gain':>10}"
    for row in answer.dispositions.itertuples():
        gain = "" if np.isnan(row.gain) else f"{row.gain:,.0f}"
        yield (
            f"{_cell(fault_words(row.state), 24)}{percent(row.share):>8}  "
            f"{Action.worded(row.option):<22}{row.value:>10,.0f}{gain:>10}"
        )
    yield "worth: money still to come, the price paid not counted; gain: over the next best"
    uncosted = answer.unit.uncosted_words
    if uncosted and isinstance(answer.two_repairs, TwoRepairs):  # else it is said there
        yield f"{uncosted[:1].upper()}{uncosted[1:]}."


def _of_state(answer: UnitFigures, words: str) -> str:
    """Name the state a repair is told of, where it is not the commonest one."""
    unit = answer.unit
    return "" if unit.main is unit.commonest else f"{words} {fault_words(unit.main.state)}"


def two_repairs(answer: UnitFigures) -> str:
    """Compare own repair and the manufacturer's in a sentence."""
    two = answer.two_repairs
    if isinstance(two, CannotSay):
        return f"Cannot say: {two.reason}."
    even, of = money(two.break_even_quote, answer), _of_state(answer, " of one that is")
    if np.isnan(two.manufacturer):
        return (
            f"No quote: own repair ({two.hours:.1f} h){of} is worth {money(two.own, answer)}; the "
            f"manufacturer's is worth as much at {even} or less."
        )
    lead = two.own - two.manufacturer
    said = f"{of.strip().capitalize()}: at" if of else "At"
    first, by = ("own repair", lead) if lead >= 0 else ("the manufacturer's", -lead)
    wage = ""
    if two.break_even_wage > 0:
        wage = f", and at a wage of {money(two.break_even_wage, answer)} an hour"
    return (
        f"{said} {money(two.quote, answer)} {first} is worth {money(by, answer)} more "
        f"({money(two.own, answer)} against {money(two.manufacturer, answer)}). "
        f"They are equal at a quote of {even}{wage}."
    )


def _until(answer: UnitFigures) -> Iterator[str]:
    table, outlook = answer.stops, answer.economics.outlook
    ahead = Ahead(month_start(outlook.first_month), outlook.months, 0.8)
    for _, row in table.iterrows():
        name = str(row["date_name"])
        of = _of_state(answer, ", if it is") if name == REPAIR_STOP else ""
        yield f"{name.capitalize()}{of}: {stop_words(row, ahead)}"
        yield f"  {StopDate(name).words}."
    if isinstance(answer.repair_stop, CannotSay):
        return
    yield f"{'month':<10}{'repaired':>10}{'otherwise':>11}{'stopped':>9}{'bid':>9}"
    months = answer.months
    for at in [m for m in MONTHS_TOLD if m < len(months)]:
        row = months.iloc[at]
        bid = "none" if row["max_bid"] < 0 else f"{row['max_bid']:,.0f}"
        yield (
            f"{short_month(row['month']):<10}{row['repair']:>10,.0f}{row['alternative']:>11,.0f}"
            f"{percent(row['repair_stopped']):>9}{bid:>9}"
        )
    yield "stopped: chance that repairing it has stopped paying by then"


def _matters(answer: UnitFigures) -> Iterator[str]:
    yield f"{'figure':<36}{'low':>9}{'high':>9}{'bid at low':>12}{'bid at high':>13}"
    for row in answer.matters.head(6).itertuples():
        yield (
            f"{_cell(row.figure, 36)}{_short(row.low):>9}{_short(row.high):>9}"
            f"{row.bid_low:>12,.0f}{row.bid_high:>13,.0f}"
        )


def _cell(words: str, width: int) -> str:
    """Words in a column; what is too long for it has a line of its own."""
    return f"{words:<{width}}" if len(words) < width else f"{words}\n{'':<{width}}"


def _short(value: float) -> str:
    return f"{value:,.3f}" if abs(value) < 2 else f"{value:,.0f}"


def question_words(answer: UnitFigures) -> str:
    """The question worth most before buying, or nothing where no answer would change the price."""
    question = answer.question
    if not question.state:
        if question.knowing_all <= 0.5:
            return "No answer of the seller's would change the decision at this price."
        return f"Knowing what is wrong is worth {money(question.knowing_all, answer)}; ask for" + (
            " a photograph of it switched on and of the lock state."
        )
    return (
        f"Is it {fault_words(question.state)}? The answer is worth "
        f"{money(question.value, answer)} to you before you pay."
    )


def _sources(answer: UnitFigures) -> Iterator[str]:
    yield f"{'figure':<38}{'value':>8}{'80 % interval':>16}  rests on"
    rare = [fault_words(s.state) for s in answer.unit.states if s.usual < RARE]
    for row in answer.sources.itertuples():
        if any(row.figure.endswith(f" {state}") for state in rare):
            continue
        width = "" if row.lower == row.upper else f"{_short(row.lower)} to {_short(row.upper)}"
        yield f"{_cell(row.figure, 38)}{_short(row.value):>8}{width:>16}  {row.basis}"
        if row.figure.startswith(PART_PRICE) and row.rests_on != row.basis:
            yield f"  {row.rests_on}"


def told_in_html(answer: UnitFigures) -> str:
    """Tell the answer for a notebook; every word is escaped."""
    parts = [f"<h3>{escape(answer.name)}</h3>"]
    tables: dict[str, pd.DataFrame] = {
        "What to do, once it is on the bench": _dispositions(answer),
        "What matters most": answer.matters.head(6).round(3),
        "Where the figures come from": answer.sources.round(3),
    }
    for title, lines in sections(answer):
        if title != answer.name:
            parts.append(f"<h4>{escape(title)}</h4>")
        if title in tables:
            parts.append(tables[title].to_html(index=False, border=0, na_rep="", escape=True))
        else:
            parts.append(_lines(lines))
    return "\n".join(parts)


def _lines(lines: Sequence[str]) -> str:
    if any("  " in line.strip() for line in lines):  # laid out in columns
        return f"<pre>{escape(chr(10).join(lines))}</pre>"
    return "".join(f"<p>{escape(line.strip())}</p>" for line in lines)


def _dispositions(answer: UnitFigures) -> pd.DataFrame:
    shown = answer.dispositions[["state", "share", "option", "value", "next_best", "gain", "hours"]]
    words: dict[str, Any] = {c: shown[c].map(Action.worded) for c in ("option", "next_best")}
    return shown.assign(state=shown["state"].map(fault_words), **words).round(2)


class UnitAnswer(UnitFigures):
    """The answer for one unit: how much to pay, what to do with it, until when."""

    def __repr__(self) -> str:
        """Say the answer in words."""
        return "\n".join(told(self))

    def _repr_html_(self) -> str:
        return told_in_html(self)


@dataclass(frozen=True)
class AskedUnit:
    """A unit asked about; ``fault`` is in the asker's words."""

    family_id: str
    model_id: str
    device_class: str
    model_name: str
    fault: str


def asked_of(logs: Logs, model_id: str, fault: str) -> AskedUnit:
    """Find the model in the catalogue, by its identifier or its name.

    Raises ``LogFault`` if there is no such model; the nearest ones are named.
    """
    catalogue = logs.tables["catalogue"]
    names = catalogue["model_name"].where(catalogue["model_name"] != "", catalogue["model_id"])
    wanted = model_id.strip().lower()
    same = (catalogue["model_id"].str.lower() == wanted) | (names.str.lower() == wanted)
    if not same.any():
        known = list(catalogue["model_id"])
        near = get_close_matches(model_id, known, 3, 0.5)
        allowed = f"did you mean {' or '.join(near)}?" if near else "one of " + _some(known)
        raise LogFault([Fault("model", None, "", model_id, allowed)])
    row = catalogue[same].iloc[0]
    return AskedUnit(
        str(row["family_id"]),
        str(row["model_id"]),
        str(row["device_class"]),
        str(names[same].iloc[0]),
        fault,
    )


def _some(names: list[str]) -> str:
    return ", ".join(names[:12]) + (f" and {len(names) - 12} others" * (len(names) > 12))


def listed_fault(asked: AskedUnit, known: list[str]) -> str:
    """Return the family's listed fault that the words mean.

    Raises ``LogFault`` if they mean none of them.
    """
    code = fault_code(asked.fault)
    if code in known:
        return code
    meaning = meaning_of(asked.fault, asked.device_class)
    if meaning.understood and meaning.listed_fault in known:
        return meaning.listed_fault
    near = get_close_matches(code, known, 1, 0.6)
    if near and not meaning.understood:
        return near[0]
    allowed = "one of " + ", ".join(fault_words(k) for k in known)
    raise LogFault([Fault("fault", None, "", asked.fault, allowed)])


def given_of(figures: Mapping[str, Any]) -> Given:
    """Build the record of figures given; a bare number stands for a part's price.

    Raises ``TypeError`` for a figure there is none of, as for any keyword.
    """
    parts = {
        code: part if isinstance(part, PartGiven) else PartGiven(float(part))
        for code, part in dict(figures.get("parts") or {}).items()
    }
    return Given(**{**figures, "parts": parts})


def answered(
    economics: Economics,
    asked: AskedUnit,
    given: Given | None,
    figures: Mapping[str, Any],
    name: str = "",
) -> UnitAnswer:
    """Answer for one unit of a family.

    Parameters
    ----------
    economics
        Of its family, from the month it is bought in.
    given, figures
        The record of figures given, or its fields.
    name
        What to call it; model and fault if empty.
    """
    known = given if given is not None else given_of(figures)
    bench = bench_of(economics, asked.family_id, asked.model_id)
    if isinstance(bench, CannotSay):
        allowed = "a launch date and launch price in catalogue.csv, or a sale of the family"
        raise LogFault([Fault(asked.model_id, None, "", bench.reason, allowed)])
    faults = list(bench.outlook.shares)
    fault = fault_code(asked.fault) if known.states else listed_fault(asked, faults)
    key = (asked.family_id, asked.model_id, fault)
    said = name or f"{asked.model_name}, {fault_words(fault)}"
    return UnitAnswer(with_given(economics, key, known), key, said, known)
