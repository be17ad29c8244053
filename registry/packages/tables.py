"""Every table of a release, declared once: columns, keys, and which columns are derived.

The columns a lab uploads are the upload kinds' own records; what the registry adds stands here.
Writing, the Table Schema, the data dictionary and the recomputation all read `TABLES`.
"""

from dataclasses import replace

from registry.columns import (
    BAGS,
    COMPOSITIONS,
    FEEDSTOCKS,
    MATERIALS,
    PILES,
    RETRIEVALS,
    TEMPERATURES,
    TURNINGS,
    Column,
    Kind,
    UploadKind,
)
from registry.packages.result_tables import EFFECT_SIZES, EXPLANATIONS
from registry.packages.shapes import ExportTable, ForeignKey, number
from registry.packages.vocabulary import MISSING_REASONS
from registry.science.controls import Gate
from registry.science.thermal import THRESHOLDS_C

# Changes with every column; a reader refuses a layout it does not know.
LAYOUT_VERSION = 3

HEAT_CLASSES = ("hot", "warm", "cool", "unknown")
DECISIONS = ("waiting", "accept", "exclude", "withdrawn")


def _columns_of(kind: UploadKind, *, without: tuple[str, ...] = ()) -> tuple[Column, ...]:
    return tuple(column for column in kind.columns if column.name not in without)


SITE = PILES.column("site")
PILE = PILES.column("pile")
TRIAL = PILES.column("trial")
MATERIAL = MATERIALS.column("material")

_TO_SITE = ForeignKey(("site",), "sites", ("site",))
_TO_TRIAL = ForeignKey(("trial",), "trials", ("trial",))
_TO_MATERIAL = ForeignKey(("material",), "materials", ("material",))
_TO_PILE = ForeignKey(("site", "pile"), "piles", ("site", "pile"))
_TO_BAG = ForeignKey(("trial", "bag_label"), "bags", ("trial", "bag_label"))
_LOOK = ("trial", "bag_label", "retrieved_on")
_TO_LOOK = ForeignKey(_LOOK, "retrievals", _LOOK)

INSTITUTIONS = ExportTable(
    "institutions",
    "organisations that took part",
    (
        Column("institution", Kind.CODE, "code of the institution", required=True),
        Column("name", Kind.TEXT, "its name", required=True),
        Column("country", Kind.TEXT, "ISO 3166 alpha-2 code", required=True, max_length=2),
        Column("ror", Kind.TEXT, "ROR identifier, a URL"),
    ),
    ("institution",),
)

SITES = ExportTable(
    "sites",
    "places with piles; the random effect of every pooled estimate",
    (
        SITE,
        Column("institution", Kind.CODE, "code of the institution", required=True),
        Column("name", Kind.TEXT, "its name", required=True),
        Column("country", Kind.TEXT, "ISO 3166 alpha-2 code", required=True, max_length=2),
        Column("time_zone", Kind.TEXT, "IANA time zone", required=True),
        number("latitude", "latitude, rounded to 0.1 degree", "deg", low=-90, high=90),
        number("longitude", "longitude, rounded to 0.1 degree", "deg", low=-180, high=180),
    ),
    ("site",),
    (ForeignKey(("institution",), "institutions", ("institution",)),),
)

TRIALS = ExportTable(
    "trials",
    "the protocol of the trial",
    (
        TRIAL,
        Column("title", Kind.TEXT, "its title", required=True, max_length=300),
        Column("schedule_days", Kind.TEXT, "planned days of looks, separated by spaces"),
        Column("primary_day", Kind.INTEGER, "day of the primary comparison", unit="d"),
        number(
            "detection_limit",
            "smallest remaining fraction a look can find",
            "1",
            low=0,
            high=0.5,
        ),
        Column("window_days", Kind.INTEGER, "a look so many days off plan is on time", unit="d"),
        Column("reference_material", Kind.CODE, "material the others are compared with"),
    ),
    ("trial",),
    (ForeignKey(("reference_material",), "materials", ("material",)),),
)

