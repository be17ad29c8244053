"""Bag labels: a large name, where the bag lies, what is in it, when it comes out, and a QR code.

The code opens the form for a look at this bag. A sheet has 14 labels of 99.1 × 38.1 mm on A4,
a size that stationers sell (common practice, no source); a strip has one label a page, for a label
printer with a roll of 102 mm.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from registry.paper.qr import qr_svg
from registry.paper.typeset import typeset

SIZES = ("sheet", "strip")
PURPOSES = {"travel": "TRAVEL BAG: bury and lift on day 0", "empty": "EMPTY BAG"}
# Side of the printed symbol in millimetres, quiet zone included.
QR_MM = 34.0
# Letters of a line that is read at arm's length.
LONGEST_LINE = 22


@dataclass(frozen=True, slots=True)
class BagLabel:
    """One bag. `planned_days` counts from the burial; `due_on` is that day, None without a plan."""

    trial: str
    bag_label: str
    site: str
    pile: str
    material: str
    purpose: str
    planned_days: int | None
    due_on: date | None


def look_address(base_url: str, trial: str, bag_label: str) -> str:
    """The page with the form for a look at this bag."""
    return f"{base_url}/trials/{trial}/bags/{bag_label}/look/"


def bag_labels(labels: Sequence[BagLabel], *, base_url: str, size: str = "sheet") -> bytes:
    """PDF of labels, in the order given; `size` is one of `SIZES`."""
    return typeset("labels", labels_data(labels, base_url=base_url, size=size))


def labels_data(labels: Sequence[BagLabel], *, base_url: str, size: str) -> dict[str, object]:
    return {
        "size": size,
        "qr_mm": QR_MM,
        "trials": sorted({label.trial for label in labels}),
        "labels": [
            {
                "trial": label.trial,
                "bag_label": label.bag_label,
                "name": lines(label.bag_label),
                "place": place_lines(label),
                "material": lines(label.material),
                "purpose": PURPOSES.get(label.purpose, ""),
                "planned": planned(label),
                "qr": qr_svg(look_address(base_url, label.trial, label.bag_label)),
            }
            for label in labels
        ],
    }


def lines(code: str) -> list[str]:
    """A code on one line, or on two when it would be too small to read on one.

    Broken after the hyphen or underscore nearest the middle, in the middle when there is none.
    """
    if len(code) <= LONGEST_LINE:
        return [code]
    middle = len(code) // 2
    ends = [at + 1 for at, letter in enumerate(code[:-1]) if letter in "-_"]
    near = min(ends, key=lambda at: abs(at - middle), default=middle)
    at = near if max(near, len(code) - near) <= LONGEST_LINE else middle
    return [code[:at], code[at:]]


def place_lines(label: BagLabel) -> list[str]:
    place = f"{label.site} · {label.pile}"
    return [place] if len(place) <= LONGEST_LINE else [*lines(label.site), *lines(label.pile)]


def planned(label: BagLabel) -> str:
    if label.planned_days is None or label.due_on is None:
        return "no day planned"
    return f"lift on day {label.planned_days}: {label.due_on.isoformat()}"
