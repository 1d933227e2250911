"""The words of the pages, commands and columns, and what each means."""

from __future__ import annotations

from repair_horizon.tables.codes import StopDate, Verdict

GLOSSARY: dict[str, str] = {
    # buying
    "maximum bid": "highest hammer price at which a unit is still worth buying, every cost, chance "
    "and charge counted; rounded down to the bid increment",
    "hammer price": "price at which bidding closes, before premium, tax and carriage",
    "buyer's premium": "what an auction adds to the hammer price, by tier",
    "landed cost": "what a unit has cost once it is here: price, premium, tax, carriage",
    "chance of winning": "chance that the highest rival stays below a bid; the price of a lost lot "
    "is what its last but one bidder gave, so the highest rival stood above it",
    "chance of loss": "share of outcomes in which a won unit loses money at the price it is won at",
    "first offer, walk-away price": "to a private seller: the offer that earns most, its chance of "
    "being taken counted, and the maximum bid",
    "serious bidder": "one who bids at least half the usual price",
    # units and faults
    "as is": "sold untouched, its faults described",
    "part out": "broken down, its parts sold or kept",
    "pulled": "of a part: taken from another unit",
    "listed fault": "what the seller says is wrong",
    "state": "what a unit turns out to be on the bench; each listed fault has several, with shares",
    "no fault found": "a unit that works as it is",
    "success": "share of attempted repairs of a state that end in a working unit",
    "damage while opening": "something else that breaks while a unit is opened",
    "parts dead on arrival": "parts that do not work when they come",
    "grade": "cosmetic class of a unit, in the order of settings.toml",
    "disposition": "what to do with an owned unit: repair, manufacturer repair, sell as is, part "
    "out, hold",
    "beyond economical repair": "repairing is worth less than the best other option",
    "complete record": "a unit whose purchase, repair and sale are all logged",
    # value and risk
    "certainty equivalent": "the sure amount as good as an uncertain one, by the risk tolerance",
    "risk tolerance": "money that says how much risk is taken; a sixth of cash and stock unless "
    "set, and no risk is counted where no cash is named",
    "bench hour": "an hour of repair; beside its wage it may be charged what other work would earn",
    "opportunity cost": "what an hour or an amount of cash would earn in the month's other work",
    "cost of waiting per week": "how much less a unit is worth a week later",
    "value of information": "what knowing a figure before deciding is worth on average",
    "newly known": "a price that was missing last month; it is not a price that moved",
    # forecasts
    "share of launch price": "price of a used unit against the list price at launch",
    "class average; class, a guess": "a figure known of the device class before any log: published "
    "or computed from open data; common practice or from memory, and so wider",
    "family average": "the figure rests mostly on sister models",
    "own sales; few sales": "the figure rests mostly on the model's own sales; on few of them",
    "weight of own data": "share of a figure that own records carry",
    "prediction interval": "range in which a single future figure falls as often as its coverage "
    "says: 8 of 10 inside an 80 % interval",
    "residual variation": "how far single sales lie from the price curve",
    "quarter effect": "shift of a family's prices in a quarter that fades in the next ones",
    # dates
    **{date.value: date.words for date in StopDate},
    # rows
    "used, set aside, held for review": "what becomes of every row of a log; the three add up",
    "settlement currency": "the currency all amounts are compared in",
    # verdicts
    **{f"{v.shape} {v.words}": meaning for v, meaning in (
        (Verdict.BUY, "a bid is worth its handling and wins often enough"),
        (Verdict.OWN_STOCK, "too dear to buy, yet a unit already owned is best repaired"),
        (Verdict.STOP, "neither buying nor repairing pays"),
        (Verdict.CANNOT_SAY, "own records, family and class are all silent; the reason is told"),
    )},
}  # fmt: skip
