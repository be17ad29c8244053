"""Sections on what was found: a summary, each material with its figures, and the comparison."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from registry.packages.estimates import Record
from registry.paper.blocks import Block, bullets, figures, heading, note, paragraph, table
from registry.reports.design import names_of
from registry.reports.facts import ReportFacts
from registry.reports.figures import curve_figure, forest_figure
from registry.reports.numbers import NONE, between, counted, p_value, percent, sig

LOSSES = {"gone": "had all missing bags been gone", "untouched": "had all been untouched"}
HOW_TO_READ = (
    "Decay rate: a square is a site's own estimate with its 95 % interval, a ring the same drawn "
    "towards the mean, the diamond the pooled mean, the dashed line where a new pile at a new site "
    "would fall.",
    "Dry mass left: the thick line is the average pile, the inner band its 95 % interval, the "
    "outer band a new pile at a new site, thin lines are the sites. Below the dashed line 90 % is "
    "gone.",
)
HEATS = ("hot", "warm", "cool")


def summary(report: ReportFacts) -> list[Block]:
    rows = [_summary_row(report, code, name) for code, name in _materials(report).items()]
    columns = (
        *(("Material", "w"), ("Days to 90 % gone", "r"), ("95 % interval", "r")),
        *(("New pile, new site", "r"), ("Lost on the main day, %", "r")),
        *(("95 % interval", "r"), ("Sites", "r"), ("Bags", "r")),
    )
    return [
        heading("Results in short"),
        table("Primary answers: one-stage model; loss on the main day by the mixed model.",
              columns, rows),
        paragraph(
            "An interval speaks of the mean over sites like these; the column ‘new pile, new site’ "
            "says where one further pile may fall. Plan with that one."
        ),
    ]  # fmt: skip


def each_material(report: ReportFacts) -> list[Block]:
    sites = names_of(report.tables["sites"], "site")
    blocks = [heading("Results of each material"), bullets(HOW_TO_READ)]
    for code, name in _materials(report).items():
        blocks += [heading(f"{name} ({code})", 2), *_material(report, code, sites)]
    return blocks


def comparison(report: ReportFacts) -> list[Block]:
    """Materials on the main day: letters of all pairs, and the difference from the reference."""
    found = [
        record
        for code in _materials(report)
        if (record := _find(report, code, "disintegration_at_day", "fixed_day"))
    ]
    if not found:
        told = "The materials could not be compared on one day."
        return [heading("Comparison"), paragraph(told)]
    reference = report.tables["trials"].iloc[0]["reference_material"] or "none named"
    rows = [_compared(record) for record in sorted(found, key=lambda r: -(r["estimate"] or 0.0))]
    columns = (
        *(("Material", "w"), ("Lost, %", "r"), ("95 % interval", "r"), ("Letters", "l")),
        *(("Less the reference, points", "r"), ("95 % interval", "r"), ("p", "r")),
    )
    warnings = _warnings(found)
    return [
        heading(f"Comparison on day {found[0]['day']:g}"),
        table(
            f"Percent of dry mass lost, Kenward–Roger. Materials that share a letter were not told "
            f"apart (Tukey, 5 %). Reference: {reference}, adjusted by the multivariate t.",
            columns,
            rows,
        ),
        *([note("Know this", warnings)] if warnings else []),
    ]


def _materials(report: ReportFacts) -> dict[str, str]:
    """Name by code of the materials with an estimate; those on trial first."""
    seen = {record["material"] for record in report.estimates}
    rows = report.tables["materials"]
    rows = rows.assign(control=rows["role"].ne("test")).sort_values(["control", "material"])
    return {code: name for code, name in names_of(rows, "material").items() if code in seen}


def _find(
    report: ReportFacts, code: str, outcome: str, model: str, heat: str = "all"
) -> Record | None:
    wanted = (code, outcome, model, heat, "days")
    names = ("material", "outcome", "model", "heat_class", "time_scale")
    return next((r for r in report.estimates if tuple(r[n] for n in names) == wanted), None)


def _leading(report: ReportFacts, code: str, outcome: str) -> Record | None:
    """The one-stage answer, or the two-stage one where there is no other."""
    return _find(report, code, outcome, "one_stage") or _find(report, code, outcome, "two_stage")


def _summary_row(report: ReportFacts, code: str, name: str) -> tuple[str, ...]:
    days = _leading(report, code, "days_to_90") or {}
    lost = _find(report, code, "disintegration_at_day", "fixed_day") or {}
    shown = days or lost
    return (
        f"{name} ({code})",
        sig(days.get("estimate")),
        between(days.get("ci_low"), days.get("ci_high")),
        between(days.get("pi_low"), days.get("pi_high")),
        sig(lost.get("estimate")),
        between(lost.get("ci_low"), lost.get("ci_high")),
        str(shown.get("n_sites", 0)),
        str(shown.get("n_bags", 0)),
    )


def _material(report: ReportFacts, code: str, sites: Mapping[str, str]) -> list[Block]:
    rate, days = _leading(report, code, "decay_rate"), _leading(report, code, "days_to_90")
    if rate is None:
        return [paragraph("These looks give no pooled rate.")]
    shown = [record for record in (rate, days) if record is not None]
    drawn = [one for one in (forest_figure(rate), curve_figure(rate)) if one is not None]
    warnings = _warnings(shown)
    return [
        paragraph(_headline(rate, days)),
        *([note("Know this", warnings)] if warnings else []),
        *([figures(drawn)] if drawn else []),
        _site_table(rate, sites),
        bullets([*_heterogeneity(rate), *_robustness(report, rate, days)]),
    ]


def _headline(rate: Record, days: Record | None) -> str:
    if days is not None and days["estimate"] is not None:
        told = (
            f"In the average pile 90 % is gone after {sig(days['estimate'])} days (95 % interval "
            f"{between(days['ci_low'], days['ci_high'])})"
        )
        if days["pi_low"] is None:
            return f"{told}."
        new = between(days["pi_low"], days["pi_high"])
        return f"{told}; in a new pile at a new site after {new} days."
    if rate["estimate"] is not None:
        interval = between(rate["ci_low"], rate["ci_high"])
        return f"The pooled rate is {sig(rate['estimate'])} per day (95 % interval {interval})."
    if rate["ci_low"] is not None:
        return f"Too fast to measure here: at least {sig(rate['ci_low'])} per day."
    return "These looks give no pooled rate; the warnings say why."


def _site_table(rate: Record, sites: Mapping[str, str]) -> Block:
    rows = [
        (
            sites.get(site["site"], site["site"]),
            sig(site["estimate"]),
            between(site["ci_low"], site["ci_high"]),
            sig(site["shrunken_estimate"]),
            NONE if site["weight_pct"] is None else f"{site['weight_pct']:.1f}",
            str(site["n_piles"]),
            str(site["n_bags"]),
            site["note"] or ("no rate of its own" if site["estimate"] is None else ""),
        )
        for site in rate["sites"]
    ]
    mean = (
        "Pooled mean", sig(rate["estimate"]), between(rate["ci_low"], rate["ci_high"]), "", "",
        str(rate["n_piles"]), str(rate["n_bags"]), "",
    )  # fmt: skip
    new = ("A new pile at a new site", NONE, between(rate["pi_low"], rate["pi_high"]))
    columns = (
        *(("Site", "w"), ("Own estimate", "r"), ("95 % interval", "r"), ("Shrunken", "r")),
        *(("Weight, %", "r"), ("Piles", "r"), ("Bags", "r"), ("Note", "l")),
    )
    ending = (*new, "", "", "", "", "prediction")
    return table("Decay rate per day, site by site.", columns, [*rows, mean, ending])


def _heterogeneity(rate: Record) -> list[str]:
    if rate["tau2_site"] is None:
        return ["The difference between sites cannot be estimated from these looks."]
    tau = math.sqrt(rate["tau2_site"])
    told = f"Between sites: τ = {sig(tau, 2)} on the log scale. " + (
        f"At two of three sites the rate lies between {sig(math.exp(-tau), 2)} and "
        f"{sig(math.exp(tau), 2)} times the typical one."
        if tau > 0
        else "They differ no more than chance allows; with few sites that is weak evidence."
    )
    lines = [told]
    if rate["tau2_pile"] is not None:
        lines.append(f"Between piles of a site: τ = {sig(math.sqrt(rate['tau2_pile']), 2)}.")
    if rate["i2_pct"] is not None:
        lines.append(f"I² = {rate['i2_pct']:.0f} %.")
    if rate["q"] is not None:
        lines.append(f"Q = {sig(rate['q'])}, {rate['q_df']} d.f., p {p_value(rate['q_p'])}.")
    return lines


def _robustness(report: ReportFacts, rate: Record, days: Record | None) -> list[str]:
    lines = []
    left = [part["estimate"] for part in rate["left_out"] if part["estimate"] is not None]
    if left:
        lines.append(
            f"Leaving out each site in turn moves the pooled rate between {sig(min(left))} and "
            f"{sig(max(left))} per day."
        )
    for part in (days or rate)["loss_sensitivity"]:
        if part["estimate"] is not None:
            unit = "days to 90 % gone" if days else "per day"
            lines.append(
                f"Missing bags: {LOSSES.get(part['assumption'], part['assumption'])}, "
                f"{sig(part['estimate'])} {unit} ({between(part['ci_low'], part['ci_high'])})."
            )
    for chance in (days or rate)["chance_90_by"]:
        lines.append(
            f"Chance that 90 % is gone by day {chance['days']} in a new pile at a new site: "
            f"{percent(chance['probability'])}."
        )
    lines += _by_heat(report, rate["material"])
    used = f"{counted(rate['n_lost'], 'bag', 'bags')} lost or damaged, "
    used += f"{rate['n_nothing_left']} with nothing left, {rate['n_excluded']} excluded."
    return [*lines, f"Of this material: {used}"]


def _by_heat(report: ReportFacts, code: str) -> list[str]:
    lines = []
    for heat in HEATS:
        days = _find(report, code, "days_to_90", "one_stage", heat)
        if days is not None and days["estimate"] is not None:
            lines.append(
                f"In {heat} piles 90 % is gone after {sig(days['estimate'])} days "
                f"({between(days['ci_low'], days['ci_high'])}; "
                f"{counted(days['n_sites'], 'site', 'sites')})."
            )
    return lines


def _compared(record: Record) -> tuple[str, ...]:
    against: Mapping[str, Any] = record["against_reference"] or {}
    return (
        record["material"],
        sig(record["estimate"]),
        between(record["ci_low"], record["ci_high"]),
        record["letters"] or NONE,
        sig(against.get("difference")),
        between(against.get("ci_low"), against.get("ci_high")),
        p_value(against.get("p_adjusted")),
    )


def _warnings(records: Sequence[Record]) -> list[str]:
    return list(dict.fromkeys(w["message"] for record in records for w in record["warnings"]))
