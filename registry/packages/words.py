"""`METHODS.md` and `README.md` of a release, written from what the release holds."""

from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd

from registry.packages.descriptor import csv_path
from registry.packages.estimates import Record, label
from registry.packages.meta import ReleaseMeta
from registry.packages.shapes import Tables
from registry.packages.tables import TABLES
from registry.packages.vocabulary import MISSING_REASONS

SCOPE = (
    "Retrieved bags measure disintegration: the dry mass lost above a sieve or mesh size. They do "
    "not show biodegradation to carbon dioxide, the absence of small residues, or safety for food "
    "crops. These data record and estimate; they certify nothing. Local collectors may refuse such "
    "items, and organic certifiers or food buyers may forbid them."
)

MODELS = {
    "one_stage": (
        "One-stage model (the primary answer)",
        "For bag i of pile p at site s, day t, the fraction remaining is y = f + ε with "
        "f = exp(−k·max(0, t − L)), log k = μ + u_s + d_sp, site u ~ N(0, τ_s²) and pile within "
        "site d ~ N(0, τ_p²), and Var ε = a + b·f². A bag with nothing left enters as a value "
        "known only to lie below the detection limit. Fitted to the bags by marginal likelihood.",
    ),
    "two_stage": (
        "Two-stage summary (for auditing)",
        "Stage 1 fits log k to each pile, with the residual variance pooled over piles. Stage 2 "
        "pools the piles by restricted maximum likelihood with known sampling variances: site "
        "random, pile within site random.",
    ),
    "fixed_day": (
        "Fixed-day model",
        "At one scheduled day the percent of dry mass lost is compared across materials in a "
        "linear mixed model: material fixed; site, site × material and pile within site random.",
    ),
    "ordinal": (
        "Visual scores",
        "Fragmentation classes are fitted by a cumulative-link mixed model with site and pile "
        "random.",
    ),
}
EXPLORATORY = (
    "Meta-regressions of the log rate on filler fraction, thickness, coating and the heat of the "
    "piles, sampling variances known, site, material and row random, by restricted maximum "
    "likelihood; t on the fewer of sites − 1 and materials − coefficients, for heat sites − 2. "
    "Filler and thickness within one base and form (thickness with filler beside it), coating "
    "between an item and its uncoated partner, heat between the piles of one material. The "
    "materials differ in more than one way and nobody chose the heat of a pile by lot, so these "
    "say what goes together and not what causes what; they are not adjusted for their number. "
    "`data/explanations.csv` has every number; R² is the share of the variance between sites, "
    "materials and rows that the moderator takes away. Contrasts within a formulation on the "
    "primary day (`within_formulation` in `estimates.json`) compare each filled material with its "
    "base alone and each coated one with its uncoated partner."
)
INTERVALS = (
    "Confidence intervals speak of the mean over sites like these, with a t distribution of "
    "sites − 1 degrees of freedom; prediction intervals speak of a new pile at a new site. With "
    "one site nothing is pooled; with two, both are shown and nothing is predicted."
)


def methods_md(meta: ReleaseMeta, tables: Tables, estimates: Sequence[Record]) -> str:
    """How the numbers of this release were made, in words."""
    used = [name for name in MODELS if any(found["model"] == name for found in estimates)]
    lines = [
        f"# Methods of {meta.full_title}",
        "",
        SCOPE,
        "",
        "## What was measured",
        "",
        *_counts(tables),
        "",
        "The pile is the experimental unit; bags in it are subsamples. The fraction remaining is "
        "the dry residue over the oven-dry start mass (initial mass less its wet-basis moisture). "
        "It is never clipped. Where ash of the item, the residue and the surrounding compost "
        "allowed it, the fraction is corrected for adhering compost and its uncertainty carried "
        "along; the uncorrected fraction stays beside it.",
        "",
        "Missing is not zero: "
        + "; ".join(f"`{k}` – {v}" for k, v in MISSING_REASONS.items())
        + ".",
        "",
        "## Models used",
        "",
        f"Model version {meta.model_version}. Input digest `{meta.input_digest}`.",
        "",
    ]
    for name in used:
        title, text = MODELS[name]
        methods = sorted({found["method"] for found in estimates if found["model"] == name})
        lines += [f"### {title}", "", text, "", *(f"- As run: {method}" for method in methods), ""]
    lines += [*_explained(tables["explanations"])]
    lines += ["### Intervals", "", INTERVALS, "", "## Estimates", "", *_estimate_table(estimates)]
    lines += ["", "## Warnings", "", *_warnings(estimates), "", "## Check it yourself", ""]
    lines += [
        "`coheap recompute` on this zip verifies its checksums, computes every derived column and "
        "every pooled number again from the raw rows, and reports the largest difference.",
        "",
    ]
    return "\n".join(lines)


