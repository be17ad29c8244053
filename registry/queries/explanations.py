"""What a run says may go with the rates, with the rates that were set against it."""

from django.db.models import Prefetch, QuerySet

from registry.models import ExplainedRate, Explanation, Material, PoolingRun

# Between materials, one figure each; heat has one per material, on that material's page.
BETWEEN_MATERIALS = ("filler_fraction", "coating", "thickness")
HEAT = ("mean_temperature", "hours_above_55")


def between_materials(run: PoolingRun) -> list[Explanation]:
    """Filler, coating and thickness of a run, with points; three queries."""
    found = _with_points(run.explanations.filter(kind__in=BETWEEN_MATERIALS))
    return sorted(found, key=lambda e: (BETWEEN_MATERIALS.index(e.kind), e.subject))


def heat_by_material(run: PoolingRun) -> list[Explanation]:
    """Every material's rate against the heat of its piles, without points."""
    found = run.explanations.filter(kind__in=HEAT).select_related("material")
    return list(found.order_by("material__name", "-kind"))


def heat_of_material(run: PoolingRun, material: Material) -> list[Explanation]:
    """One material's rate against the heat of its piles, with points."""
    found = _with_points(run.explanations.filter(kind__in=HEAT, material=material))
    return sorted(found, key=lambda e: HEAT.index(e.kind))


def _with_points(found: QuerySet[Explanation]) -> QuerySet[Explanation]:
    points = ExplainedRate.objects.select_related("site", "material")
    return found.select_related("material", "other").prefetch_related(
        Prefetch("points", queryset=points)
    )
