"""The piles of a trial at a glance: heat, controls, and bags that were lost."""

from dataclasses import dataclass

from django.db.models import Count, Q

from registry.models import Pile, Trial
from registry.queries.looks_of_trial import looks_of
from registry.queries.pile_heat import heat_summaries
from registry.science.controls import Gate, PileGates, pile_gates


@dataclass(frozen=True, slots=True)
class PileGlance:
    """One pile. `coverage_pct` is None without readings, `gates` without weighed controls."""

    site: str
    site_name: str
    code: str
    heat_class: str
    coverage_pct: float | None
    gates: PileGates | None
    n_bags: int
    n_lost: int
    n_damaged: int

    @property
    def is_in_doubt(self) -> bool:
        failed = (Gate.HANDLING_LOSS, Gate.CONTAMINATION, Gate.INACTIVE)
        return self.gates is not None and (
            self.gates.negative in failed or self.gates.positive in failed
        )


def piles_at_a_glance(trial: Trial) -> list[PileGlance]:
    """By site and pile. A fixed number of queries."""
    heat = heat_summaries(trial)
    gates = _gates(trial)
    return [
        PileGlance(
            site=pile.site.code,
            site_name=pile.site.name,
            code=pile.code,
            heat_class=heat[pile.pk].heat_class if pile.pk in heat else "unknown",
            coverage_pct=heat[pile.pk].coverage_pct if pile.pk in heat else None,
            gates=gates.get((pile.site.code, pile.code)),
            n_bags=pile.n_bags,  # type: ignore[attr-defined]
            n_lost=pile.n_lost,  # type: ignore[attr-defined]
            n_damaged=pile.n_damaged,  # type: ignore[attr-defined]
        )
        for pile in _piles(trial)
    ]


def _piles(trial: Trial) -> list[Pile]:
    lost = Q(bags__retrievals__outcome="bag_lost")
    damaged = Q(bags__retrievals__outcome="bag_damaged")
    rows = Pile.objects.filter(trial=trial).select_related("site")
    return list(
        rows.annotate(
            n_bags=Count("bags", distinct=True),
            n_lost=Count("bags", filter=lost, distinct=True),
            n_damaged=Count("bags", filter=damaged, distinct=True),
        ).order_by("site__name", "code")
    )


def _gates(trial: Trial) -> dict[tuple[str, str], PileGates]:
    looks = looks_of(trial, controls_only=True)
    return {
        (looks.site_labels[looks.pile_site[gate.pile]], looks.pile_labels[gate.pile]): gate
        for gate in pile_gates(looks, agreed_day=trial.primary_day)
    }