def readme_md(meta: ReleaseMeta) -> str:
    """What is in the zip, with the meaning and unit of every column."""
    lines = [
        f"# {meta.full_title}",
        "",
        SCOPE,
        "",
        f"Licence: {meta.licence_title} ({meta.licence_url}). Cite it as in `CITATION.cff`.",
        "",
        *([meta.notes, ""] if meta.notes else []),
        "Every table is there twice with the same rows, as CSV and as Parquet. `datapackage.json` "
        "describes them for programs; units are UCUM codes. `effect_sizes.csv` is ready for a "
        "meta-analysis; `estimates.json` holds the pooled estimates; `METHODS.md` says how they "
        "were made; `CHANGES.md` says what is new in this version; `SHA256SUMS` lets you check "
        "that nothing changed.",
        "",
        "In the CSV files a text that a spreadsheet would run as a formula has an apostrophe "
        "before it; numbers are never touched, and Parquet holds the text as it was written.",
        "",
    ]
    for table in TABLES:
        lines += [f"## {csv_path(table)}", "", f"{table.meaning.capitalize()}.", ""]
        lines += ["| column | type | unit | meaning |", "|---|---|---|---|"]
        for column in table.columns:
            derived = " (derived)" if column.name in table.derived else ""
            kind = column.kind.value.replace("_", "/")
            meaning = column.meaning.replace("|", "/")
            lines.append(f"| {column.name} | {kind} | {column.unit} | {meaning}{derived} |")
        lines.append("")
    return "\n".join(lines)


def _counts(tables: Tables) -> Iterator[str]:
    looks: pd.DataFrame = tables["retrievals"]
    yield f"- {len(tables['sites'])} sites, {len(tables['piles'])} piles"
    yield f"- {len(tables['materials'])} materials, {len(tables['bags'])} bags"
    yield f"- {len(looks)} looks at bags"
    for outcome, count in looks["outcome"].value_counts().sort_index().items():
        yield f"  - {outcome}: {count}"
    yield f"- {int(looks['excluded'].astype(bool).sum())} looks excluded, kept and marked"
    limit = float(tables["trials"].iloc[0]["detection_limit"])
    yield f"- detection limit {limit:g} of the start mass"


def _estimate_table(estimates: Sequence[Record]) -> Iterator[str]:
    yield "| material | outcome | model | estimate | interval | new pile, new site | sites | bags |"
    yield "|---|---|---|---|---|---|---|---|"
    for found in sorted(estimates, key=label):
        if found["heat_class"] != "all":
            continue
        outcome = found["outcome"]
        if found.get("day") is not None:
            outcome += f" {found['day']:g}"
        unit = f" {found['unit']}" if found.get("unit") else ""
        yield (
            f"| {found['material']} | {outcome} | {found['model']} "
            f"| {_short(found['estimate'])}{unit} "
            f"| {_short(found['ci_low'])} – {_short(found['ci_high'])} "
            f"| {_short(found['pi_low'])} – {_short(found['pi_high'])} "
            f"| {found['n_sites']} | {found['n_bags']} |"
        )


def _warnings(estimates: Sequence[Record]) -> list[str]:
    """One line a warning and material; `estimates.json` has it at every estimate it is about."""
    about: dict[tuple[str, str, str], list[str]] = {}
    for found in sorted(estimates, key=label):
        for warning in found["warnings"]:
            key = (found["material"], warning["message"], warning["code"])
            about.setdefault(key, []).append(str(found["heat_class"]))
    lines = [
        f"- {material} ({', '.join(dict.fromkeys(heats))} piles): {message} (`{code}`)"
        for (material, message, code), heats in about.items()
    ]
    return lines or ["None."]


def _explained(found: pd.DataFrame) -> Iterator[str]:
    """The exploratory part, in words and numbers."""
    yield from ("### What may go with the rates (exploratory)", "", EXPLORATORY, "")
    yield "| moderator | of | rate ratio for a step | interval | R² % | sites | materials |"
    yield "|---|---|---|---|---|---|---|"
    for row in found.itertuples():
        if row.code != "answered":
            yield f"| {row.kind} | {row.subject} | {row.message} (`{row.code}`) | | | | |"
            continue
        r2 = None if pd.isna(row.r2_pct) else row.r2_pct
        yield (
            f"| {row.kind} | {row.subject} | {_ratio(row.ratio)} per {_step(row)} "
            f"| {_ratio(row.ratio_low)} – {_ratio(row.ratio_high)} "
            f"| {_short(r2)} | {row.n_sites} | {row.n_materials} |"
        )
    yield ""


def _step(row: Any) -> str:
    if row.kind == "thickness":
        return "doubling"
    return "coating" if row.kind == "coating" else f"{row.step:g} {row.unit}"


def _ratio(value: float | None) -> str:
    return "unbounded" if value is None or pd.isna(value) else f"{value:.3g}"


def _short(value: float | None) -> str:
    return "not estimable" if value is None else f"{value:.3g}"
