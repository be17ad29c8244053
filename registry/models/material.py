import pgtrigger
from django.db import models

from registry.columns import COMPOSITIONS, FORMS, FUNCTIONS, MATERIALS, ROLES

from .fields import Sent, code_field, code_is_well_formed, constraints_of, measured

# Rounding of the parts: shares written to whole percents may miss 100 by one.
COMPOSITION_TOLERANCE_PCT = 1.0


class Material(Sent):
    """An item on trial, or a control."""

    code = code_field(unique=True)
    name = models.CharField(max_length=200)
    form = models.CharField(max_length=10, choices=[(form, form) for form in FORMS])
    role = models.CharField(max_length=20, choices=[(role, role) for role in ROLES])
    thickness_um = measured()
    area_density_g_m2 = measured()
    coating = models.CharField(max_length=200, blank=True)
    colour = models.CharField(max_length=200, blank=True)
    batch = models.CharField(max_length=200, blank=True)
    drying_limit_c = measured()
    initial_ash_pct = measured()
    notes = models.TextField(blank=True, max_length=2000)

    class Meta:
        ordering = ["code"]
        constraints = [code_is_well_formed("material"), *constraints_of(MATERIALS)]

    def __str__(self) -> str:
        return self.name

    @property
    def is_control(self) -> bool:
        return self.role != "test"


class Composition(Sent):
    """The share of one component in a material's dry mass."""

    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="components")
    component = models.CharField(max_length=200)
    function = models.CharField(max_length=12, choices=[(name, name) for name in FUNCTIONS])
    mass_pct = models.FloatField()

    class Meta:
        ordering = ["material", "-mass_pct", "component"]
        constraints = [
            models.UniqueConstraint(
                fields=["material", "component"], name="component_once_per_material"
            ),
            *constraints_of(COMPOSITIONS),
        ]
        triggers = [
            # Checked when the transaction commits, so that a composition may arrive line by line.
            pgtrigger.Trigger(
                name="composition_adds_up",
                level=pgtrigger.Row,
                when=pgtrigger.After,
                operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
                timing=pgtrigger.Deferred,
                declare=[("total", "double precision"), ("owner", "bigint")],
                func=f"""
                    owner := COALESCE(NEW.material_id, OLD.material_id);
                    SELECT sum(mass_pct) INTO total
                      FROM registry_composition WHERE material_id = owner;
                    IF abs(total - 100) > {COMPOSITION_TOLERANCE_PCT} + 1e-9 THEN
                        RAISE EXCEPTION 'composition of material % adds up to %', owner, total
                            USING ERRCODE = 'check_violation', CONSTRAINT = 'composition_adds_up';
                    END IF;
                    RETURN NULL;
                """,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.component} {self.mass_pct:g} %"
