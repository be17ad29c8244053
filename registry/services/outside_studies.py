"""Studies run elsewhere: effect sizes registered with their source, or withdrawn with a reason.

They are never mixed into a trial or a release; `queries.across_trials` pools with and without them.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pghistory
from django.db import transaction
from django.utils import timezone

from registry.errors import InvalidValue, RecordChanged
from registry.models import OUTSIDE_MEASURES, Material, OutsideEffect, OutsideStudy
from registry.permissions import Actor, Capability, demand, visible_to
from registry.services import audit
from registry.services.registered_values import code_value, country_value, text_value

MOST_EFFECTS = 1000
# What an effect is told by; the rest of its values must be the same when it is sent again.
EFFECT_KEY = ("material", "site", "measure")


@transaction.atomic
def register_outside_study(
    *,
    study: str,
    title: str,
    source: str,
    effects: Sequence[Mapping[str, Any]],
    url: str = "",
    licence: str = "",
    notes: str = "",
    by: Actor,
) -> tuple[OutsideStudy, bool]:
    """A study with all its effect sizes, and whether it is new; the same again is harmless.

    Each effect has `material`, `site`, `measure`, `effect` (natural log), `variance`, and may have
    `country`, `n_piles`, `n_bags`. Raises InvalidValue, or RecordChanged for other values.
    """
    demand(by, Capability.ADD_OUTSIDE_STUDY)
    values = {
        "title": text_value("title", title, 300),
        "source": text_value("source", source, 500),
        "url": url,
        "licence": licence,
        "notes": notes,
    }
    rows = _effects(effects, by)
    code = code_value("study", study)
    found, created = OutsideStudy.objects.get_or_create(
        code=code, defaults={**values, "registered_by": by.user}
    )
    if not created:
        _refuse_other_values(found, values, rows)
        return found, False
    OutsideEffect.objects.bulk_create(OutsideEffect(study=found, **row) for row in rows)
    summary = f"Outside study {code} registered with {len(rows)} effect sizes: {source}"
    audit.record("outside_study_registered", summary, by=by)
    return found, True


@transaction.atomic
def withdraw_outside_study(*, study: OutsideStudy, reason: str, by: Actor) -> OutsideStudy:
    """Pool it no more; it stays readable with the reason. Withdrawn already, it stays as it is."""
    demand(by, Capability.ADD_OUTSIDE_STUDY)
    why = text_value("reason", reason, 500)
    study = OutsideStudy.objects.select_for_update().get(pk=study.pk)
    if study.withdrawn_at is not None:
        return study
    study.withdrawn_at, study.withdrawn_reason = timezone.now(), why
    with pghistory.context(action="outside study withdrawn", actor=by.label):
        study.save(update_fields=["withdrawn_at", "withdrawn_reason"])
    audit.record("outside_study_withdrawn", f"Outside study {study.code}: {why}", by=by)
    return study


def _effects(sent: Sequence[Mapping[str, Any]], by: Actor) -> list[dict[str, Any]]:
    if not 1 <= len(sent) <= MOST_EFFECTS:
        raise InvalidValue(f"Give 1 to {MOST_EFFECTS} effect sizes.", field="effects")
    codes = {str(effect["material"]) for effect in sent}
    materials = {found.code: found for found in visible_to(by, Material).filter(code__in=codes)}
    if unknown := sorted(codes - materials.keys()):
        raise InvalidValue(f"Unknown materials: {', '.join(unknown)[:300]}.", field="material")
    rows = [_effect(effect, materials[str(effect["material"])]) for effect in sent]
    keys = [tuple(row[name] for name in EFFECT_KEY) for row in rows]
    if len(set(keys)) != len(keys):
        raise InvalidValue(
            "Two effect sizes have the same material, site and measure.", field="effects"
        )
    return rows


def _effect(sent: Mapping[str, Any], material: Material) -> dict[str, Any]:
    if sent["measure"] not in OUTSIDE_MEASURES:
        raise InvalidValue(f"measure is one of: {', '.join(OUTSIDE_MEASURES)}.", field="measure")
    effect, variance = float(sent["effect"]), float(sent["variance"])
    if not (math.isfinite(effect) and abs(effect) <= 20):
        raise InvalidValue(
            "effect is the natural logarithm of a rate per day or of days.", field="effect"
        )
    if not 0 < variance <= 100:
        raise InvalidValue("variance is above 0 and at most 100.", field="variance")
    country = sent.get("country") or ""
    return {
        "material": material,
        "site": text_value("site", sent["site"], 100),
        "country": country_value(country) if country else "",
        "measure": sent["measure"],
        "effect": effect,
        "variance": variance,
        "n_piles": sent.get("n_piles"),
        "n_bags": sent.get("n_bags"),
    }


def _refuse_other_values(
    found: OutsideStudy, values: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]
) -> None:
    for name, value in values.items():
        if getattr(found, name) != value:
            raise RecordChanged(
                f"{found.code} is registered with another {name}.",
                code="outside_study_changed",
                field=name,
            )
    names = list(rows[0])
    stored = {tuple(getattr(row, name) for name in names) for row in found.effects.all()}
    if stored != {tuple(row[name] for name in names) for row in rows}:
        raise RecordChanged(
            f"{found.code} is registered with other effect sizes; withdraw it and register the "
            "right ones under another code.",
            code="outside_study_changed",
            field="effects",
        )
