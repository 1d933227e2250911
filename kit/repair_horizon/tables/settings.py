"""The rules of the business: rates, fees, targets and limits, read from settings.toml.

Each field below is the declaration of one setting: its default, unit and meaning. The file may
leave out what it does not change; what it writes wrongly is reported all at once. Figures for
one kind of device stand under ``[by_class.laptop.sale]`` and the like and replace only
themselves. Last stand the rules that hold between settings.

Read a TOML file somebody wrote, refusing what would hang or break whoever uses it.

TOML allows what no settings need: names of thousands of parts and tables nested as deeply, which
the standard reader takes minutes and gigabytes for, and whole numbers of any length.

What a file says becomes a frozen section, every fault collected: a dataclass whose fields carry
their limits or choices as metadata. What the file leaves out keeps its start value, also inside
nested sections.
"""

from __future__ import annotations

import dataclasses
import datetime
import functools
import re
import tomllib
import types
import typing
from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import CLASSES
from repair_horizon.tables.months import AVERAGE_MONTH_DAYS

MAX_BYTES = 1_000_000
MAX_DEPTH = 32
# TOML v1.0.0, section Integer: 64-bit signed integers are to be accepted, others may be refused.
_LARGEST = 2**63 - 1
_QUOTED = re.compile(r'"[^"\n]*"|\'[^\'\n]*\'')
_BETWEEN = re.compile(r"[=,\[\]{}#\n]")


