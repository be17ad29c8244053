"""Disintegration on one retrieval day across materials: the door for the service.

    value of a bag = mean of its material + site + site × material
                                          + pile + pile × material + residual

Sites, and piles within them, are samples of those the answer is for, so they are random. A term
the data cannot separate from another is left out and named.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from registry.science.mixed.cells import Cells, Labels, collapse
from registry.science.mixed.contrasts import (
    Adjustment,
    Contrasts,
    against_reference,
    all_pairs,
    letters_of,
)
from registry.science.mixed.criterion import Method
from registry.science.mixed.degrees_of_freedom import Boundary, DfMethod
from registry.science.mixed.f_test import FTest, f_test
from registry.science.mixed.fixed_day_means import MaterialMean, material_means
from registry.science.mixed.general import MixedFit, fit_blocks
from registry.science.mixed.identify import Aliased, independent_columns, inseparable_terms
from registry.science.mixed.site_blocks import ALL_TERMS, SITE, SITE_MATERIAL, site_blocks
from registry.science.types import FloatArray, IntArray, ScienceError, Warning_

# One site says nothing about how sites differ.
MIN_SITES = 2
# With so few sites the spread between them is hardly known; said beside the numbers.
FEW_SITES = 4
# Components independent in a few sites are independent in all; a few are enough to look at.
SITES_TO_IDENTIFY = 8
# Below this share of the spread of all values a sum of squares is rounding.
NOTHING = 1e-12


@dataclass(frozen=True)
class NotPooled:
    """Why there is no answer, as a permanent code and a sentence."""

    code: str
    message: str


@dataclass(frozen=True)
class FixedDayResult:
    """Materials compared on one day; k materials, S sites, J the most piles of any site.

    Attributes
    ----------
    fit : the mixed model; `fit.components` has the variances in squared units of the value.
    cells : the data as fitted.
    means : one record per material, in the order of `cells.materials`.
    pairs : all pairs of materials; None for a single material.
    reference : every other material less the reference; None without one.
    equal_materials : test that all materials have the same mean; None for a single material.
    shrunken : (S, k) predicted mean of each material at each site.
    warnings : what a reader must know.
    """

    fit: MixedFit
    cells: Cells
    means: tuple[MaterialMean, ...]
    pairs: Contrasts | None
    reference: Contrasts | None
    equal_materials: FTest | None
    shrunken: FloatArray
    warnings: tuple[Warning_, ...]


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


def fit_fixed_day(
    site: Labels,
    pile: Labels,
    material: Labels,
    value: FloatArray,
    *,
    reference: str | None = None,
    options: FixedDayOptions = DEFAULTS,
) -> FixedDayResult | NotPooled:
    """Compare materials on one day, site random and pile nested in site.

    Parameters
    ----------
    site, pile, material : (n,) labels or integer codes of each bag; a pile is scoped by its site.
    value : (n,) the bag's value, usually disintegration in %; missing bags left out.
    reference : label of the material the others are compared with.

    Returns
    -------
    The comparison, or `NotPooled` with the reason: `single_site`, `no_replication` or
    `no_variation`.

    Raises
    ------
    ScienceError : columns that do not fit together, a value that is not finite, an unknown
        reference.
    FitDidNotConverge : no optimum was found.
    """
    cells = collapse(site, pile, material, value)
    if reference is not None and reference not in cells.materials:
        raise ScienceError(f"The reference {reference} has no bag on this day.")
    return fit_cells(cells, reference=reference, options=options)


def fit_cells(
    cells: Cells, *, reference: str | None = None, options: FixedDayOptions = DEFAULTS
) -> FixedDayResult | NotPooled:
    """`fit_fixed_day` from bags already collapsed."""
    fitted = fit_variances(cells, options)
    if isinstance(fitted, NotPooled):
        return fitted
    return _describe(fitted, cells, reference, options)


def fit_variances(
    cells: Cells, options: FixedDayOptions = DEFAULTS, start: FloatArray | None = None
) -> MixedFit | NotPooled:
    """The mixed model alone, with one mean per material."""
    if len(cells.sites) < MIN_SITES:
        return NotPooled(
            "single_site",
            f"All bags come from one site ({cells.sites[0]}). How sites differ cannot be seen, "
            "so nothing is pooled.",
        )
    k = len(cells.materials)
    if cells.n_bags <= k:
        return NotPooled(
            "no_replication", "There is no more than one bag per material; nothing can be pooled."
        )
    if bags_identical(cells):
        cells = one_bag_per_cell(cells)
    if cells.within.sum() + _about_materials(cells) <= NOTHING * cells.spread:
        return NotPooled(
            "no_variation",
            "Bags of one material do not differ at all, so there is no spread to judge by.",
        )
    design = np.eye(k)
    inseparable = _inseparable(cells, design, options.terms)
    lost = {a.name for a in inseparable}
    terms = tuple(t for t in options.terms if t not in lost)
    if not terms:
        return NotPooled("no_replication", " ".join(a.sentence for a in inseparable))
    fit = fit_blocks(site_blocks(cells, design, terms), cells.materials, options.method, start)
    return replace(fit, inseparable=inseparable)


def bags_identical(cells: Cells) -> bool:
    """Whether replicated bags never differ from each other inside their cell."""
    return bool((cells.count > 1).any() and cells.within.sum() <= NOTHING * cells.spread)


def one_bag_per_cell(cells: Cells) -> Cells:
    """The limit of no residual: a cell says no more than one bag of it does."""
    return replace(cells, count=np.minimum(cells.count, 1.0), within=np.zeros(len(cells.sites)))


def _about_materials(cells: Cells) -> float:
    """Sum of squares of cell means about their material's mean."""
    mean = (cells.count * cells.mean).sum(axis=(0, 2)) / cells.count.sum(axis=(0, 2))
    return float((cells.count * (cells.mean - mean[:, None]) ** 2).sum())


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
    inseparable = _inseparable(cells, design, options.terms)
    lost = {a.name for a in inseparable}
    terms = tuple(t for t in options.terms if t not in lost)
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


