"""The usual cautions, chosen by what a recommendation concerns and shown beside it.

Orientation only: every one defers to local law, codes and licensed practice, and names its
sources; what none was found for says 'common practice, no source'.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

DEFER = (
    "Orientation only: local law, codes and licensed practice come first; "
    "ask the authority or a qualified adviser."
)
BEFORE_BUYING = (
    "Check registry, ownership and locks before every bid, keep the dated result, and treat "
    "swollen or wet units as dangerous goods. Local law, codes and licensed practice come first; "
    "ask a qualified adviser."
)
_ANY = ("",)


@dataclass(frozen=True)
class Caution:
    """One caution: the step it belongs to, what sets it off, its heading, text and sources.

    ``words`` are looked for in faults, states and part codes in words; ``classes`` in the kind
    of device; either suffices. An empty word matches always.
    """

    step: str
    heading: str
    text: str
    source: str
    words: tuple[str, ...] = ()
    classes: tuple[str, ...] = ()


CAUTIONS = (
    Caution(
        "buying",
        "Stolen, blocked or still financed",
        "Check the device registry and proof of purchase before bidding and again before selling, "
        "and keep the dated result; a clean check is not title. Blocked units are not traded: "
        "report or return them as the law where you are says.",
        "an industry association's FAQ on its device registry (a flagged device goes back to "
        "who flagged it); that a clean check is not title: common practice, no source",
        classes=("phone", "foldable", "tablet", "laptop", "watch", "console"),
    ),
    Caution(
        "buying",
        "Locked units",
        "Buy only once the owner has removed every lock; employer-managed units need a release. "
        "Nothing here helps to get past a lock. Ask the authority where ownership is in doubt.",
        "common practice, no source",
        words=("locked", "lock"),
    ),
    Caution(
        "buying",
        "Waste and shipping across borders",
        "An untested broken unit that crosses a border may count as waste and need consent first; "
        "used equipment usually needs a test record and proper packing. Ask the waste authority "
        "before importing.",
        "Basel Convention, entries A1181 and Y49, consent for all e-waste from 1 January 2025 "
        "(basel.int); used equipment: Directive 2012/19/EU, Annex VI, and its British copy, "
        "Schedule 9 (legislation.gov.uk)",
        words=_ANY,
    ),
    Caution(
        "buying",
        "Tax, duty and dealer's duties",
        "Margin schemes, import duty and second-hand dealers' registers and holding periods "
        "differ by country and change; the bid uses what settings.toml says. Ask a tax adviser.",
        "margin scheme: Directive 2006/112/EC, articles 311 to 343, and gov.uk's VATMARG "
        "manual; registers and holding periods: councils' pages (stockport.gov.uk, "
        "pendle.gov.uk) and justice.govt.nz",
        words=_ANY,
    ),
    Caution(
        "repairing",
        "Lithium cells",
        "Swollen, pierced, wet or hot cell: stop, do not charge, press or post; isolate it in a "
        "fire-resistant place and hand it to a licensed collection. Such units are worth their "
        "disposal cost, not an as-is price. Sound cells have packing rules too: ask the carrier.",
        "UN 3480 and 3481, special provision 376, packing instructions P908, P911, LP904, LP906 "
        "(batteriestransport.org); isolating and collection: common practice, no source",
        words=("battery", "swollen", "display", "back", "board", "port", "hinge", "liquid", "wet"),
    ),
    Caution(
        "repairing",
        "Solvents and fumes",
        "Isopropanol catches fire from about 12 °C: small bottles, no hot plate beside an open "
        "one, ventilation; extract flux and adhesive fumes. The product's safety sheet and "
        "workplace rules come first.",
        "NIOSH Pocket Guide, isopropyl alcohol: flash point 53 degrees F, 400 ppm, 500 ppm "
        "short term; the rest: common practice, no source",
        words=("display", "back", "battery", "board", "seal", "glass", "hinge"),
    ),
    Caution(
        "repairing",
        "Glass, eyes and heat",
        "Tape cracked glass, wear safety glasses and cut-resistant gloves, bin shards as sharps; "
        "heat plates burn. Laser work only enclosed and by trained people.",
        "common practice, no source",
        words=("display", "glass", "back"),
    ),
    Caution(
        "repairing",
        "Mains parts",
        "Power supplies hold a charge after unplugging: a qualified person only, as the electrical "
        "code where you are says.",
        "common practice, no source",
        words=("power supply",),
        classes=("console", "laptop"),
    ),
    Caution(
        "repairing",
        "Static discharge",
        "Boards and displays die of sparks nobody feels: mat, wrist strap with resistor, shielding "
        "bags. IEC 61340-5-1 is the standard to follow.",
        "IEC 61340-5-1, parts sensitive from 100 V (abstract at webstore.ansi.org)",
        words=("board", "display", "camera", "flex"),
    ),
    Caution(
        "selling",
        "Leftover data",
        "Erase before sale, check it, and record method, day and person (NIST SP 800-88 has the "
        "terms); a board that cannot be erased: destroy its storage or keep it off sale. Never "
        "browse what is found; privacy law applies.",
        "NIST SP 800-88 Rev. 2, September 2025 (summaries; the original was not opened); "
        "privacy law: Regulation (EU) 2016/679, from memory",
        words=_ANY,
    ),
    Caution(
        "selling",
        "Buyers' rights",
        "Disclose non-original parts, battery health and known faults; 'sold as seen' does not "
        "remove a consumer's rights. Units sold to be repaired must be marked as such. The reserve "
        "must last as long as the liability where you sell: ask an adviser.",
        "Directive (EU) 2019/771, articles 10 and 11, and Regulation (EU) 2023/988, article "
        "2(3), both from memory; Consumer Rights Act 2015 as told by legaldocuments.co.uk",
        words=_ANY,
    ),
    Caution(
        "selling",
        "Water resistance",
        "A new seal does not restore a rating: claim none unless tested and provable. Wording that "
        "is safe in most places: 'not tested for water resistance after repair'.",
        "a regulator obtained AUD 14 million over claims of water resistance "
        "(Australia, 2022); the wording: common practice, no source",
        words=("seal", "display", "back", "battery", "liquid"),
        classes=("watch",),
    ),
)


@dataclass(frozen=True)
class Chosen:
    """A caution and the faults or states it concerns here (empty: all of them)."""

    heading: str
    text: str
    concerns: tuple[str, ...]


def cautions_for(step: str, device_class: str, subjects: Iterable[str]) -> list[Chosen]:
    """Choose the cautions that belong to one step.

    Parameters
    ----------
    step
        'buying', 'repairing' or 'selling'.
    subjects
        Faults, states and parts in words, as shown on the page.
    """
    names = list(dict.fromkeys(subjects))
    chosen = []
    for caution in CAUTIONS:
        if caution.step != step:
            continue
        hits = [n for n in names if any(w and w in n.lower() for w in caution.words)]
        always = "" in caution.words or device_class in caution.classes
        if hits or always:
            concerns = () if always else tuple(hits)
            chosen.append(Chosen(caution.heading, caution.text, concerns))
    return chosen
