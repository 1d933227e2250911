"""The logs of the business, each table declared once.

Reading, checking, importing and the data dictionary ``data/README.md`` all work from these
declarations; nothing else in the kit knows a file's columns by heart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from repair_horizon.tables.columns import Column

CLASSES = ("phone", "foldable", "tablet", "laptop", "watch", "console")
QUALITIES = ("maker_original", "original_refurbished", "aftermarket", "pulled")
OUTCOMES = ("fixed_first_pass", "fixed_after_rework", "not_fixed", "not_attempted")
STATUSES = (
    "in_transit",
    "quarantine",
    "bench",
    "awaiting_part",
    "listed",
    "sold",
    "parted",
    "scrapped",
    "returned",
)
TERMS = ("auction", "fixed_price", "private")
OFFER_RESULTS = ("taken", "refused")
ANSWERS_GIVEN = ("agree", "other_bid", "no", "won", "lost")


@dataclass(frozen=True)
class Table:
    """One log: its file name without ending, key, date column (if any), meaning and columns."""

    name: str
    key: str
    date: str
    meaning: str
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """Return the declaration of one column."""
        return next(c for c in self.columns if c.name == name)

    @property
    def required(self) -> tuple[str, ...]:
        """Names of the columns a file must have."""
        return tuple(c.name for c in self.columns if c.required)


def _c(name: str, kind: str, meaning: str, unit: str = "", **rule: Any) -> Column:
    required = name.startswith("*")
    return Column(name.lstrip("*"), kind, meaning, unit, required, **rule)


_MODEL = _c("*model_id", "code", "the model, as in catalogue.csv")
_CURRENCY = _c("*currency", "currency", "currency of the amounts in the row")
_SHARE: dict[str, Any] = {"lowest": 0, "highest": 1}
_AMOUNT: dict[str, Any] = {"lowest": 0, "highest": 1e9}

CATALOGUE = Table(
    "catalogue",
    "model_id",
    "",
    "the models traded, and when they came out",
    (
        _c("*model_id", "code", "identifier of the model"),
        _c("*family_id", "code", "models that age alike and share parts: one report page each"),
        _c("*device_class", "code", "kind of device", choices=CLASSES),
        _c("model_name", "text", "name to print"),
        _c("storage_gb", "number", "storage of the base version", "GB", lowest=0, highest=1e6),
        _c(
            "launch_date",
            "date",
            "first day on sale; age is counted from here, and where it is empty (unknown) from the "
            "first day the model is seen in any log, without its launch price as an anchor",
        ),
        _c("launch_price", "number", "list price at launch, tax included", "money", **_AMOUNT),
        _c("launch_currency", "currency", "its currency; the settlement currency if empty"),
        _c("successor_launch_date", "date", "when the next model came, or is expected"),
        _c("spare_part_end_date", "date", "when the maker stops supplying parts"),
    ),
)

SALES = Table(
    "sales",
    "sale_id",
    "sale_date",
    "sale prices seen: our own sales and the market's",
    (
        _c("*sale_id", "code", "identifier of the record"),
        _MODEL,
        _c("*sale_date", "date", "day of the sale (of the offer, for asking prices)"),
        _c(
            "*gross_amount",
            "number",
            "item price the buyer paid, without shipping",
            "money",
            lowest=-1e9,
            highest=1e9,
        ),
        _CURRENCY,
        _c("channel", "code", "where it was sold, as named in settings.toml"),
        _c("grade", "code", "cosmetic grade, as ordered in settings.toml; empty is unknown"),
        _c("storage_gb", "number", "overrides the catalogue's", "GB", lowest=0, highest=1e6),
        _c(
            "condition",
            "code",
            "working (when empty), or as_is: sold broken",
            choices=("working", "as_is"),
        ),
        _c("listed_fault", "code", "fault named in an as-is sale, as in fault_states.csv"),
        _c(
            "price_type",
            "code",
            "sold (when empty), asking, or offer made to us",
            choices=("sold", "asking", "offer"),
        ),
        _c(
            "record_type",
            "code",
            "sale (when empty), or what later became of one",
            choices=("sale", "refund", "partial_refund", "cancelled", "chargeback"),
        ),
        _c("refers_to_sale_id", "code", "the sale a refund or cancellation belongs to"),
        _c("quantity", "count", "pieces in the sale; one when empty", "pieces", lowest=1),
        _c(
            "n_averaged",
            "count",
            "the amount is the mean of so many sales: a weight, not a quantity; one when empty",
            "sales",
            lowest=1,
        ),
        _c("tax_included", "yes_no", "whether the amount contains sales tax; yes when empty"),
        _c("shipping_charged", "number", "shipping paid on top", "money", **_AMOUNT),
        _c("fee_amount", "number", "fees the channel kept", "money", **_AMOUNT),
        _c("listed_date", "date", "day the offer went up"),
        _c("own_sale", "yes_no", "whether we were the seller"),
        _c("unit_id", "code", "our unit, if it was one"),
        _c("source_ref", "text", "where the record came from"),
    ),
)

PART_QUOTES = Table(
    "part_quotes",
    "quote_id",
    "quote_date",
    "prices asked for spare parts",
    (
        _c("*quote_id", "code", "identifier of the quote"),
        _c("*quote_date", "date", "day it was seen"),
        _MODEL,
        _c(
            "*part_code",
            "code",
            "the part: BAT battery, DA display, BC back cover, FFC/RFC cameras, EC charging "
            "port, BUT button, MIC, SPK, FM hinge (codes of Regulation (EU) 2023/1669 Annex IV); "
            "our own: DAO outer display, FRM frame, MB mainboard, FLX flex cable, ADH seals, KB "
            "keyboard, TP trackpad, STO storage, FAN, OPT optical drive, STK stick, STR strap",
        ),
        _c("*quality_class", "code", "what kind of part it is", choices=QUALITIES),
        _c("*supplier_id", "code", "who quotes"),
        _c("*unit_price", "number", "price of one piece", "money", lowest=0.01, highest=1e8),
        _CURRENCY,
        _c("shipping", "number", "shipping per piece", "money", **_AMOUNT),
        _c("lead_days", "number", "days from order to door", "days", lowest=0, highest=400),
        _c("moq", "count", "smallest order", "pieces", lowest=1),
        _c("in_stock", "yes_no", "whether it was on the shelf"),
        _c("doa_rate", "number", "share arriving dead", "share", **_SHARE),
        _c("warranty_days", "number", "supplier's warranty", "days", lowest=0, highest=4000),
        _c("valid_until", "date", "last day the quote holds"),
    ),
)

MAKER_QUOTES = Table(
    "maker_quotes",
    "",
    "quote_date",
    "what the maker's own repair service asks",
    (
        _c("*quote_date", "date", "day of the quote"),
        _MODEL,
        _c("*fault", "code", "the fault to be repaired, as in fault_states.csv"),
        _c("*price", "number", "price of the repair", "money", **_AMOUNT),
        _CURRENCY,
        _c("lead_days", "number", "days until the unit is back", "days", lowest=0, highest=400),
        _c("warranty_days", "number", "maker's warranty", "days", lowest=0, highest=4000),
        _c("refused_quote_fee", "number", "fee if the repair is refused", "money", **_AMOUNT),
    ),
)

FAULT_STATES = Table(
    "fault_states",
    "",
    "",
    "what a listed fault turns out to be, and what it then needs",
    (
        _c("*family_id", "code", "the family, as in catalogue.csv"),
        _c("*listed_fault", "code", "fault as the seller lists it"),
        _c("*state", "code", "what it turns out to be on the bench"),
        _c("*prior_share", "number", "share expected before any repair is logged", **_SHARE),
        _c("part_codes", "text", "parts the repair needs, joined by ; (empty if not repairable)"),
        _c("*bench_hours", "number", "repair time without testing", "h", lowest=0, highest=100),
        _c("*prior_success", "number", "success rate expected before any is logged", **_SHARE),
    ),
)

REPAIRS = Table(
    "repairs",
    "job_id",
    "opened",
    "bench jobs and how they ended",
    (
        _c("*job_id", "code", "identifier of the job"),
        _c("*unit_id", "code", "the unit"),
        _MODEL,
        _c("*opened", "date", "day the job was opened"),
        _c("*listed_fault", "code", "fault as bought"),
        _c("state_found", "code", "what it turned out to be"),
        _c("outcome", "code", "how it ended; empty while open", choices=OUTCOMES),
        _c("bench_hours", "number", "hours spent", "h", lowest=0, highest=1000),
        _c("parts_cost", "number", "parts used, settlement currency", "money", **_AMOUNT),
        _c("grade_out", "code", "grade after repair"),
        _c("test_volts", "number", "first reading", "V", lowest=0, highest=60),
        _c("test_amps", "number", "first reading", "A", lowest=0, highest=20),
        _c("erase_method", "text", "how personal data was erased"),
        _c("erase_date", "date", "when"),
    ),
)

LISTINGS = Table(
    "listings",
    "listing_id",
    "end_time",
    "broken units offered: candidates now, and hammer prices of the past",
    (
        _c("*listing_id", "code", "identifier of the listing"),
        _MODEL,
        _c("*listed_fault", "code", "fault as listed"),
        _c("*end_time", "moment", "when bidding ends or ended"),
        _c(
            "current_bid",
            "number",
            "bid now, settlement currency; the price asked where terms say so",
            "money",
            **_AMOUNT,
        ),
        _c("shipping", "number", "inbound shipping", "money", **_AMOUNT),
        _c("premium_rate", "number", "buyer's premium, if not the usual one", "share", **_SHARE),
        _c(
            "result",
            "code",
            "what became of it; empty while open",
            choices=("won", "lost", "skipped"),
        ),
        _c(
            "final_price",
            "number",
            "hammer price; of a lost or skipped lot what its winner paid",
            "money",
            **_AMOUNT,
        ),
        _c(
            "terms",
            "code",
            "how it is sold: auction (when empty), at a fixed price, or by a private seller",
            choices=TERMS,
        ),
        _c("quantity", "count", "units in a job lot; one when empty", "units", lowest=1),
        _c("lot_id", "code", "the lot, where several listings are sold as one"),
        _c("offer", "number", "what we offered the seller", "money", **_AMOUNT),
        _c("offer_result", "code", "what became of our offer", choices=OFFER_RESULTS),
    ),
)

STOCK = Table(
    "stock",
    "unit_id",
    "buy_date",
    "units owned, with what stands in the way of selling them",
    (
        _c("*unit_id", "code", "identifier of the unit"),
        _MODEL,
        _c("*buy_date", "date", "day it was bought"),
        _c("landed_cost", "number", "what it cost to have here (sunk)", "money", **_AMOUNT),
        _CURRENCY,
        _c("*state", "code", "what it needs, as in fault_states.csv; working if nothing"),
        _c("*status", "code", "where it stands", choices=STATUSES),
        _c("location", "text", "shelf"),
        _c("erase_date", "date", "when personal data was erased; empty if not"),
        _c(
            "ownership_check",
            "code",
            "result of the registry and proof-of-purchase check",
            choices=("clear", "open", "blocked"),
        ),
        _c("flags", "text", "any of swollen, wet, blocked, joined by ;"),
        _c("listed_date", "date", "day it was put up for sale; empty if not"),
        _c("asking_price", "number", "price asked for it now, row's currency", "money", **_AMOUNT),
    ),
)

FX_RATES = Table(
    "fx_rates",
    "",
    "date",
    "exchange rates",
    (
        _c("*date", "date", "day of the rate"),
        _c("*base", "currency", "one unit of this currency"),
        _c("*quote", "currency", "costs this much of that one"),
        _c("*rate", "number", "units of quote per unit of base", lowest=1e-9, highest=1e9),
    ),
)

ANSWERS = Table(
    "answers",
    "answer_id",
    "month",
    "the partner's answers to a month's advice",
    (
        _c("*answer_id", "code", "identifier of the answer"),
        _c("*month", "month", "the month whose advice is answered"),
        _MODEL,
        _c("*listed_fault", "code", "fault as listed"),
        _c("listing_id", "code", "the listing, where one is meant"),
        _c("*answer", "code", "what the partner says to it", choices=ANSWERS_GIVEN),
        _c(
            "amount",
            "number",
            "the other bid, or the price, settlement currency",
            "money",
            **_AMOUNT,
        ),
        _c("note", "text", "in the partner's words"),
    ),
)

TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        CATALOGUE,
        SALES,
        PART_QUOTES,
        MAKER_QUOTES,
        FAULT_STATES,
        REPAIRS,
        LISTINGS,
        STOCK,
        FX_RATES,
        ANSWERS,
    )
}
REQUIRED_TABLES = ("catalogue",)
