"""Sections on what was planned: protocol, sites, materials, piles with their heat and controls."""

from collections.abc import Mapping

import pandas as pd

from registry.paper.blocks import Block, facts, heading, paragraph, table
from registry.reports.facts import ReportFacts
from registry.reports.numbers import NONE, blank, counted, percent, sig, text
from registry.science.controls import NEGATIVE_HIGH, NEGATIVE_LOW, POSITIVE_LEAST_LOSS
from registry.science.start_ranges import CN_RATIO, MOISTURE

ROLES = {
    "test": "on trial",
    "positive_control": "control that should go",
    "negative_control": "control that should stay",
}


def protocol(report: ReportFacts) -> list[Block]:
    trial = report.tables["trials"].iloc[0]
    days = ", ".join(str(trial["schedule_days"]).split())
    named = [
        ("Trial", report.trial),
        ("This report", f"{report.standing}, {report.dated}"),
        ("Bags are lifted", f"on day {days} after burial"),
        ("On time", f"within {trial['window_days']} days of plan"),
        ("Main comparison", f"day {trial['primary_day']}"),
        ("Detection limit", f"{percent(trial['detection_limit'])} of the oven-dry start mass"),
        ("Reference material", text(trial["reference_material"], "none")),
        ("Took part", "; ".join(report.contributors) or NONE),
        ("Licence of the data", report.licence),
        ("Model version", report.model_version),
        ("Software version", report.software_version),
        ("Digest of the data", report.input_digest),
        *([("Address", report.address)] if report.address else []),
    ]
    return [
        heading("Protocol"),
        facts("The trial and this report.", named),
        paragraph(
            "The pile is the experimental unit; bags in it are subsamples. Remaining is the dry "
            "residue over the oven-dry start mass, never clipped. Days are those that passed, not "
            "those that were planned."
        ),
    ]


def sites(report: ReportFacts) -> list[Block]:
    tables = report.tables
    names = tables["institutions"].set_index("institution")["name"]
    piles, bags = tables["piles"]["site"].value_counts(), tables["bags"]["site"].value_counts()
    rows = [
        (
            site.site,
            site.name_,
            str(names.get(site.institution, site.institution)),
            site.country,
            _coordinates(site),
            str(piles.get(site.site, 0)),
            str(bags.get(site.site, 0)),
        )
        for site in tables["sites"].rename(columns={"name": "name_"}).itertuples()
    ]
    columns = (
        *(("Code", "l"), ("Site", "w"), ("Institution", "w"), ("Country", "l")),
        *(("Lat., long.", "l"), ("Piles", "r"), ("Bags", "r")),
    )
    caption = "Sites. Coordinates are rounded to a tenth of a degree."
    return [heading("Sites"), table(caption, columns, rows)]


def _coordinates(site: object) -> str:
    latitude, longitude = site.latitude, site.longitude  # type: ignore[attr-defined]
    return NONE if blank(latitude) else f"{latitude:.1f}, {longitude:.1f}".replace("-", "−")


def materials(report: ReportFacts) -> list[Block]:
    parts = report.tables["compositions"].sort_values(
        ["material", "mass_pct", "component"], ascending=[True, False, True]
    )
    made_of = {
        code: "; ".join(
            f"{part.component} {part.mass_pct:g} % ({part.function})" for part in group.itertuples()
        )
        for code, group in parts.groupby("material")
    }
    rows = [
        (
            row["material"],
            _described(row),
            ROLES.get(row["role"], row["role"]),
            sig(row["thickness_um"]),
            sig(row["area_density_g_m2"]),
            sig(row["initial_ash_pct"]),
            made_of.get(row["material"], NONE),
        )
        for row in report.tables["materials"].to_dict("records")
    ]
    columns = (
        *(("Code", "l"), ("Item", "w"), ("Role", "l"), ("µm", "r"), ("g/m²", "r")),
        *(("Ash, %", "r"), ("Composition, % of dry mass", "w")),
    )
    caption = "Materials: thickness, mass per area, ash as new, composition."
    told = "A result holds for the item as described, or a thinner one of the same make."
    return [heading("Materials"), table(caption, columns, rows), paragraph(told)]


def _described(row: dict[str, object]) -> str:
    parts = [str(row["name"]), str(row["form"])]
    if not blank(row["coating"]):
        parts.append(f"coating: {row['coating']}")
    if not blank(row["colour"]):
        parts.append(str(row["colour"]))
    if not blank(row["batch"]):
        parts.append(f"batch {row['batch']}")
    return ", ".join(parts)


