"""Institutions, sites and trials, registered one at a time by a coordinator.

Sending the same again is harmless; another value under the same code is a conflict.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, TypeVar

import pghistory
from django.db import IntegrityError, transaction
from django.db.models import Model

from registry.errors import InvalidValue, RecordChanged, StateOnlyMovesForward
from registry.intake import locks
from registry.models import Institution, Material, Site, Trial, TrialState
from registry.permissions import Actor, Capability, demand, visible_to
from registry.services import audit
from registry.services.registered_values import (
    code_value,
    country_value,
    detection_limit_value,
    number_between,
    primary_day_value,
    schedule_value,
    text_value,
    time_zone_value,
    window_value,
)
from registry.services.ror import canonical_ror

M = TypeVar("M", bound=Model)

DEFAULT_LICENCE = "CC-BY-4.0"


def register_institution(
    *, institution: str, name: str, country: str, ror: str | None = "", by: Actor
) -> tuple[Institution, bool]:
    """A cooperating organisation, and whether it is new."""
    demand(by, Capability.REGISTER)
    values = {
        "name": text_value("name", name, 200),
        "country": country_value(country),
        "ror": canonical_ror(ror or ""),
    }
    return _once(Institution, code_value("institution", institution), values, by)


def register_site(
    *,
    site: str,
    institution: str,
    name: str,
    country: str,
    time_zone: str,
    latitude: float | None = None,
    longitude: float | None = None,
    by: Actor,
) -> tuple[Site, bool]:
    """A place with piles, and whether it is new."""
    demand(by, Capability.REGISTER)
    if (latitude is None) != (longitude is None):
        raise InvalidValue("Give latitude and longitude together, or neither.", field="latitude")
    values = {
        "institution": _named(Institution.objects.all(), "institution", institution),
        "name": text_value("name", name, 200),
        "country": country_value(country),
        "time_zone": time_zone_value(time_zone),
        "latitude": number_between("latitude", latitude, -90, 90),
        "longitude": number_between("longitude", longitude, -180, 180),
    }
    return _once(Site, code_value("site", site), values, by)


def register_trial(
    *,
    trial: str,
    title: str,
    schedule_days: Sequence[int],
    primary_day: int,
    sites: Sequence[str],
    materials: Sequence[str] = (),
    detection_limit: float | None = None,
    window_days: int | None = None,
    reference_material: str | None = None,
    licence: str | None = None,
    embargo_until: date | None = None,
    by: Actor,
) -> tuple[Trial, bool]:
    """A trial in draft, and whether it is new. Whoever registers it becomes its coordinator."""
    demand(by, Capability.REGISTER)
    code = code_value("trial", trial)
    site_set = _all_named(Site.objects.all(), "sites", sites)
    material_set = _all_named(visible_to(by, Material), "materials", materials)
    values = {
        "title": text_value("title", title, 300),
        "schedule_days": schedule_value(schedule_days),
        "primary_day": primary_day_value(primary_day, schedule_days),
        "detection_limit": detection_limit_value(detection_limit),
        "window_days": window_value(window_days),
        "reference_material": _reference(reference_material, material_set),
        "licence": text_value("licence", licence or DEFAULT_LICENCE, 40),
        "embargo_until": embargo_until,
    }
    with transaction.atomic():
        found, created = _once(Trial, code, values, by, visible=visible_to(by, Trial))
        if created:
            found.sites.set(site_set)
            found.materials.set(material_set)
            if by.user is not None:
                found.coordinators.add(by.user)
        else:
            _refuse_other_members(found, site_set, material_set)
    return found, created


def update_trial(
    *, trial: Trial, sites: Iterable[str] = (), materials: Iterable[str] = (), by: Actor
) -> Trial:
    """Add sites and materials to a trial that is not closed; what is in it stays in it."""
    demand(by, Capability.MOVE_TRIAL, trial=trial)
    site_set = _all_named(Site.objects.all(), "sites", sites)
    material_set = _all_named(visible_to(by, Material), "materials", materials)
    with transaction.atomic():
        locks.hold_trial(trial.pk)
        trial.refresh_from_db()
        if trial.state == TrialState.CLOSED:
            raise StateOnlyMovesForward(f"Trial {trial.code} is closed and changes no more.")
        trial.sites.add(*site_set)
        trial.materials.add(*material_set)
        added = ", ".join(item.code for item in (*site_set, *material_set)) or "nothing"
        audit.record("trial_extended", f"{trial.code}: {added} added", by, trial)
    return trial


def move_trial(*, trial: Trial, state: str, reason: str, by: Actor) -> Trial:
    """Move a trial forwards. Waits for uploads that are being stored, and keeps later ones out
    when it closes. Asking for the state it has changes nothing."""
    demand(by, Capability.MOVE_TRIAL, trial=trial)
    if state not in TrialState.values:
        raise InvalidValue(f"A trial is {', '.join(TrialState.values)}.", field="state")
    why = text_value("reason", reason, 400)
    with transaction.atomic():
        locks.hold_trial(trial.pk)
        trial.refresh_from_db()
        if trial.state == state:
            return trial
        if not trial.may_move_to(state):
            raise StateOnlyMovesForward(
                f"Trial {trial.code} is {trial.state}; it cannot go back to {state}.", field="state"
            )
        before = trial.state
        trial.state = state
        with pghistory.context(action="trial moved", actor=by.label):
            trial.save(update_fields=["state"])
        audit.record("trial_moved", f"{trial.code}: {before} → {state}. {why}", by, trial)
    return trial


def _once(
    model: type[M], code: str, values: Mapping[str, Any], by: Actor, visible: Any = None
) -> tuple[M, bool]:
    """Create, or find the same; raises RecordChanged when the code holds other values."""
    rows: Any = model._default_manager
    try:
        with transaction.atomic():
            found, created = rows.get_or_create(code=code, defaults=dict(values))
            noun = str(model._meta.verbose_name)
            if created:
                trial = found if isinstance(found, Trial) else None
                audit.record(f"{noun}_registered", f"{noun} {code} registered", by, trial)
    except IntegrityError as broken:
        rule = getattr(getattr(broken.__cause__, "diag", None), "constraint_name", None)
        raise InvalidValue(f"The values break the registry's rule {rule}.") from broken
    if not created:
        if visible is not None and not visible.filter(pk=found.pk).exists():
            raise RecordChanged(f"The code {code} is taken.", code=f"{noun}_changed", field=noun)
        _refuse_other_values(found, values, noun)
    return found, created


def _refuse_other_values(found: Model, values: Mapping[str, Any], noun: str) -> None:
    for name, value in values.items():
        stored = getattr(found, name)
        if stored != value:
            raise RecordChanged(
                f"{found.code} is registered with {name} {_word(stored)}; {_word(value)} was sent.",  # type: ignore[attr-defined]
                code=f"{noun}_changed",
                field=name,
            )


def _refuse_other_members(
    trial: Trial, sites: Sequence[Site], materials: Sequence[Material]
) -> None:
    """Sent again, a trial may name fewer members than it has by now, but no others."""
    for name, sent in (("sites", sites), ("materials", materials)):
        members = set(getattr(trial, name).values_list("code", flat=True))
        strange = sorted({item.code for item in sent} - members)
        if strange:
            raise RecordChanged(
                f"{trial.code} is registered without {', '.join(strange)}; add them to the trial "
                "instead of registering it again.",
                code="trial_changed",
                field=name,
            )


def _word(value: object) -> str:
    if isinstance(value, Model):
        return str(getattr(value, "code", value))
    return "blank" if value in (None, "") else str(value)


def _reference(code: str | None, materials: Sequence[Material]) -> Material | None:
    if not code:
        return None
    for material in materials:
        if material.code == code:
            return material
    raise InvalidValue(
        f"The reference material {code} is not among the materials of the trial.",
        field="reference_material",
    )


def _named(rows: Any, field: str, code: str) -> Any:
    found = rows.filter(code=code).first()
    if found is None:
        raise InvalidValue(f"There is no {field} {str(code)[:60]}. Register it first.", field=field)
    return found


def _all_named(rows: Any, field: str, codes: Iterable[str]) -> list[Any]:
    codes = list(codes)
    found = {row.code: row for row in rows.filter(code__in=codes)}
    unknown = sorted({str(code)[:60] for code in codes} - set(found))
    if unknown:
        raise InvalidValue(f"Unknown {field}: {', '.join(unknown)}. Send them first.", field=field)
    return [found[code] for code in dict.fromkeys(codes)]
