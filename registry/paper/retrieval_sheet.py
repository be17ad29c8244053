"""The sheet to fill in by hand at a pile: one per pile and retrieval day, its columns those of the
upload, so that typing it in afterwards is copying."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date

from registry.columns import RETRIEVALS
from registry.paper.labels import PURPOSES, lines
from registry.paper.typeset import typeset

# What the pen writes at the pile, and what the laboratory adds; the rest stands once at the top.
AT_THE_PILE: tuple[str, ...] = (
    *("outcome", "reburied", "fragmentation", "growth"),
    *("brittleness", "cracking", "discolouration", "wet_mass_g"),
)
IN_THE_LABORATORY = ("dry_mass_g", "ash_pct", "contaminant_ash_pct")
ONCE = ("retrieved_on", "observer", "sieve_mm", "drying_c")
OUTCOMES = (
    ("recovered", "There is residue, weighed or scored."),
    ("nothing_left", "The bag is whole and empty: a true zero. Take a photo."),
    ("bag_lost", "The bag was not found. Missing: write no mass, never 0."),
    ("bag_damaged", "The bag is torn or open. Missing: write no mass, never 0."),
    ("looked_at", "Scored in place and left in the pile, not weighed."),
)
SCALES = ("fragmentation", "growth", "brittleness", "cracking", "discolouration")
SAFETY = (
    "A working pile scalds: long probe, gloves, face away from the steam. At 70 to 80 °C look out "
    "for fire; above 80 °C over a large zone do not open the pile, call the fire service.",
    "Opening, turning and sieving release spores and endotoxin. Damp the material, stand upwind, "
    "wear a fitted respirator as local rules ask. With asthma or a weak immune system ask a doctor "
    "first.",
    "Nobody near a working turner; lock it out before clearing its shaft. Count bags and probes in "
    "and out. Wires, clips, glass: gloves that no tip goes through.",
    "Your site's safety officer has the last word.",
)


@dataclass(frozen=True, slots=True)
class SheetBag:
    bag_label: str
    material: str
    purpose: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """Bags of one pile that come out on one planned day; `planned_days` None when none is planned.

    `due_from` and `due_until` differ when the bags of a pile were buried on several days.
    """

    trial: str
    trial_title: str
    site: str
    site_name: str
    pile: str
    planned_days: int | None
    due_from: date | None
    due_until: date | None
    window_days: int
    bags: tuple[SheetBag, ...]


def retrieval_sheets(sheets: Sequence[Sheet]) -> bytes:
    """PDF of the sheets, each beginning on a page of its own."""
    return typeset("retrieval_sheet", sheets_data(sheets))


def sheets_data(sheets: Sequence[Sheet]) -> dict[str, object]:
    return {
        "columns": [_column(name) for name in (*AT_THE_PILE, *IN_THE_LABORATORY)],
        "n_at_the_pile": len(AT_THE_PILE),
        "once": list(ONCE),
        "outcomes": [{"word": word, "meaning": meaning} for word, meaning in OUTCOMES],
        "scales": [{"word": name, "meaning": RETRIEVALS.column(name).meaning} for name in SCALES],
        "safety": list(SAFETY),
        "sheets": [_sheet(sheet) for sheet in sheets],
    }


def _column(name: str) -> dict[str, str]:
    declared = RETRIEVALS.column(name)
    if name in SCALES:
        return {"name": name, "hint": f"{declared.low:g} to {declared.high:g}"}
    return {"name": name, "hint": "yes or no" if name == "reburied" else ""}


def _sheet(sheet: Sheet) -> dict[str, object]:
    return asdict(sheet) | {
        "due_from": None,
        "due_until": None,
        "day": _day(sheet),
        "due": _due(sheet),
        "bags": [
            asdict(bag)
            | {"name": lines(bag.bag_label), "stuff": lines(bag.material)}
            | {"purpose": PURPOSES.get(bag.purpose, "").partition(":")[0].lower()}
            for bag in sheet.bags
        ],
    }


def _day(sheet: Sheet) -> str:
    return "no day planned" if sheet.planned_days is None else f"day {sheet.planned_days}"


def _due(sheet: Sheet) -> str:
    if sheet.due_from is None or sheet.due_until is None:
        return ""
    first, last = sheet.due_from.isoformat(), sheet.due_until.isoformat()
    span = first if first == last else f"{first} to {last}"
    return f"{span}, ± {sheet.window_days} days counts as on time"
