"""The variance components of a fixed retrieval day, or the reason there are none."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from registry.science.mixed.cells import Cells
from registry.science.mixed.contrasts import Adjustment
from registry.science.mixed.criterion import Method, NoResidualVariation
from registry.science.mixed.degrees_of_freedom import Boundary, DfMethod
from registry.science.mixed.general import MixedFit, fit_blocks
from registry.science.mixed.identify import (
    RESIDUAL,
    Aliased,
    independent_columns,
    inseparable_terms,
)
from registry.science.mixed.site_blocks import (
    ALL_TERMS,
    PILE_MATERIAL,
    SITE_MATERIAL,
    site_blocks,
)
from registry.science.types import FloatArray, IntArray, ScienceError

# One site says nothing about how sites differ.
MIN_SITES = 2
# Components independent in a few sites are independent in all; a few are enough to look at.
SITES_TO_IDENTIFY = 8
# Below this share of the spread of all values a sum of squares is rounding.
NOTHING = 1e-12


@dataclass(frozen=True)
class NotPooled:
    """Why there is no answer, as a permanent code and a sentence."""

    code: str
    message: str


NO_VARIATION = NotPooled(
    "no_variation", "Bags of one material do not differ at all, so there is no spread to judge by."
)


@dataclass(frozen=True)
class FixedDayOptions:
    """How to fit and compare; the defaults are the registry's."""

    method: Method = "reml"
    df_method: DfMethod = "kenward_roger"
    boundary: Boundary = "drop"
    pair_adjustment: Adjustment = "tukey"
    reference_adjustment: Adjustment = "multivariate_t"
    level: float = 0.95
    terms: tuple[str, ...] = ALL_TERMS


DEFAULTS = FixedDayOptions()


def fit_variances(
    cells: Cells, options: FixedDayOptions = DEFAULTS, near: MixedFit | None = None
) -> MixedFit | NotPooled:
    """The mixed model alone, with one mean per material; the search starts at `near`'s ratios."""
    refusal = _refusal(cells)
    if refusal is not None:
        return refusal
    if bags_identical(cells):
        cells = one_bag_per_cell(cells)
    design = np.eye(len(cells.materials))
    try:
        terms, inseparable = _separable(cells, design, options.terms)
        if not terms:
            return NotPooled("no_replication", " ".join(a.sentence for a in inseparable))
        start = None if near is None else _ratios(near, terms)
        blocks = site_blocks(cells, design, terms)
        fit = fit_blocks(blocks, cells.materials, options.method, start)
    except NoResidualVariation:
        return NO_VARIATION
    if RESIDUAL in fit.at_boundary and not _materials_vary(fit):
        return NO_VARIATION
    return replace(fit, inseparable=inseparable)


def _refusal(cells: Cells) -> NotPooled | None:
    if len(cells.sites) < MIN_SITES:
        return NotPooled(
            "single_site",
            f"All bags come from one site ({cells.sites[0]}). How sites differ cannot be seen, "
            "so nothing is pooled.",
        )
    if cells.n_bags <= len(cells.materials):
        return NotPooled(
            "no_replication", "There is no more than one bag per material; nothing can be pooled."
        )
    mean = (cells.count * cells.mean).sum(axis=(0, 2)) / cells.count.sum(axis=(0, 2))
    about = (cells.count * (cells.mean - mean[:, None]) ** 2).sum()
    if cells.within.sum() + about <= NOTHING * cells.spread:
        return NO_VARIATION
    return None


def _separable(
    cells: Cells, design: FloatArray, terms: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[Aliased, ...]]:
    """The random terms to fit, and those left out."""
    inseparable = _inseparable(cells, design, terms)
    lost = {a.name for a in inseparable}
    return tuple(t for t in terms if t not in lost), inseparable


def _materials_vary(fit: MixedFit) -> bool:
    """Whether a term still tells how uncertain a difference between materials is."""
    carrying = (SITE_MATERIAL, PILE_MATERIAL) if fit.p > 1 else ALL_TERMS
    return any(fit.components.get(term, 0.0) > 0 for term in carrying)


def _ratios(near: MixedFit, terms: tuple[str, ...]) -> FloatArray:
    return np.array([near.components.get(t, 0.0) / near.sigma2 for t in terms])


def bags_identical(cells: Cells) -> bool:
    """Whether replicated bags never differ from each other inside their cell."""
    return bool((cells.count > 1).any() and cells.within.sum() <= NOTHING * cells.spread)


def one_bag_per_cell(cells: Cells) -> Cells:
    """The limit of no residual: a cell says no more than one bag of it does."""
    return replace(cells, count=np.minimum(cells.count, 1.0), within=np.zeros(len(cells.sites)))


def fit_on_materials(
    cells: Cells,
    design: FloatArray,
    names: Sequence[str],
    options: FixedDayOptions = DEFAULTS,
) -> MixedFit:
    """The same random terms with any (k, p) design on materials, say composition or coating.

    Row i of `design` belongs to `cells.materials[i]`; columns that repeat others are named in
    `aliased` and left out.
    """
    if design.shape != (len(cells.materials), len(names)):
        raise ScienceError(f"Design {design.shape} for {len(cells.materials)} materials.")
    kept, aliased = independent_columns(design, names)
    if not kept or len(cells.sites) < MIN_SITES or cells.n_bags <= len(kept):
        raise ScienceError("The design needs a column with data, two sites and spare bags.")
    design = design[:, kept]
    terms, inseparable = _separable(cells, design, options.terms)
    if not terms:
        raise ScienceError(" ".join(a.sentence for a in inseparable))
    blocks = site_blocks(cells, design, terms)
    fit = fit_blocks(blocks, tuple(names[i] for i in kept), options.method)
    return replace(fit, aliased=aliased, inseparable=inseparable)


def _inseparable(cells: Cells, design: FloatArray, terms: tuple[str, ...]) -> tuple[Aliased, ...]:
    """Judged on the sites with most piles and bags first: independence there is enough."""
    if len(cells.sites) > SITES_TO_IDENTIFY:
        some = _informative_sites(cells)
        part = cells.only_sites(some)
        part = replace(part, within=np.ones(len(some)))
        blocks = site_blocks(part, np.eye(len(part.materials)), terms)
        if part.n_bags > len(part.materials) and not inseparable_terms(blocks):
            return ()
    return inseparable_terms(site_blocks(cells, design, terms))


def _informative_sites(cells: Cells) -> IntArray:
    filled = (cells.count > 1).sum(axis=(1, 2))
    piles = (cells.count.sum(axis=1) > 0).sum(axis=1)
    return np.lexsort((filled, piles))[::-1][:SITES_TO_IDENTIFY]