DERIVED_OF_PILE = (
    number("recipe_moisture_pct", "moisture of the start mix, wet basis, by mass balance", "%"),
    number("recipe_cn_ratio", "carbon to nitrogen of the start mix, by mass balance", "1", low=0),
    Column(
        "heat_class",
        Kind.CHOICE,
        "class by the pile's own temperatures, as used for pooling by heat; blank without a log",
        choices=HEAT_CLASSES,
    ),
    Column("heat_probe", Kind.CODE, "probe whose log speaks for the pile"),
    number("logged_h", "hours logged; gaps are never bridged", "h", low=0),
    number("coverage_pct", "share of the log's span that was logged", "%", low=0, high=100),
    number("highest_c", "highest temperature", "Cel"),
    number("mean_c", "mean temperature over the hours logged", "Cel"),
    *(
        number(f"hours_above_{threshold:g}", f"hours at or above {threshold:g} °C", "h", low=0)
        for threshold in THRESHOLDS_C
    ),
    number("longest_run_55_h", "longest run at or above 55 °C", "h", low=0),
    number("degree_hours_40", "degree-hours above 40 °C", "Cel.h", low=0),
    Column("turnings_in_hot_phase", Kind.INTEGER, "turnings in the phase at or above 55 °C", low=0),
    Column(
        "negative_control",
        Kind.CHOICE,
        "what the control that should stay says of the pile",
        choices=(Gate.PASSED, Gate.HANDLING_LOSS, Gate.CONTAMINATION, Gate.NOT_CHECKED),
    ),
    number("negative_control_remaining", "mean fraction of it that remained", "1", low=0),
    Column(
        "positive_control",
        Kind.CHOICE,
        "what the control that should go says of the pile, on the primary day",
        choices=(Gate.PASSED, Gate.INACTIVE, Gate.NOT_CHECKED),
    ),
    number("positive_control_remaining", "mean fraction of it that remained", "1", low=0),
)

_PILES = ExportTable(
    "piles",
    "compost piles, the experimental units, with their recipe, the heat their probes logged, "
    "and what their controls say",
    (*_columns_of(PILES), *DERIVED_OF_PILE),
    PILES.key,
    (_TO_SITE, _TO_TRIAL),
    frozenset(column.name for column in DERIVED_OF_PILE),
)

_BAGS = ExportTable(
    "bags", BAGS.meaning, _columns_of(BAGS), BAGS.key, (_TO_TRIAL, _TO_PILE, _TO_MATERIAL)
)

DERIVED_OF_RETRIEVAL = (
    Column("flags", Kind.TEXT, "codes of the findings on this look, separated by spaces"),
    Column("excluded", Kind.YES_NO, "whether it was left out of pooling", required=True),
    Column("exclusion_reason", Kind.TEXT, "why it was left out", max_length=10_000),
    SITE,
    PILE,
    MATERIAL,
    number("day", "days between burial and this look", "d", low=0),
    number("start_dry_g", "oven-dry start mass: initial mass without its moisture", "g", low=0),
    number(
        "remaining_uncorrected",
        "dry residue over oven-dry start mass; 0 when nothing was left; never clipped",
        "1",
        low=0,
    ),
    number(
        "remaining",
        "the fraction used for pooling: corrected for adhering compost where ash allowed it",
        "1",
        low=0,
    ),
    Column("ash_corrected", Kind.YES_NO, "whether `remaining` is corrected by ash", required=True),
    Column(
        "upper_limit",
        Kind.YES_NO,
        "uncorrected and above 105 %: adhering compost, only an upper limit of what is left",
        required=True,
    ),
    number("measurement_sd", "standard deviation added by the ash correction", "1", low=0),
    number("detection_limit", "fraction below which residue cannot be found", "1", low=0),
    Column(
        "missing_reason",
        Kind.CHOICE,
        "why `remaining` is blank: "
        + "; ".join(f"{code}: {meaning}" for code, meaning in MISSING_REASONS.items()),
        choices=tuple(MISSING_REASONS),
    ),
    number(
        "heat_coverage_pct",
        "share of the time in the pile that its speaking probe logged; blank without a log",
        "%",
        low=0,
        high=100,
    ),
    number("heat_highest_c", "highest temperature while the bag lay in the pile", "Cel"),
    number("heat_mean_c", "mean temperature over the hours logged meanwhile", "Cel"),
    number("heat_hours_above_40", "hours at or above 40 °C meanwhile", "h", low=0),
    number("heat_hours_above_55", "hours at or above 55 °C meanwhile", "h", low=0),
    number("heat_degree_hours_40", "degree-hours above 40 °C meanwhile", "Cel.h", low=0),
)

