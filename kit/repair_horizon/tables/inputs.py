"""The logs of the business, each table declared once.

Reading, checking, importing and the data dictionary ``data/README.md`` all work from these
declarations; nothing else in the kit knows a file's columns by heart.

A column is a line: name (``*`` where it must be given) | kind and range | unit | meaning. "amount"
is a number of money from 0 to 1e9, "one of" a code and the values it may have.
"""

from __future__ import annotations

from dataclasses import dataclass

from repair_horizon.tables.columns import Column


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


def input_columns(lines: str) -> tuple[Column, ...]:
    """Read declarations, a line each as above."""
    fields = ([p.strip() for p in line.split("|")] for line in lines.splitlines() if line.strip())
    return tuple(_column(*f) for f in fields)


def _column(name: str, rule: str, unit: str, meaning: str) -> Column:
    required, name = name.startswith("*"), name.lstrip("*")
    if rule.startswith("one of "):
        return Column(name, "code", meaning, unit, required, tuple(rule.split()[2:]))
    if rule == "amount":
        rule, unit = "number 0..1e9", "money"
    kind, _, span = rule.partition(" ")
    lowest, highest = ((float(n) if n else None) for n in (span.split("..") if span else ("", "")))
    return Column(name, kind, meaning, unit, required, (), lowest, highest)


def _table(name: str, key: str, date: str, meaning: str, lines: str) -> Table:
    return Table(name, key, date, meaning, input_columns(lines))


CATALOGUE = _table(
    "catalogue", "model_id", "", "the models traded, and when they came out", """
    *model_id | code | | identifier of the model
    *family_id | code | | models that age alike and share parts: one report page each
    *device_class | one of phone foldable tablet laptop watch console | | kind of device
    model_name | text | | name to print
    storage_gb | number 0..1e6 | GB | storage of the base version
    launch_date | date | | first day on sale; age is counted from here, and where it is empty \
(unknown) from the first day the model is seen in any log, without its launch price as an anchor
    launch_price | amount | | list price at launch, tax included
    launch_currency | currency | | its currency; the settlement currency if empty
    successor_launch_date | date | | when the next model came, or is expected
    spare_part_end_date | date | | when the maker stops supplying parts
    """)  # fmt: skip

SALES = _table(
    "sales", "sale_id", "sale_date", "sale prices seen: our own sales and the market's", """
    *sale_id | code | | identifier of the record
    *model_id | code | | the model, as in catalogue.csv
    *sale_date | date | | day of the sale (of the offer, for asking prices)
    *gross_amount | number -1e9..1e9 | money | item price the buyer paid, without shipping
    *currency | currency | | currency of the amounts in the row
    channel | code | | where it was sold, as named in settings.toml
    grade | code | | cosmetic grade, as ordered in settings.toml; empty is unknown
    storage_gb | number 0..1e6 | GB | overrides the catalogue's
    condition | one of working as_is | | working (when empty), or as_is: sold broken
    listed_fault | code | | fault named in an as-is sale, as in fault_states.csv
    price_type | one of sold asking offer | | sold (when empty), asking, or offer made to us
    record_type | one of sale refund partial_refund cancelled chargeback | | sale (when empty), \
or what later became of one
    refers_to_sale_id | code | | the sale a refund or cancellation belongs to
    quantity | count 1.. | pieces | pieces in the sale; one when empty
    n_averaged | count 1.. | sales | the amount is the mean of so many sales: a weight, not a \
quantity; one when empty
    tax_included | yes_no | | whether the amount contains sales tax; yes when empty
    shipping_charged | amount | | shipping paid on top
    fee_amount | amount | | fees the channel kept
    listed_date | date | | day the offer went up
    own_sale | yes_no | | whether we were the seller
    unit_id | code | | our unit, if it was one
    source_ref | text | | where the record came from
    """)  # fmt: skip

PART_QUOTES = _table(
    "part_quotes", "quote_id", "quote_date", "prices asked for spare parts", """
    *quote_id | code | | identifier of the quote
    *quote_date | date | | day it was seen
    *model_id | code | | the model, as in catalogue.csv
    *part_code | code | | the part: BAT battery, DA display, BC back cover, FFC/RFC cameras, EC \
charging port, BUT button, MIC, SPK, FM hinge (codes of Regulation (EU) 2023/1669 Annex IV); our \
own: DAO outer display, FRM frame, MB mainboard, FLX flex cable, ADH seals, KB keyboard, TP \
trackpad, STO storage, FAN, OPT optical drive, STK stick, STR strap
    *quality_class | one of maker_original original_refurbished aftermarket pulled | | what kind \
of part it is
    *supplier_id | code | | who quotes
    *unit_price | number 0.01..1e8 | money | price of one piece
    *currency | currency | | currency of the amounts in the row
    shipping | amount | | shipping per piece
    lead_days | number 0..400 | days | days from order to door
    moq | count 1.. | pieces | smallest order
    in_stock | yes_no | | whether it was on the shelf
    doa_rate | number 0..1 | share | share arriving dead
    warranty_days | number 0..4000 | days | supplier's warranty
    valid_until | date | | last day the quote holds
    """)  # fmt: skip

MAKER_QUOTES = _table(
    "maker_quotes", "", "quote_date", "what the maker's own repair service asks", """
    *quote_date | date | | day of the quote
    *model_id | code | | the model, as in catalogue.csv
    *fault | code | | the fault to be repaired, as in fault_states.csv
    *price | amount | | price of the repair
    *currency | currency | | currency of the amounts in the row
    lead_days | number 0..400 | days | days until the unit is back
    warranty_days | number 0..4000 | days | maker's warranty
    refused_quote_fee | amount | | fee if the repair is refused
    """)  # fmt: skip

