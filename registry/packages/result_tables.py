"""The tables of a release that are computed from the others: effect sizes and explanations."""

from dataclasses import replace

from registry.columns import MATERIALS, PILES, Column, Kind
from registry.packages.shapes import ExportTable, ForeignKey, number

SITE = PILES.column("site")
MATERIAL = MATERIALS.column("material")
TO_SITE = ForeignKey(("site",), "sites", ("site",))
TO_MATERIAL = ForeignKey(("material",), "materials", ("material",))

MEASURES = ("log_decay_rate", "log_days_to_90", "disintegration_pct")

EFFECT_SIZES = ExportTable(
    "effect_sizes",
    "one row per material, measure and site, and per pile: ready for any meta-analysis package",
    (
        Column("level", Kind.CHOICE, "unit of the row", required=True, choices=("site", "pile")),
        MATERIAL,
        SITE,
        Column("pile", Kind.CODE, "code of the pile; blank on site rows"),
        Column(
            "measure",
            Kind.CHOICE,
            "natural log of the first-order rate per day; natural log of the days to 90 % lost; "
            "percent of the dry mass lost at a scheduled day",
            required=True,
            choices=MEASURES,
        ),
        Column("day", Kind.INTEGER, "scheduled day of disintegration_pct, else blank", unit="d"),
        number("effect", "the effect size, on the scale of its measure", "1"),
        number("variance", "its sampling variance; blank when it cannot be known", "1", low=0),
        number("sd", "standard deviation between bags, of disintegration_pct", "%", low=0),
        Column("n_piles", Kind.INTEGER, "piles behind it", required=True, low=0),
        Column("n_bags", Kind.INTEGER, "bags behind it", required=True, low=0),
    ),
    ("level", "material", "site", "pile", "measure", "day"),
    (TO_SITE, TO_MATERIAL),
)


EXPLANATION_KINDS = (
    *("filler_fraction", "thickness", "coating", "mean_temperature", "hours_above_55"),
)

EXPLANATIONS = ExportTable(
    "explanations",
    "exploratory meta-regressions of the log rate; no numbers where the data cannot answer",
    (
        Column("kind", Kind.CHOICE, "the moderator", required=True, choices=EXPLANATION_KINDS),
        Column(
            "subject",
            Kind.TEXT,
            "family, pair or material it is about",
            required=True,
            max_length=500,
        ),
        replace(MATERIAL, required=False, meaning="the material, of heat and of one coated pair"),
        Column("other", Kind.CODE, "the uncoated partner, of one coated pair"),
        Column("code", Kind.TEXT, "answered, or why there are no numbers", required=True),
        Column("message", Kind.TEXT, "why, or what to be careful with", max_length=500),
        Column("method", Kind.TEXT, "how it was fitted", max_length=500),
        Column("unit", Kind.TEXT, "UCUM unit of the moderator", max_length=12),
        number("step", "of the moderator, for `ratio`; for um a doubling", "1"),
        Column("n_rows", Kind.INTEGER, "rates behind it", required=True, low=0),
        Column("n_sites", Kind.INTEGER, "sites behind it", required=True, low=0),
        Column("n_materials", Kind.INTEGER, "materials behind it", required=True, low=0),
        number("slope", "on the log rate, per unit of the moderator; um: per doubling", "1"),
        number("standard_error", "of the slope", "1", low=0),
        number("df", "degrees of freedom of its t", "1", low=1),
        number("ci_low", "lower end of the 95 % interval of the slope", "1"),
        number("ci_high", "upper end", "1"),
        number("p", "of the slope, not adjusted for how many were asked", "1", low=0, high=1),
        number("ratio", "by which one `step` multiplies the rate", "1", low=0),
        number("ratio_low", "lower end of its 95 % interval", "1", low=0),
        number("ratio_high", "upper end", "1", low=0),
        number("intercept", "log rate at zero, other terms at their mean", "1"),
        number("intercept_standard_error", "of the intercept", "1", low=0),
        number("covariance", "of intercept and slope", "1"),
        number("tau2_site", "variance between sites; blank when not separable", "1", low=0),
        number("tau2_material", "variance between materials", "1", low=0),
        number("tau2_row", "variance of single rows: site × material, or pile", "1", low=0),
        number("tau2_without", "sum of the variances without the moderator", "1", low=0),
        number("r2_pct", "share of that sum the moderator takes away", "%", low=0, high=100),
        number("qe", "residual heterogeneity Q", "1", low=0),
        Column("qe_df", Kind.INTEGER, "its degrees of freedom", low=0),
        number("qe_p", "its p", "1", low=0, high=1),
        number("level", "of the intervals", "1"),
    ),
    ("kind", "subject"),
    (TO_MATERIAL,),
)