def read_toml(path: Path, allowed: str = "TOML in UTF-8") -> dict[str, Any]:
    """Read a TOML file.

    ``allowed``: what is expected there, in the reader's words. Raises ``LogFault`` if it is no
    ordinary file, larger than a megabyte, not TOML in UTF-8, or holds a name of more than 32 parts,
    tables or lists as deep, or a whole number beyond 64 bits.
    """

    def refused(found: str, said: str = allowed) -> LogFault:
        return LogFault([Fault(path.name, None, "", found, said)])

    try:
        if path.exists() and not path.is_file():
            raise refused("no ordinary file")
        if path.stat().st_size > MAX_BYTES:
            raise refused("a larger file", f"at most {MAX_BYTES / 1e6:g} MB")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise refused("no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise refused(str(error)) from None
    deep = f"names, tables and lists at most {MAX_DEPTH} deep"
    if _longest_name(text) > MAX_DEPTH:
        raise refused(f"a name of more than {MAX_DEPTH} parts", deep)
    try:
        raw = tomllib.loads(text)
    except ValueError as error:
        raise refused(str(error)) from None
    except RecursionError:
        raise refused("lists or tables nested too deeply", deep) from None
    faults = [Fault(path.name, None, *fault) for fault in _faults(raw, deep)]
    if faults:
        raise LogFault(faults)
    return raw


def _longest_name(text: str) -> int:
    """Most parts a dotted name may have; counted before reading, as reading it is what hangs."""
    pieces = _BETWEEN.split(_QUOTED.sub("q", text))
    return max(piece.count(".") for piece in pieces) + 1


def _faults(raw: dict[str, Any], deep: str) -> list[tuple[str, str, str]]:
    """Place, what was found and what is allowed, of everything too deep or too large."""
    out, left = [], [("", 0, raw)]
    while left:
        where, depth, value = left.pop()
        if depth > MAX_DEPTH:
            out.append((where.split(".")[0], "tables nested too deeply", deep))
        elif isinstance(value, dict):
            left += [(f"{where}.{k}".lstrip("."), depth + 1, v) for k, v in value.items()]
        elif isinstance(value, list):
            left += [(f"{where}[{i}]", depth + 1, v) for i, v in enumerate(value, 1)]
        elif isinstance(value, int) and abs(value) > _LARGEST:
            out.append((where, "a huge number", "a whole number of at most 64 bits"))
    return out


T = TypeVar("T")


def as_dict(section: Any) -> dict[str, Any]:
    """Return the fields of one section, nested sections as they are."""
    return {f.name: getattr(section, f.name) for f in dataclasses.fields(section)}


def setting_fault(where: str, found: object, allowed: str) -> Fault:
    """Name one fault of settings.toml."""
    return Fault("settings.toml", None, where, str(found), allowed)


def build(kind: type[T], start: dict[str, Any], raw: Any, out: tuple[str, list[Fault]]) -> T:
    """Make one section from its start values and what the file says.

    ``out`` is the dotted place of the section and the list that takes the faults.
    """
    at, faults = out
    if not isinstance(raw, dict):
        faults.append(setting_fault(at.rstrip("."), raw, "a table"))
        return kind(**start)
    known = {f.name: f for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    hints = _kinds_of(typing.cast(typing.Any, kind))
    values = dict(start)
    for name, found in raw.items():
        if name not in known:
            faults.append(setting_fault(at + name, name, "one of " + ", ".join(known)))
            continue
        now = values.get(name, getattr(kind, name, None))
        values[name] = _value(hints[name], known[name].metadata, found, now, (at + name, faults))
    return kind(**values)


@functools.cache
def _kinds_of(section: Hashable) -> dict[str, Any]:
    return typing.get_type_hints(section)


def _value(hint: Any, about: Any, found: Any, now: Any, out: tuple[str, list[Fault]]) -> Any:
    where, faults = out
    if dataclasses.is_dataclass(hint):
        start = as_dict(now) if dataclasses.is_dataclass(now) else {}
        return build(typing.cast(type, hint), start, found, (where + ".", faults))
    if typing.get_origin(hint) is list:
        inner = typing.get_args(hint)[0]
        if not isinstance(found, list):
            faults.append(setting_fault(where, found, "a list"))
            return []
        spots = [(f"{where}[{i + 1}]", faults) for i in range(len(found))]
        return [_value(inner, {}, v, None, s) for v, s in zip(found, spots, strict=True)]
    return _scalar(hint, about, found, out)


def _scalar(hint: Any, about: Any, found: Any, out: tuple[str, list[Fault]]) -> Any:
    where, faults = out
    kinds = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    if float in kinds and isinstance(found, int) and not isinstance(found, bool):
        found = float(found)
    wanted = next(k for k in kinds if k is not type(None))
    origin = typing.get_origin(wanted) or wanted
    if not isinstance(found, origin) or (origin is int and isinstance(found, bool)):
        words = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}
        faults.append(setting_fault(where, found, words.get(origin, "a table")))
        return None
    limits, choices = about.get("limits"), about.get("choices")
    if choices and found not in choices:
        faults.append(setting_fault(where, found, "one of " + ", ".join(choices)))
    if limits and not limits[0] <= found <= limits[1]:
        faults.append(setting_fault(where, found, f"from {limits[0]:g} to {limits[1]:g}"))
    return found


_MONEY, _SHARE, _DAYS, _HOURS = (0.0, 1e9), (0.0, 1.0), (0.0, 1000.0), (0.0, 1000.0)


def _s(
    default: Any, meaning: str, unit: str = "", limits: tuple[float, float] | None = None
) -> Any:
    about = {"meaning": meaning, "unit": unit, "limits": limits}
    if isinstance(default, list | dict):
        return field(default_factory=lambda: type(default)(default), metadata=about)
    return field(default=default, metadata=about)


def _choice(default: str, choices: tuple[str, ...], meaning: str) -> Any:
    return field(default=default, metadata={"meaning": meaning, "unit": "", "choices": choices})


@dataclass(frozen=True)
class Bench:
    """Bench time, the scarce resource."""

    rate_per_hour: float = _s(28.0, "wage cost of a bench hour", "money/h", _MONEY)
    hours_per_week: float | None = _s(
        None, "bench hours there are; without limit if not named", "h/week", (0.0, 168.0)
    )
    test_hours: float = _s(0.75, "receiving, testing and diagnosing one unit", "h", _HOURS)


@dataclass(frozen=True)
class Targets:
    """What a bought unit must earn, where the owner asks for more than the rule does: optional."""

    profit: float | None = _s(None, "profit per unit", "money", _MONEY)
    margin: float | None = _s(None, "profit as share of expected revenue", "share", _SHARE)
    return_on_cash: float | None = _s(None, "profit on landed cost and parts", "share", (0.0, 10.0))
    profit_per_bench_hour: float | None = _s(
        None, "profit before wages per bench hour", "money/h", _MONEY
    )


@dataclass(frozen=True)
class Limits:
    """How much risk is taken. A limit the owner sets that binds is named, with what it costs."""

    working_cash: float | None = _s(
        None, "cash the business can tie up, stock at cost included", "money", _MONEY
    )
    risk_tolerance: float | None = _s(
        None,
        "risk tolerance; (working cash + stock at cost) / 6 where cash is named, else none is taken"
        " off for risk; inf: risk-neutral",
        "money",
        (1e-6, float("inf")),
    )
    least_win_chance: float = _s(
        0.10, "bidding on lots won less often than this is not advised", "share", _SHARE
    )
    probability_loss: float | None = _s(None, "highest accepted chance of loss", "share", _SHARE)
    loss_cap_share: float | None = _s(None, "worst state may cost this of cash", "share", _SHARE)
    rivals: int = _s(0, "serious bidders besides us; 0 for fixed prices", "bidders", (0, 100))
    lowest_lot_cost: float = _s(5.0, "bids below are not worth handling", "money", _MONEY)
    bid_increment: float = _s(1.0, "bids are rounded down to this", "money", (0.01, 1e6))
    minimum_sales: int = _s(
        5, "sales of a model below which it has 'few sales'", "sales", (0, 1000)
    )
    held_share: float = _s(
        0.02, "share of rows held for review that fails a check", "share", _SHARE
    )
    lot_size: int = _s(1, "like units bought and judged together", "units", (1, 10000))


@dataclass(frozen=True)
class Tier:
    """One step of a buyer's premium."""

    above: float = _s(0.0, "hammer price from which the rate holds", "money", _MONEY)
    rate: float = _s(0.0, "premium on the part of the hammer price above it", "share", _SHARE)


@dataclass(frozen=True)
class Duty:
    """What customs take, from a day on."""

    valid_from: str = _s("1970-01-01", "first day of these rates, YYYY-MM-DD")
    duty_rate: float = _s(0.0, "import duty", "share", _SHARE)
    import_tax_rate: float = _s(0.0, "import tax not recovered", "share", _SHARE)
    clearance_fee: float = _s(0.0, "customs clearance per unit", "money", _MONEY)


@dataclass(frozen=True)
class Purchase:
    """What it costs to get a unit to the bench, besides the bid."""

    premium: list[Tier] = _s([Tier(0.0, 0.18)], "buyer's premium by tier")
    premium_tax_rate: float = _s(0.0, "tax on the premium that is not recovered", "share", _SHARE)
    hammer_tax_rate: float = _s(0.0, "tax on the hammer price not recovered", "share", _SHARE)
    lot_fee: float = _s(0.0, "fixed fee per lot", "money", _MONEY)
    inbound: float = _s(12.0, "carriage to the bench", "money", _MONEY)
    imported: bool = _s(False, "whether lots cross a customs border")
    duty_rate: float = _s(0.0, "import duty, if imported", "share", _SHARE)
    import_tax_rate: float = _s(0.0, "import tax not recovered, if imported", "share", _SHARE)
    clearance_fee: float = _s(0.0, "customs clearance, if imported", "money", _MONEY)
    duties: list[Duty] = _s([], "dated duty, tax and clearance; they replace the three above")


@dataclass(frozen=True)
class Channel:
    """What a sales channel keeps, from a day on."""

    name: str = _s("", "name as in sales.csv")
    percentage_fee: float = _s(0.0, "share of the price", "share", _SHARE)
    payment_fee: float = _s(0.0, "payment provider's share of the price", "share", _SHARE)
    fixed_fee: float = _s(0.0, "fixed fee per order", "money", _MONEY)
    valid_from: str = _s("1970-01-01", "first day of these fees, YYYY-MM-DD")


@dataclass(frozen=True)
class Sale:
    """What it costs to sell a unit."""

    channel: str = _s("", "channel used for planning; the first one if empty")
    carriage: float = _s(9.8, "carriage to the buyer", "money", _MONEY)
    packaging: float = _s(2.4, "box and filling", "money", _MONEY)


@dataclass(frozen=True)
class Reserve:
    """What is put aside per unit sold repaired."""

    return_rate: float = _s(0.07, "units coming back", "share", _SHARE)
    return_cost: float = _s(38.0, "cost of one return", "money", _MONEY)
    warranty_rate: float = _s(0.03, "units failing within the warranty", "share", _SHARE)
    warranty_cost: float = _s(145.0, "cost of one such failure", "money", _MONEY)


@dataclass(frozen=True)
class Collateral:
    """Something that may break while opening a unit."""

    name: str = _s("", "what breaks")
    probability: float = _s(0.0, "how often", "share", _SHARE)
    part_cost: float = _s(0.0, "part that replaces it", "money", _MONEY)
    hours: float = _s(0.0, "extra bench time", "h", _HOURS)


@dataclass(frozen=True)
class PartQuality:
    """What a unit fetches and risks with a part of one quality class."""

    name: str = _s("", "quality class as in part_quotes.csv")
    price_factor: float = _s(1.0, "resale price with it, against usual", "ratio", (0.1, 2.0))
    return_rate: float = _s(0.07, "units coming back", "share", _SHARE)
    warranty_rate: float = _s(0.03, "units failing within the warranty", "share", _SHARE)


@dataclass(frozen=True)
class Repair:
    """What a repair costs besides the main parts."""

    adhesive: float = _s(6.5, "seals and adhesive", "money", _MONEY)
    consumables: float = _s(2.0, "solvent, film, tape, wipes", "money", _MONEY)
    collateral: list[Collateral] = _s([], "what may break while opening")
    doa_rate: float = _s(0.04, "parts arriving dead, where the quote is silent", "share", _SHARE)
    doa_carriage: float = _s(7.5, "sending a dead part back", "money", _MONEY)
    doa_hours: float = _s(0.5, "fitting the replacement", "h", _HOURS)
    doa_delay_cost: float = _s(9.0, "cost of the delay", "money", _MONEY)
    reuse_factor: float = _s(0.7, "worth of a part recovered from a failed job", "share", _SHARE)
    failed_as_is_factor: float = _s(
        0.68, "as-is price after a failed repair, against before", "share", _SHARE
    )
    quality_order: list[str] = _s(
        [], "part qualities, the preferred first; if empty the best of each part is taken"
    )
    quote_days: float = _s(60.0, "quotes older than this are marked as old", "days", _DAYS)
    qualities: list[PartQuality] = _s([], "what differs by part quality; none if empty")


@dataclass(frozen=True)
class Delay:
    """Days between paying for a unit and being paid for it, besides the part's lead time."""

    inbound_days: float = _s(5.0, "from the seller to us", "days", _DAYS)
    queue_days: float = _s(4.0, "waiting for the bench", "days", _DAYS)
    bench_days: float = _s(1.0, "on the bench", "days", _DAYS)
    listing_days: float = _s(1.0, "photos and listing", "days", _DAYS)
    selling_days: float = _s(20.0, "until it sells", "days", _DAYS)
    part_lead_days: float = _s(14.0, "waiting for parts, where quotes are silent", "days", _DAYS)
    capital_rate: float = _s(0.12, "yearly cost of cash tied up", "share/year", (0.0, 5.0))

    @property
    def ready_days(self) -> float:
        """From ready for sale to paid."""
        return self.listing_days + self.selling_days

    @property
    def parts_days(self) -> float:
        """From parts on the bench to paid: so long cash in parts is tied up."""
        return self.bench_days + self.listing_days + self.selling_days

    @property
    def untouched_days(self) -> float:
        """From paying for a unit to being paid for it as it is."""
        return self.inbound_days + self.queue_days + self.listing_days + self.selling_days

    def maker_days(self, lead: float) -> float:
        """From paying for a unit to being paid for it mended by its maker in ``lead`` days."""
        return self.inbound_days + lead + self.listing_days + self.selling_days


@dataclass(frozen=True)
class Maker:
    """The maker's own repair service as an alternative."""

    success: float = _s(0.98, "share of units it accepts and repairs", "share", _SHARE)
    carriage: float = _s(14.0, "carriage both ways", "money", _MONEY)
    admin_hours: float = _s(0.3, "our time for the paperwork", "h", _HOURS)
    refused_fee: float = _s(25.0, "fee if refused, where the quote is silent", "money", _MONEY)
    lead_days: float = _s(10.0, "turnaround, where the quote is silent", "days", _DAYS)
    reserve: float = _s(4.5, "reserve per unit sold with the maker's repair", "money", _MONEY)
    price_factor: float = _s(
        1.0, "resale price with genuine parts, against ours", "ratio", (0.5, 2)
    )


@dataclass(frozen=True)
class PartOut:
    """Breaking a unit down for its parts."""

    price_factor: float = _s(0.45, "price of a used part, against an original", "share", _SHARE)
    sold_share: float = _s(0.8, "parts that find a buyer in time", "share", _SHARE)
    hours: float = _s(1.25, "harvesting, testing and listing", "h", _HOURS)
    carriage_per_part: float = _s(4.2, "carriage per part sold", "money", _MONEY)


@dataclass(frozen=True)
class Tax:
    """Tax on the sale; off by default. This is not tax advice: ask your adviser."""

    scheme: str = _choice("none", ("none", "on_sale", "margin", "special_credit"), "tax on a sale")
    rate: float = _s(0.0, "the rate, for example 0.20", "share", _SHARE)
    premium_in_margin: bool = _s(True, "whether the premium belongs to the purchase price")
    credit_threshold: float = _s(300.0, "special_credit: whole up to this price", "money", _MONEY)


@dataclass(frozen=True)
class Reading:
    """How the logs are read."""

    repost_days: int = _s(
        14, "an offer seen again within so many days counts once; 0: each counts", "days", (0, 365)
    )


@dataclass(frozen=True)
class Settings:
    """Every setting of a workspace; a section is an attribute."""

    currency: str = _s("", "settlement currency, ISO 4217; the sales' only one if empty")
    month_days: float = _s(AVERAGE_MONTH_DAYS, "days in a month", "days", (28.0, 31.0))
    seed: int = _s(1, "seed of every random draw", "", (0, 2**31))
    draws: int = _s(500, "joint draws per forecast", "draws", (10, 100000))
    grade_order: list[str] = _s(["A", "B", "C", "D"], "grades, the best first")
    reading: Reading = Reading()
    bench: Bench = Bench()
    targets: Targets = Targets()
    limits: Limits = Limits()
    purchase: Purchase = Purchase()
    channels: list[Channel] = _s([Channel("marketplace", 0.11, 0.029, 0.65)], "channels")
    sale: Sale = Sale()
    reserve: Reserve = Reserve()
    repair: Repair = Repair()
    delay: Delay = Delay()
    maker: Maker = Maker()
    part_out: PartOut = PartOut()
    tax: Tax = Tax()
    by_class: dict[str, Any] = _s({}, "settings for one kind of device")

    @property
    def planned_channel(self) -> str:
        """Channel that sales are planned with: the one named, else the first; empty if none is."""
        return self.sale.channel or (self.channels[0].name if self.channels else "")

    def for_class(self, device_class: str) -> Settings:
        """Return these settings with what ``[by_class.<class>]`` replaces."""
        changes = self.by_class.get(device_class, {})
        return build(Settings, {**as_dict(self), "by_class": {}}, changes, ("", []))


def read_settings(folder: str | Path) -> Settings:
    """Read ``settings.toml`` of a workspace; without the file, every setting has its default.

    Raises
    ------
    LogFault
        With every unknown name, wrong kind of value and value outside its limits.
    """
    path = Path(folder) / "settings.toml"
    if not path.exists():
        return Settings()
    raw = read_toml(path)
    faults: list[Fault] = []
    settings = build(Settings, {}, raw, ("", faults))
    _check_whole(settings, faults)
    if faults:
        raise LogFault(faults)
    return settings


def _check_whole(settings: Settings, faults: list[Fault]) -> None:
    whole = faults_between(settings)
    for name, changes in (settings.by_class or {}).items():
        if name not in CLASSES:
            faults.append(setting_fault(f"by_class.{name}", name, "one of " + ", ".join(CLASSES)))
        elif not isinstance(changes, dict):
            faults.append(setting_fault(f"by_class.{name}", changes, "a table of sections"))
        elif "by_class" in changes:
            faults.append(
                setting_fault(f"by_class.{name}.by_class", "by_class", "settings for one class")
            )
        else:
            at, start = f"by_class.{name}.", {**as_dict(settings), "by_class": {}}
            own = faults_between(build(Settings, start, changes, (at, faults)))
            faults += [replace(f, column=at + f.column) for f in own if f not in whole]
    faults += whole


def faults_between(settings: Any) -> list[Fault]:
    """Name what contradicts itself in settings that are each within their limits.

    ``settings``: ``tables.settings.Settings`` as built; a value refused already is None and passed
    over.
    """
    out = _days(settings) + _once("grade_order", settings.grade_order)
    out += _once("repair.quality_order", settings.repair.quality_order)
    if settings.currency and not re.fullmatch("[A-Z]{3}", settings.currency):
        out.append(setting_fault("currency", settings.currency, "an ISO 4217 code such as EUR"))
    names = [c.name for c in settings.channels]
    if settings.sale.channel and settings.sale.channel not in names:
        allowed = "one of " + ", ".join(str(n) for n in names)
        out.append(setting_fault("sale.channel", settings.sale.channel, allowed))
    return out


def _days(settings: Any) -> list[Fault]:
    dated = [(f"channels[{i}]", c) for i, c in enumerate(settings.channels, 1)]
    dated += [(f"purchase.duties[{i}]", d) for i, d in enumerate(settings.purchase.duties, 1)]
    return [
        setting_fault(f"{where}.valid_from", one.valid_from, "a day that exists, YYYY-MM-DD")
        for where, one in dated
        if one.valid_from is not None and not _is_day(one.valid_from)
    ]


def _is_day(text: str) -> bool:
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
        return False
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _once(where: str, names: list[Any]) -> list[Fault]:
    return [
        setting_fault(where, f"{name} twice", "each name once")
        for name in sorted({n for n in names if n is not None and names.count(n) > 1})
    ]