def _describe(
    fit: MixedFit, cells: Cells, reference: str | None, options: FixedDayOptions
) -> FixedDayResult:
    k = len(cells.materials)
    identity = np.eye(k)
    how = (options.df_method, options.boundary, options.level)
    pairs = letters = against = equal = None
    if k > 1:
        pairs = all_pairs(fit, identity, options.pair_adjustment, *how)
        letters = letters_of(pairs, fit.beta)
        contrast = identity[1:] - identity[0]
        equal = f_test(fit, contrast, options.df_method, options.boundary)
    if k > 1 and reference is not None:
        index = cells.materials.index(reference)
        against = against_reference(fit, identity, index, options.reference_adjustment, *how)
    means = material_means(fit, cells, letters, *how)
    return FixedDayResult(
        fit=fit,
        cells=cells,
        means=means,
        pairs=pairs,
        reference=against,
        equal_materials=equal,
        shrunken=_shrunken(fit, cells),
        warnings=_warnings(fit, cells),
    )


def _shrunken(fit: MixedFit, cells: Cells) -> FloatArray:
    effects = fit.random_effects
    shape = (len(cells.sites), len(cells.materials))
    site = effects.get(SITE, np.zeros(shape[0]))
    return fit.beta + site[:, None] + effects.get(SITE_MATERIAL, np.zeros(shape))


def _warnings(fit: MixedFit, cells: Cells) -> tuple[Warning_, ...]:
    said = []
    n = len(cells.sites)
    if n <= FEW_SITES:
        said.append(
            Warning_("few_sites", f"Only {n} sites: how much sites differ is hardly known.")
        )
    if bags_identical(cells):
        said.append(
            Warning_(
                "bags_identical",
                "Bags of one material in one pile never differ; each pile counts as one bag.",
            )
        )
    said += [Warning_("inseparable_terms", a.sentence) for a in fit.inseparable]
    said += [
        Warning_(
            "zero_variance",
            f"No spread of {term} beyond chance was seen: its variance is estimated as zero.",
        )
        for term in fit.at_boundary
    ]
    sites_with = (cells.count.sum(axis=2) > 0).sum(axis=0)
    said += [
        Warning_("material_at_one_site", f"{name} was looked at at one site only.")
        for name, count in zip(cells.materials, sites_with, strict=True)
        if count == 1
    ]
    return tuple(said)
