"""What is known of a trial's materials before they are buried: form, thickness, coating, make."""

from collections import defaultdict

from django.db.models import Q

from registry.models import Composition, Material, Trial
from registry.science.formulation import Component, MaterialFacts


def material_facts(trial: Trial) -> tuple[MaterialFacts, ...]:
    """Every material on trial, buried in it, or its reference; by code. Two queries."""
    on_trial = Q(trials=trial) | Q(bags__trial=trial) | Q(pk=trial.reference_material_id)
    materials = list(Material.objects.filter(on_trial).distinct().order_by("code"))
    parts: dict[int, list[Component]] = defaultdict(list)
    for part in Composition.objects.filter(material__in=materials).order_by("component"):
        parts[part.material_id].append(Component(part.component, part.function, part.mass_pct))
    return tuple(
        MaterialFacts(
            code=material.code,
            form=material.form,
            role=material.role,
            thickness_um=material.thickness_um,
            coating=material.coating,
            components=tuple(parts[material.pk]),
        )
        for material in materials
    )