def piles(report: ReportFacts) -> list[Block]:
    rows = report.tables["piles"].to_dict("records")
    made = [
        (
            pile_name(row),
            str(row["kind"]).replace("_", " "),
            text(row["started_on"]),
            _size(row),
            sig(row["recipe_cn_ratio"]),
            sig(row["recipe_moisture_pct"]),
        )
        for row in rows
    ]
    low_cn, high_cn = CN_RATIO.acceptable
    low_wet, high_wet = MOISTURE.acceptable
    columns = (
        *(("Pile", "l"), ("Kind", "l"), ("Started", "l"), ("Size", "w")),
        *(("C:N of the start mix", "r"), ("Moisture, %", "r")),
    )
    caption = (
        f"Piles and their start mix by mass balance. Usually works: C:N {low_cn:g} to {high_cn:g}, "
        f"moisture {100 * low_wet:g} to {100 * high_wet:g} % (secondary source; no pass or fail)."
    )
    return [
        heading("Piles"),
        table(caption, columns, made),
        heading("Heat of each pile", 2),
        table(
            "Heat as logged by the probe that speaks for the pile; gaps are never bridged.",
            (
                *(("Pile", "l"), ("Class", "l"), ("Logged, h", "r"), ("Coverage, %", "r")),
                *(
                    ("Mean, °C", "r"),
                    ("Highest, °C", "r"),
                    ("≥ 40 °C, h", "r"),
                    ("≥ 55 °C, h", "r"),
                ),
                *(("Longest run ≥ 55 °C, h", "r"), ("Turnings at ≥ 55 °C", "r")),
            ),
            [_heat(row) for row in rows],
        ),
        *_controls(rows),
    ]


def pile_name(row: Mapping[str, object]) -> str:
    """Site and pile, never parted by the end of a line."""
    return f"{row['site']}\u00a0{row['pile']}"


def _size(row: dict[str, object]) -> str:
    sides = [row["length_m"], row["width_m"], row["height_m"]]
    if not any(blank(side) for side in sides):
        return " × ".join(sig(side) for side in sides) + " m"
    return NONE if blank(row["volume_m3"]) else f"{sig(row['volume_m3'])} m³"


def _heat(row: dict[str, object]) -> tuple[str, ...]:
    numbers = (
        *("logged_h", "coverage_pct", "mean_c", "highest_c", "hours_above_40"),
        *("hours_above_55", "longest_run_55_h"),
    )
    return (
        pile_name(row),
        text(row["heat_class"], "no log"),
        *(sig(row[name]) for name in numbers),
        text(row["turnings_in_hot_phase"]),
    )


def _controls(rows: list[dict[str, object]]) -> list[Block]:
    shown = [
        (
            pile_name(row),
            percent(row["negative_control_remaining"]),
            str(row["negative_control"]).replace("_", " "),
            NONE
            if blank(row["positive_control_remaining"])
            else percent(1 - float(str(row["positive_control_remaining"]))),
            str(row["positive_control"]).replace("_", " "),
        )
        for row in rows
    ]
    failed = sum(
        row[name] not in ("passed", "not_checked")
        for row in rows
        for name in ("negative_control", "positive_control")
    )
    return [
        heading("Controls and gates", 2),
        paragraph(
            f"The control that should stay passes with {100 * NEGATIVE_LOW:g} to "
            f"{100 * NEGATIVE_HIGH:g} % left: less is lost in handling, more is compost sticking "
            "to it. The control that should go passes with at least "
            f"{100 * POSITIVE_LEAST_LOSS:g} % lost on the main day: otherwise the pile was not "
            "working, and ‘did not disintegrate’ is inconclusive there. A failed gate marks a "
            "pile; it never drops it. The limits are common practice, no source."
        ),
        table(
            f"Controls of each pile; {counted(failed, 'gate', 'gates')} not passed.",
            (
                *(("Pile", "l"), ("Should stay: left", "r"), ("Gate", "w")),
                *(("Should go: lost", "r"), ("Gate", "w")),
            ),
            shown,
        ),
    ]


def names_of(frame: pd.DataFrame, code: str) -> dict[str, str]:
    """Names by code."""
    return dict(zip(frame[code], frame["name"], strict=True))
