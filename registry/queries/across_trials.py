"""One material, or a family of materials, pooled over all released trials that anyone may read,
and over these with the studies run elsewhere; the two answers are always told apart.

Rows are the sites' own estimates of each trial's newest public release, from the two-stage summary:
log rate or log days with their sampling variance. A family is every material with the same base
component: the polymer or fibre with the largest share.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from registry.models import Composition, Material, OutsideEffect, Release, SiteEstimate
from registry.permissions import ANYONE, visible_to
from registry.science.across_trials import AcrossTrials, pool_across_trials
from registry.science.types import FitDidNotConverge, ScienceError, Warning_

OUTCOMES = ("decay_rate", "days_to_90")
BASE_FUNCTIONS = ("polymer", "fibre")


@dataclass(frozen=True, slots=True)
class EffectRow:
    """A material at a site of a release, or of an outside study; `variance` is of the log effect.

    `trial` is the code of either; `version` is of the release, None for an outside study, whose
    `source` is its citation.
    """

    trial: str
    version: int | None
    site: str
    material: str
    log_estimate: float
    variance: float
    n_piles: int | None
    n_bags: int | None
    source: str = ""

    @property
    def external(self) -> bool:
        return self.version is None


@dataclass(frozen=True, slots=True)
class AcrossTrialsAnswer:
    """The rows, and their pooled mean where it could be made; `warnings` say why not.

    `pooled` rests on releases alone. `with_outside` rests on the outside studies as well, and is
    None when there are none.
    """

    rows: tuple[EffectRow, ...]
    pooled: AcrossTrials | None
    with_outside: AcrossTrials | None
    warnings: tuple[Warning_, ...]


def public_materials() -> list[Material]:
    return list(visible_to(ANYONE, Material).distinct().order_by("name", "code"))


def family_of(component: str) -> list[Material]:
    """Materials whose base component this is, in the order of their codes."""
    found = [pk for pk, base in _bases().items() if base == component]
    return list(visible_to(ANYONE, Material).filter(pk__in=found).distinct().order_by("code"))


def families() -> list[str]:
    """Base components that more than one public material shares, by name."""
    public = set(visible_to(ANYONE, Material).values_list("pk", flat=True))
    count = Counter(base for pk, base in _bases().items() if pk in public)
    return sorted(base for base, n in count.items() if n > 1)


def _bases() -> dict[int, str]:
    """The base component of every material that has one, by its id."""
    base: dict[int, tuple[float, str]] = {}
    shares = Composition.objects.filter(function__in=BASE_FUNCTIONS)
    for material, share, name in shares.values_list("material_id", "mass_pct", "component"):
        # The larger share; of equal ones the first by name, so that the answer does not waver.
        if material not in base or (-share, name) < (-base[material][0], base[material][1]):
            base[material] = (share, name)
    return {pk: name for pk, (_, name) in base.items()}


def across_trials(
    materials: Sequence[Material], *, outcome: str, heat_class: str
) -> AcrossTrialsAnswer:
    """Pool what the newest public release of every trial says of these materials.

    Outside studies tell no heat class, so they join the pool of all piles only.
    """
    rows = _released_effects(materials, outcome, heat_class)
    outside = _outside_effects(materials, outcome) if heat_class == "all" else ()
    pooled, warnings = _pooled(rows)
    with_outside, more = _pooled((*rows, *outside)) if outside else (None, ())
    said = [*warnings, *(Warning_(f"with_outside_{w.code}", w.message) for w in more)]
    return AcrossTrialsAnswer((*rows, *outside), pooled, with_outside, tuple(said))


def _pooled(rows: Sequence[EffectRow]) -> tuple[AcrossTrials | None, Sequence[Warning_]]:
    if not rows:
        nothing = "No public release holds an estimate of this with its variance."
        return None, (Warning_("nothing_released", nothing),)
    try:
        pooled = pool_across_trials(
            np.array([row.log_estimate for row in rows]),
            np.array([row.variance for row in rows]),
            [row.trial for row in rows],
            # A name of a place in a study is the study's own, whatever our sites are called.
            [f"{row.trial}/{row.site}" if row.external else row.site for row in rows],
            [row.material for row in rows],
        )
    except (ScienceError, FitDidNotConverge) as refusal:
        return None, (Warning_("not_pooled", str(refusal)),)
    return pooled, pooled.warnings


def _outside_effects(materials: Sequence[Material], outcome: str) -> tuple[EffectRow, ...]:
    effects = OutsideEffect.objects.filter(
        material__in=materials, measure=f"log_{outcome}", study__withdrawn_at__isnull=True
    )
    columns = (
        *("study__code", "site", "material__code", "effect", "variance"),
        *("n_piles", "n_bags", "study__source"),
    )
    return tuple(
        EffectRow(code, None, site, material, effect, variance, n_piles, n_bags, source)
        for code, site, material, effect, variance, n_piles, n_bags, source in effects.order_by(
            "study__code", "site", "material__code"
        ).values_list(*columns)
    )


def _released_effects(
    materials: Sequence[Material], outcome: str, heat_class: str
) -> tuple[EffectRow, ...]:
    releases = visible_to(ANYONE, Release).select_related("trial").order_by("trial", "version")
    newest = {release.trial_id: release for release in releases}
    by_run = {release.run_id: release for release in newest.values()}
    sites = SiteEstimate.objects.filter(
        pooled__run__in=by_run,
        pooled__material__in=materials,
        pooled__outcome=outcome,
        pooled__model="two_stage",
        pooled__heat_class=heat_class,
        pooled__time_scale="days",
        log_estimate__isnull=False,
        log_standard_error__gt=0,
    )
    columns = (
        *("pooled__run", "site__code", "pooled__material__code"),
        *("log_estimate", "log_standard_error", "n_piles", "n_bags"),
    )
    rows = [
        EffectRow(
            trial=by_run[run].trial.code,
            version=by_run[run].version,
            site=site,
            material=material,
            log_estimate=effect,
            variance=error**2,
            n_piles=n_piles,
            n_bags=n_bags,
        )
        for run, site, material, effect, error, n_piles, n_bags in sites.values_list(*columns)
    ]
    return tuple(sorted(rows, key=lambda row: (row.trial, row.site, row.material)))
