"""The command ``ask``: one unit, with or without a workspace."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.commands.printing import day_of, give_json, out_file, tell_now
from repair_horizon.logs import Fault, LogFault

if TYPE_CHECKING:
    from repair_horizon.asking.given import Given, GradeGiven, StateGiven
    from repair_horizon.asking.unit_answer import UnitAnswer
    from repair_horizon.shop import Shop

MODEL_OR_CLASS = "--model MODEL of the catalogue, or --class CLASS for a model no log knows"


def ask(options: Namespace) -> int:
    """Answer for one unit: how much, what then, and until when."""
    if bool(options.model) == bool(options.device_class):
        found = "both" if options.model else "neither"
        raise LogFault([Fault("ask", None, "", found, MODEL_OR_CLASS)])
    day = day_of(options.as_of)
    place = options.workspace or "."
    chart = out_file(Namespace(out=options.chart, workspace=place)) if options.chart else None
    given = given_in(options)
    answer = _of_model(options, day, given) if options.model else _of_class(options, day, given)
    if options.format == "json":
        give_json(_as_json(answer))
    else:
        print(answer)
    if chart is not None:
        _draw(answer, chart)
    return 0


def _of_model(options: Namespace, day: str | None, given: Given) -> UnitAnswer:
    from repair_horizon.shop import open_shop

    shop = open_shop(options.workspace or ".", day)
    tell_now(shop.logs.now_words)
    return shop.ask(options.model, options.fault, given=given, month=options.month)


def _of_class(options: Namespace, day: str | None, given: Given) -> UnitAnswer:
    from repair_horizon.one_unit import ask as ask_class
    from repair_horizon.shop import open_shop

    shop: Shop | None = open_shop(options.workspace, day) if options.workspace else None
    now = f"{pd.Timestamp(day or pd.Timestamp.today()):%Y-%m-%d}"
    tell_now(shop.logs.now_words if shop else f"Now is {now}: no workspace is named.")
    return ask_class(
        options.device_class,
        options.fault,
        launch=options.launch,
        launch_price=options.launch_price,
        shop=shop,
        today=day,
        given=given,
    )


def given_in(options: Namespace) -> Given:
    """Read the figures given on the command line."""
    from repair_horizon.asking.given import ANY, Given, PartGiven

    part, parts = None, {}
    for text in options.part or []:
        code, _, price = text.rpartition("=")
        price, _, fall = price.partition("@")
        amount, _, shipping = price.partition("+")
        numbers = (_number("--part", amount), _number("--part", shipping or "0"))
        found = PartGiven(*numbers, _number("--part", fall) if fall else None)
        if code:
            parts[code] = found
        else:
            part = found.price + found.shipping
    as_is = {}
    for text in options.as_is or []:
        state, _, price = text.rpartition("=")
        as_is[state.replace(" ", "_") or ANY] = _number("--as-is", price)
    return Given(
        states=tuple(_state(text) for text in options.state or []),
        grades=dict(_grade(text) for text in options.grade or []),
        resale=options.resale,
        fall=options.monthly_fall,
        part=part,
        parts=parts,
        as_is=as_is,
        hours=options.hours,
        success=options.success,
        manufacturer_quote=options.manufacturer_quote,
        asking=options.asking,
    )


PRICE = "a price such as 48.50, CODE=PRICE, or CODE=PRICE+SHIPPING@FALL a month, a share"
STATE = "STATE=SHARE, and after commas parts joined by +, hours, success: display=0.7,DA,1.5,0.9"
UNSAID = ("", "", "0", "0")
GRADE = "GRADE=SHARE, and after a comma its price against the base grade's: B=0.4,0.85"


def _number(option: str, text: str, allowed: str = PRICE) -> float:
    try:
        return float(text)
    except ValueError:
        raise LogFault([Fault(option, None, "", text, allowed)]) from None


def _state(text: str) -> StateGiven:
    """Read what the unit may turn out to be; without hours and success it cannot be mended."""
    from repair_horizon.asking.given import StateGiven

    name, _, figures = text.partition("=")
    got = figures.split(",")
    if not name or len(got) > len(UNSAID):
        raise LogFault([Fault("--state", None, "", text, STATE)])
    share, parts, hours, success = (*got, *UNSAID[len(got) :])
    numbers = [_number("--state", n, STATE) for n in (share, hours, success)]
    codes = tuple(c for c in parts.split("+") if c)
    return StateGiven(name.replace(" ", "_"), numbers[0], codes, *numbers[1:])


def _grade(text: str) -> tuple[str, GradeGiven]:
    from repair_horizon.asking.given import GradeGiven

    name, _, figures = text.partition("=")
    share, _, factor = figures.partition(",")
    numbers = [_number("--grade", n or "1", GRADE) for n in (share, factor)]
    return name, GradeGiven(*numbers)


def _draw(answer: UnitAnswer, path: Path) -> None:
    from repair_horizon.files.writing import write_text

    write_text(path, answer.plot().to_html(include_plotlyjs=True))
    print(f"\nChart: {path}")


def _as_json(answer: UnitAnswer) -> dict[str, Any]:
    bid, offer = answer.bid, answer.offer
    tables = {
        "dispositions": answer.dispositions,
        "stops": answer.stops,
        "months": answer.months,
        "matters": answer.matters,
        "sources": answer.sources,
    }
    cautions = [{"heading": c.heading, "text": c.text} for c in answer.cautions()]
    return {
        "asked": answer.name,
        "currency": answer.currency,
        "max_bid": bid.amount,
        "exact_bid": answer.exact_bid,
        "probability_win": bid.won.chance,
        "verdict": answer.verdict.value,
        "reason": bid.reason,
        "first_offer": offer.first,
        "probability_taken": offer.taken,
        "walk_away": offer.walk_away,
        "ask_seller": answer.question.state,
        "ask_value": answer.question.value,
        "notes": list(answer.notes),
        **tables,
        "cautions": cautions,
    }
