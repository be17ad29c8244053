"""Disintegration on one retrieval day across materials: the door for the service.

    value of a bag = mean of its material + site + site × material
                                          + pile + pile × material + residual

Sites, and piles within them, are samples of those the answer is for, so they are random. A term
the data cannot separate from another is left out and named.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from registry.science.mixed.cells import Cells, Labels, collapse
from registry.science.mixed.contrasts import (
    Contrasts,
    against_reference,
    all_pairs,
    letters_of,
)
from registry.science.mixed.f_test import FTest, f_test
from registry.science.mixed.fixed_day_means import MaterialMean, material_means
from registry.science.mixed.fixed_day_variances import (
    DEFAULTS,
    FixedDayOptions,
    NotPooled,
    bags_identical,
    fit_variances,
)
from registry.science.mixed.general import MixedFit
from registry.science.mixed.identify import RESIDUAL
from registry.science.mixed.site_blocks import SITE, SITE_MATERIAL
from registry.science.types import FloatArray, ScienceError, Warning_

# With so few sites the spread between them is hardly known; said beside the numbers.
FEW_SITES = 4
Families = Sequence[tuple[str, Sequence[str]]]


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
    families : in the order asked for, materials less the one of their own family.
    equal_materials : test that all materials have the same mean; None for a single material, or
        too few sites and piles.
    shrunken : (S, k) predicted mean of each material at each site.
    warnings : what a reader must know.
    """

    fit: MixedFit
    cells: Cells
    means: tuple[MaterialMean, ...]
    pairs: Contrasts | None
    reference: Contrasts | None
    families: tuple[Contrasts, ...]
    equal_materials: FTest | None
    shrunken: FloatArray
    warnings: tuple[Warning_, ...]


def fit_fixed_day(
    site: Labels,
    pile: Labels,
    material: Labels,
    value: FloatArray,
    *,
    reference: str | None = None,
    families: Families = (),
    options: FixedDayOptions = DEFAULTS,
) -> FixedDayResult | NotPooled:
    """Compare materials on one day, site random and pile nested in site.

    Parameters
    ----------
    site, pile, material : (n,) labels or integer codes of each bag; a pile is scoped by its site.
    value : (n,) the bag's value, usually disintegration in %; missing bags left out.
    reference : label of the material the others are compared with.
    families : label of a material and of those compared with it alone, adjusted among themselves;
        labels without a bag on the day are left out.

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
    return fit_cells(cells, reference=reference, families=families, options=options)


def fit_cells(
    cells: Cells,
    *,
    reference: str | None = None,
    families: Families = (),
    options: FixedDayOptions = DEFAULTS,
) -> FixedDayResult | NotPooled:
    """`fit_fixed_day` from bags already collapsed."""
    fitted = fit_variances(cells, options)
    if isinstance(fitted, NotPooled):
        return fitted
    return _describe(fitted, cells, reference, families, options)


def _describe(
    fit: MixedFit,
    cells: Cells,
    reference: str | None,
    families: Families,
    options: FixedDayOptions,
) -> FixedDayResult:
    k = len(cells.materials)
    identity = np.eye(k)
    how = (options.df_method, options.boundary, options.level)
    pairs = letters = against = equal = None
    if k > 1:
        pairs = all_pairs(fit, identity, options.pair_adjustment, *how)
        letters = letters_of(pairs, fit.beta)
        equal = _equal_materials(fit, options)
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
        families=tuple(
            against_reference(
                fit,
                identity,
                cells.materials.index(alone),
                options.reference_adjustment,
                *how,
                others=np.array([cells.materials.index(other) for other in seen], dtype=np.int64),
            )
            for alone, others in families
            if alone in cells.materials and (seen := [o for o in others if o in cells.materials])
        ),
        equal_materials=equal,
        shrunken=_shrunken(fit, cells),
        warnings=_warnings(fit, cells),
    )


def _equal_materials(fit: MixedFit, options: FixedDayOptions) -> FTest | None:
    contrast = np.eye(fit.p)[1:] - np.eye(fit.p)[0]
    try:
        return f_test(fit, contrast, options.df_method, options.boundary)
    except ScienceError:
        return None


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
        if term != RESIDUAL
    ]
    if RESIDUAL in fit.at_boundary:
        said.append(
            Warning_(
                "zero_residual",
                "Single bags add no spread of their own beside sites, piles and materials: the "
                "residual variance is estimated as zero.",
            )
        )
    sites_with = (cells.count.sum(axis=2) > 0).sum(axis=0)
    said += [
        Warning_("material_at_one_site", f"{name} was looked at at one site only.")
        for name, count in zip(cells.materials, sites_with, strict=True)
        if count == 1
    ]
    return tuple(said)
