"""Every column of every upload kind, declared once.

Parsing, range checks, single-record input, OpenAPI descriptions, CSV templates, the Table Schema of
a release and the data dictionary read these records. Ranges are the trade's plausible ranges; a
value outside is refused, so a slip (mm for µm, grams for kilograms) is caught at the edge.
Ranges without a named source are common practice, no source.
"""

from dataclasses import dataclass
from enum import Enum


class Kind(Enum):
    """How a cell is read."""

    CODE = "code"  # A–Z, 0–9, - and _, 2–40 characters
    TEXT = "text"
    NUMBER = "number"
    INTEGER = "integer"
    DATE = "date"  # ISO 8601, 2026-03-04
    DATETIME = "datetime"  # ISO 8601, with offset or naive in the site's zone
    CHOICE = "choice"
    YES_NO = "yes_no"


CODE_PATTERN = r"^[A-Z0-9_-]{2,40}$"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: `low` and `high` are inclusive and in `unit`; `unit` is a UCUM code."""

    name: str
    kind: Kind
    meaning: str
    required: bool = False
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    max_length: int = 200
    example: str = ""


@dataclass(frozen=True, slots=True)
class UploadKind:
    """One kind of upload. `key` names the columns that identify a record within the registry."""

    name: str
    noun: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    meaning: str

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    @property
    def required(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns if column.required)

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


FORMS = ("pot", "tray", "plug", "film", "mat", "twine", "clip", "sheet", "foam", "other")
ROLES = ("test", "positive_control", "negative_control")
FUNCTIONS = ("polymer", "filler", "fibre", "plasticiser", "coating", "additive")
PILE_KINDS = ("heap", "bin", "tumbler", "windrow", "in_vessel")
STRATA = ("core", "mid", "edge")
PURPOSES = ("sample", "travel", "empty")
OUTCOMES = ("recovered", "nothing_left", "bag_lost", "bag_damaged", "looked_at")

_SITE = Column("site", Kind.CODE, "code of the site", required=True, example="NORTHFIELD")
_PILE = Column(
    "pile", Kind.CODE, "code of the pile, unique within its site", required=True, example="P1"
)
_TRIAL = Column("trial", Kind.CODE, "code of the trial", required=True, example="POTS-2026")
_MATERIAL = Column("material", Kind.CODE, "code of the material", required=True, example="COIR-POT")
_BAG = Column(
    "bag_label",
    Kind.CODE,
    "label on the bag, unique within the trial",
    required=True,
    example="NF-P1-0042",
)
_NOTES = Column("notes", Kind.TEXT, "anything a reader should know", max_length=2000)
# A pile between too dry to work and dripping; wet basis, so never 100 % or more.
_MOISTURE = Column(
    "moisture_pct", Kind.NUMBER, "moisture, wet basis", unit="%", low=2, high=95, example="58"
)

MATERIALS = UploadKind(
    "materials",
    "material",
    (
        _MATERIAL,
        Column("name", Kind.TEXT, "what it is, in words", required=True, example="Coir pot, 9 cm"),
        Column(
            "form", Kind.CHOICE, "shape of the item", required=True, choices=FORMS, example="pot"
        ),
        Column(
            "role",
            Kind.CHOICE,
            "tested item, or a control that every pile carries",
            required=True,
            choices=ROLES,
            example="test",
        ),
        Column(
            "thickness_um",
            Kind.NUMBER,
            "wall thickness",
            unit="um",
            low=5,
            high=10_000,
            example="1800",
        ),
        Column(
            "area_density_g_m2",
            Kind.NUMBER,
            "mass per area",
            unit="g/m2",
            low=5,
            high=2000,
            example="640",
        ),
        Column("coating", Kind.TEXT, "coating, its side and mass; blank when uncoated"),
        Column("colour", Kind.TEXT, "colour as new", example="brown"),
        Column("batch", Kind.TEXT, "maker's batch", example="2026-02"),
        Column(
            "drying_limit_c",
            Kind.NUMBER,
            "highest drying temperature it tolerates",
            unit="Cel",
            low=20,
            high=200,
            example="105",
        ),
        Column(
            "initial_ash_pct",
            Kind.NUMBER,
            "ash of the item as new, of dry mass",
            unit="%",
            low=0,
            high=60,
            example="4.2",
        ),
        _NOTES,
    ),
    ("material",),
    "items on trial, and the controls",
)

COMPOSITIONS = UploadKind(
    "compositions",
    "composition",
    (
        _MATERIAL,
        Column("component", Kind.TEXT, "component", required=True, example="coir fibre"),
        Column(
            "function",
            Kind.CHOICE,
            "what it does in the item",
            required=True,
            choices=FUNCTIONS,
            example="fibre",
        ),
        Column(
            "mass_pct",
            Kind.NUMBER,
            "share of dry mass; the shares of a material add up to 100 ± 1",
            required=True,
            unit="%",
            low=0.01,
            high=101,
            example="92",
        ),
    ),
    ("material", "component"),
    "what a material is made of, by component",
)

PILES = UploadKind(
    "piles",
    "pile",
    (
        _SITE,
        _PILE,
        _TRIAL,
        Column(
            "kind", Kind.CHOICE, "sort of pile", required=True, choices=PILE_KINDS, example="bin"
        ),
        Column("started_on", Kind.DATE, "day it was built", required=True, example="2026-04-07"),
        Column("length_m", Kind.NUMBER, "length", unit="m", low=0.3, high=200, example="1.5"),
        Column("width_m", Kind.NUMBER, "width", unit="m", low=0.3, high=20, example="1.5"),
        Column(
            "height_m", Kind.NUMBER, "height at start", unit="m", low=0.3, high=5, example="1.2"
        ),
        Column(
            "volume_m3", Kind.NUMBER, "volume at start", unit="m3", low=0.05, high=2000, example="2"
        ),
        Column(
            "water_added_l",
            Kind.NUMBER,
            "water added when it was built",
            unit="L",
            low=0,
            high=100_000,
            example="80",
        ),
    ),
    ("site", "pile"),
    "compost piles of a trial",
)

FEEDSTOCKS = UploadKind(
    "feedstocks",
    "feedstock",
    (
        _SITE,
        _PILE,
        Column("ingredient", Kind.TEXT, "ingredient", required=True, example="chopped straw"),
        Column(
            "wet_mass_kg",
            Kind.NUMBER,
            "mass as is",
            required=True,
            unit="kg",
            low=0.01,
            high=1_000_000,
            example="120",
        ),
        _MOISTURE,
        Column(
            "carbon_pct", Kind.NUMBER, "carbon, of dry mass", unit="%", low=5, high=60, example="45"
        ),
        Column(
            "nitrogen_pct",
            Kind.NUMBER,
            "nitrogen, of dry mass",
            unit="%",
            low=0.05,
            high=15,
            example="0.7",
        ),
        Column(
            "bulk_density_kg_m3",
            Kind.NUMBER,
            "bulk density as is",
            unit="kg/m3",
            low=40,
            high=1100,
            example="130",
        ),
    ),
    ("site", "pile", "ingredient"),
    "ingredient lines of a pile's recipe",
)

TURNINGS = UploadKind(
    "turnings",
    "turning",
    (
        _SITE,
        _PILE,
        Column(
            "turned_at",
            Kind.DATETIME,
            "when the pile was turned; without an offset it is the site's own time",
            required=True,
            example="2026-04-21T09:30:00+02:00",
        ),
        Column(
            "water_added_l",
            Kind.NUMBER,
            "water added",
            unit="L",
            low=0,
            high=100_000,
            example="40",
        ),
        _MOISTURE,
        _NOTES,
    ),
    ("site", "pile", "turned_at"),
    "turnings of a pile",
)

TEMPERATURES = UploadKind(
    "temperatures",
    "temperature",
    (
        _SITE,
        _PILE,
        Column("probe", Kind.CODE, "code of the probe", required=True, example="CORE"),
        Column(
            "measured_at",
            Kind.DATETIME,
            "when; without an offset it is the site's own time",
            required=True,
            example="2026-04-21T10:00:00+02:00",
        ),
        Column(
            "temperature_c",
            Kind.NUMBER,
            "reading in °C; give this or temperature_f, not both",
            unit="Cel",
            low=-20,
            high=90,
            example="58.4",
        ),
        Column(
            "temperature_f",
            Kind.NUMBER,
            "reading in °F; give this or temperature_c, not both",
            unit="[degF]",
            low=-4,
            high=194,
            example="137.1",
        ),
    ),
    ("site", "pile", "probe", "measured_at"),
    "temperature readings of a pile's probes",
)

BAGS = UploadKind(
    "bags",
    "bag",
    (
        _TRIAL,
        _SITE,
        _PILE,
        _BAG,
        _MATERIAL,
        Column(
            "buried_on", Kind.DATE, "day the bag was buried", required=True, example="2026-04-07"
        ),
        Column(
            "initial_mass_g",
            Kind.NUMBER,
            "mass of the specimen when bagged, without the bag; air-dry when a moisture is given",
            required=True,
            unit="g",
            low=0.05,
            high=500,
            example="12.480",
        ),
        Column(
            "initial_moisture_pct",
            Kind.NUMBER,
            "moisture of the specimen when weighed, wet basis; blank means oven-dry",
            unit="%",
            low=0,
            high=50,
            example="6.5",
        ),
        Column("pieces", Kind.INTEGER, "pieces in the bag", low=1, high=1000, example="4"),
        Column(
            "mesh_mm", Kind.NUMBER, "aperture of the mesh", unit="mm", low=0.1, high=4, example="1"
        ),
        Column(
            "depth_cm", Kind.NUMBER, "depth of burial", unit="cm", low=1, high=150, example="60"
        ),
        Column("stratum", Kind.CHOICE, "zone of the pile", choices=STRATA, example="core"),
        Column(
            "planned_days",
            Kind.INTEGER,
            "planned days until it is lifted",
            unit="d",
            low=0,
            high=1100,
            example="56",
        ),
        Column(
            "purpose",
            Kind.CHOICE,
            "sample (also when blank), travel (buried and lifted on day 0), or empty",
            choices=PURPOSES,
            example="sample",
        ),
    ),
    ("trial", "bag_label"),
    "labelled mesh bags, each with one material",
)

RETRIEVALS = UploadKind(
    "retrievals",
    "retrieval",
    (
        _TRIAL,
        _BAG,
        Column(
            "retrieved_on",
            Kind.DATE,
            "day of the look, as it was, not as it was planned",
            required=True,
            example="2026-06-02",
        ),
        Column(
            "outcome",
            Kind.CHOICE,
            "recovered (weighed or scored), nothing_left (bag intact, a true zero), bag_lost or "
            "bag_damaged (both missing, never zero), looked_at (scored in place)",
            required=True,
            choices=OUTCOMES,
            example="recovered",
        ),
        Column("reburied", Kind.YES_NO, "yes when the bag went back into the pile", example="no"),
        Column("wet_mass_g", Kind.NUMBER, "residue as lifted", unit="g", low=0.0001, high=5000),
        Column(
            "dry_mass_g",
            Kind.NUMBER,
            "residue cleaned and dried to constant mass",
            unit="g",
            low=0.0001,
            high=3000,
            example="4.912",
        ),
        Column(
            "ash_pct", Kind.NUMBER, "ash of the residue, of dry mass", unit="%", low=0, high=100
        ),
        Column(
            "contaminant_ash_pct",
            Kind.NUMBER,
            "ash of the compost around the bag, of dry mass",
            unit="%",
            low=0,
            high=100,
        ),
        Column(
            "sieve_mm", Kind.NUMBER, "sieve aperture", unit="mm", low=0.05, high=25, example="2"
        ),
        Column(
            "drying_c",
            Kind.NUMBER,
            "drying temperature",
            unit="Cel",
            low=20,
            high=200,
            example="105",
        ),
        Column(
            "fragmentation",
            Kind.INTEGER,
            "0 whole, 1 edges frayed, 2 large pieces, 3 small pieces, 4 specks, 5 none found",
            low=0,
            high=5,
            example="2",
        ),
        Column("growth", Kind.INTEGER, "0 no growth to 5 fully overgrown", low=0, high=5),
        Column("brittleness", Kind.INTEGER, "0 as new to 4 crumbles", low=0, high=4),
        Column("cracking", Kind.INTEGER, "0 none to 4 all over", low=0, high=4),
        Column("discolouration", Kind.INTEGER, "0 as new to 4 all over", low=0, high=4),
        Column("observer", Kind.TEXT, "who looked", example="AB"),
        _NOTES,
    ),
    ("trial", "bag_label", "retrieved_on"),
    "looks at bags: what was left",
)

UPLOAD_KINDS: dict[str, UploadKind] = {
    kind.name: kind
    for kind in (
        MATERIALS,
        COMPOSITIONS,
        PILES,
        FEEDSTOCKS,
        TURNINGS,
        TEMPERATURES,
        BAGS,
        RETRIEVALS,
    )
}
KIND_NAMES = tuple(UPLOAD_KINDS)