_RETRIEVALS = ExportTable(
    "retrievals",
    "looks at bags, raw and derived, one row a look; excluded and lost ones are kept and marked",
    (
        *(
            replace(column, meaning="pseudonym of who looked, the same within a site")
            if column.name == "observer"
            else column
            for column in RETRIEVALS.columns
        ),
        Column("revision", Kind.INTEGER, "1 as uploaded, one more a correction", required=True),
        *DERIVED_OF_RETRIEVAL,
    ),
    RETRIEVALS.key,
    (_TO_BAG, _TO_PILE, _TO_MATERIAL),
    frozenset(column.name for column in DERIVED_OF_RETRIEVAL),
)

FLAGS = ExportTable(
    "flags",
    "quality findings, their evidence, and what was decided: on a look, a bag, a probe or a pile",
    (
        Column("flag", Kind.INTEGER, "counts the findings of this release from 1", required=True),
        SITE,
        PILE,
        Column("probe", Kind.CODE, "the probe, of a finding about a temperature logger"),
        replace(TRIAL, required=False, meaning="the trial, of a finding about a bag or a look"),
        replace(BAGS.column("bag_label"), required=False),
        replace(RETRIEVALS.column("retrieved_on"), required=False),
        Column("code", Kind.TEXT, "code of the finding", required=True),
        Column("rule_version", Kind.INTEGER, "version of the rule", required=True),
        Column("message", Kind.TEXT, "the finding in words", max_length=500),
        Column("unit", Kind.TEXT, "UCUM unit of the evidence", max_length=12),
        Column("found", Kind.NUMBER, "what was found, in `unit`"),
        Column("limit_low", Kind.NUMBER, "least that would have passed, in `unit`"),
        Column("limit_high", Kind.NUMBER, "most that would have passed, in `unit`"),
        Column("compared_with", Kind.NUMBER, "value it was compared with, in `unit`"),
        Column("n_compared", Kind.INTEGER, "how many values that one rests on"),
        Column("from_at", Kind.DATETIME, "start of the time it is about"),
        Column("until_at", Kind.DATETIME, "end of the time it is about"),
        Column("decision", Kind.CHOICE, "decision", required=True, choices=DECISIONS),
        Column("reason", Kind.TEXT, "reason of the decision", max_length=500),
        Column("decided_at", Kind.DATETIME, "when it was decided"),
    ),
    ("flag",),
    (_TO_PILE, _TO_BAG),
)

CORRECTIONS = ExportTable(
    "corrections",
    "changes to stored measurements; the old value stays readable",
    (
        *(RETRIEVALS.column(name) for name in _LOOK),
        Column("number", Kind.INTEGER, "counts the corrections of a look from 1", required=True),
        Column("field", Kind.TEXT, "the column that changed", required=True),
        Column("old_value", Kind.TEXT, "value before; blank when there was none", max_length=2000),
        Column("new_value", Kind.TEXT, "value after; blank when it was removed", max_length=2000),
        Column("reason", Kind.TEXT, "why", required=True, max_length=500),
        Column("made_at", Kind.DATETIME, "when", required=True),
    ),
    (*_LOOK, "number"),
    (_TO_LOOK,),
)


def _as_uploaded(kind: UploadKind, *links: ForeignKey) -> ExportTable:
    return ExportTable(kind.name, kind.meaning, kind.columns, kind.key, links)


# A release holds degrees Celsius only; Fahrenheit was converted once, on its way in.
_TEMPERATURES = ExportTable(
    "temperatures",
    TEMPERATURES.meaning,
    _columns_of(TEMPERATURES, without=("temperature_f",)),
    TEMPERATURES.key,
    (_TO_PILE,),
)

# What the trial recorded; the effect sizes are computed from it.
DATA_TABLES = (
    INSTITUTIONS,
    SITES,
    TRIALS,
    _as_uploaded(MATERIALS),
    _as_uploaded(COMPOSITIONS, _TO_MATERIAL),
    _PILES,
    _as_uploaded(FEEDSTOCKS, _TO_PILE),
    _as_uploaded(TURNINGS, _TO_PILE),
    _TEMPERATURES,
    _BAGS,
    _RETRIEVALS,
    FLAGS,
    CORRECTIONS,
)
TABLES = (*DATA_TABLES, EFFECT_SIZES, EXPLANATIONS)
BY_NAME = {table.name: table for table in TABLES}