FAULT_STATES = _table(
    "fault_states", "", "", "what a listed fault turns out to be, and what it then needs", """
    *family_id | code | | the family, as in catalogue.csv
    *listed_fault | code | | fault as the seller lists it
    *state | code | | what it turns out to be on the bench
    *prior_share | number 0..1 | | share expected before any repair is logged
    part_codes | text | | parts the repair needs, joined by ; (empty if not repairable)
    *bench_hours | number 0..100 | h | repair time without testing
    *prior_success | number 0..1 | | success rate expected before any is logged
    """)  # fmt: skip

REPAIRS = _table(
    "repairs", "job_id", "opened", "bench jobs and how they ended", """
    *job_id | code | | identifier of the job
    *unit_id | code | | the unit
    *model_id | code | | the model, as in catalogue.csv
    *opened | date | | day the job was opened
    *listed_fault | code | | fault as bought
    state_found | code | | what it turned out to be
    outcome | one of fixed_first_pass fixed_after_rework not_fixed not_attempted | | how it \
ended; empty while open
    bench_hours | number 0..1000 | h | hours spent
    parts_cost | amount | | parts used, settlement currency
    grade_out | code | | grade after repair
    test_volts | number 0..60 | V | first reading
    test_amps | number 0..20 | A | first reading
    erase_method | text | | how personal data was erased
    erase_date | date | | when
    """)  # fmt: skip

LISTINGS = _table(
    "listings", "listing_id", "end_time",
    "broken units offered: candidates now, and hammer prices of the past", """
    *listing_id | code | | identifier of the listing
    *model_id | code | | the model, as in catalogue.csv
    *listed_fault | code | | fault as listed
    *end_time | moment | | when bidding ends or ended
    current_bid | amount | | bid now, settlement currency; the price asked where terms say so
    shipping | amount | | inbound shipping
    premium_rate | number 0..1 | share | buyer's premium, if not the usual one
    result | one of won lost skipped | | what became of it; empty while open
    final_price | amount | | hammer price; of a lost or skipped lot what its winner paid
    terms | one of auction fixed_price private | | how it is sold: auction (when empty), at a \
fixed price, or by a private seller
    quantity | count 1.. | units | units in a job lot; one when empty
    lot_id | code | | the lot, where several listings are sold as one
    offer | amount | | what we offered the seller
    offer_result | one of taken refused | | what became of our offer
    """)  # fmt: skip

STOCK = _table(
    "stock", "unit_id", "buy_date", "units owned, with what stands in the way of selling them", """
    *unit_id | code | | identifier of the unit
    *model_id | code | | the model, as in catalogue.csv
    *buy_date | date | | day it was bought
    landed_cost | amount | | what it cost to have here (sunk)
    *currency | currency | | currency of the amounts in the row
    *state | code | | what it needs, as in fault_states.csv; working if nothing
    *status | one of in_transit quarantine bench awaiting_part listed sold parted scrapped \
returned | | where it stands
    location | text | | shelf
    erase_date | date | | when personal data was erased; empty if not
    ownership_check | one of clear open blocked | | result of the registry and proof-of-purchase \
check
    flags | text | | any of swollen, wet, blocked, joined by ;
    listed_date | date | | day it was put up for sale; empty if not
    asking_price | amount | | price asked for it now, row's currency
    """)  # fmt: skip

FX_RATES = _table(
    "fx_rates", "", "date", "exchange rates", """
    *date | date | | day of the rate
    *base | currency | | one unit of this currency
    *quote | currency | | costs this much of that one
    *rate | number 1e-09..1e9 | | units of quote per unit of base
    """)  # fmt: skip

ANSWERS = _table(
    "answers", "answer_id", "month", "the partner's answers to a month's advice", """
    *answer_id | code | | identifier of the answer
    *month | month | | the month whose advice is answered
    *model_id | code | | the model, as in catalogue.csv
    *listed_fault | code | | fault as listed
    listing_id | code | | the listing, where one is meant
    *answer | one of agree other_bid no won lost | | what the partner says to it
    amount | amount | | the other bid, or the price, settlement currency
    note | text | | in the partner's words
    """)  # fmt: skip

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
CLASSES = CATALOGUE.column("device_class").choices
QUALITIES = PART_QUOTES.column("quality_class").choices

FORECAST, BOUGHT = "forecast", "bought"
LEVELS = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
QUANTILES = tuple(f"profit_{round(100 * p):02d}" for p in LEVELS)

LEDGER = Table(
    "forecasts",
    "entry_id",
    "made_on",
    "what was expected of each listing when it was bid for, and which were bought",
    input_columns(
        f"""
        *entry_id | code | | identifier of the row
        *record_type | one of {FORECAST} {BOUGHT} | | what the row says
        *made_on | date | | day of the forecast, or of the purchase
        *listing_id | code | | the listing, as in listings.csv
        unit_id | code | | the unit it became, as in stock.csv; only when bought
        family_id | code | | the family
        model_id | code | | the model
        listed_fault | code | | fault as listed
        *price | number -1e9..1e9 | money | hammer price the forecast is for, or paid
        max_bid | number -1e9..1e9 | money | threshold then
        per_bid | number 0..100 | | profit lost per unit of hammer price
        expected_profit | number -1e9..1e9 | money | mean profit of the unit
        probability_loss | number 0..1 | share | chance of loss
        common_share | number 0..1 | share | share of the variance like units have in common
        """
        + "\n".join(
            f"{q} | number -1e9..1e9 | money | profit not exceeded with chance {p:g}"
            for q, p in zip(QUANTILES, LEVELS, strict=True)
        )
    ),
)
