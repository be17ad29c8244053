"""Institutions, sites and trials, registered one at a time by a coordinator.

Sending the same again is harmless; another value under the same code is a conflict.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, TypeVar
from zoneinfo import available_timezones

from django.db import IntegrityError, transaction
from django.db.models import Model

from registry.columns import CODE_PATTERN
from registry.errors import InvalidValue, RecordChanged, StateOnlyMovesForward
from registry.intake import locks
from registry.models import Institution, Material, Site, Trial, TrialState
from registry.models.fields import COUNTRY_PATTERN
from registry.permissions import Actor, Capability, demand, visible_to
from registry.services import audit
from registry.services.ror import canonical_ror

M = TypeVar("M", bound=Model)

FIRST_DAY, LAST_DAY = 1, 1100
LONGEST_WINDOW = 60
DEFAULT_DETECTION_LIMIT = 0.02
DEFAULT_WINDOW_DAYS = 2
DEFAULT_LICENCE = "CC-BY-4.0"


def register_institution(
    *, institution: str, name: str, country: str, ror: str | None = "", by: Actor
) -> tuple[Institution, bool]:
    """A cooperating organisation, and whether it is new."""
    demand(by, Capability.REGISTER)
    values = {
        "name": _text("name", name, 200),
        "country": _country(country),
        "ror": canonical_ror(ror or ""),
    }
    return _once(Institution, _code("institution", institution), values, by)


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
        "name": _text("name", name, 200),
        "country": _country(country),
        "time_zone": _time_zone(time_zone),
        "latitude": _between("latitude", latitude, -90, 90),
        "longitude": _between("longitude", longitude, -180, 180),
    }
    return _once(Site, _code("site", site), values, by)


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
    code = _code("trial", trial)
    site_set = _all_named(Site.objects.all(), "sites", sites)
    material_set = _all_named(visible_to(by, Material), "materials", materials)
    values = {
        "title": _text("title", title, 300),
        "schedule_days": _schedule(schedule_days),
        "primary_day": _primary_day(primary_day, schedule_days),
        "detection_limit": _detection_limit(detection_limit),
        "window_days": _window(window_days),
        "reference_material": _reference(reference_material, material_set),
        "licence": _text("licence", licence or DEFAULT_LICENCE, 40),
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
    why = _text("reason", reason, 400)
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


def _code(field: str, code: str) -> str:
    if not isinstance(code, str) or not re.fullmatch(CODE_PATTERN.strip("^$"), code):
        raise InvalidValue(
            "A code is 2 to 40 capital letters, digits, hyphens and underscores.", field=field
        )
    return code


def _text(field: str, text: str, longest: int) -> str:
    text = str(text).strip()
    if not 1 <= len(text) <= longest or not text.isprintable():
        raise InvalidValue(f"Give a {field} of 1 to {longest} characters.", field=field)
    return text


def _country(country: str) -> str:
    if not re.fullmatch(COUNTRY_PATTERN.strip("^$"), str(country)):
        raise InvalidValue(
            "Give the country as two capital letters (ISO 3166), such as FR.", field="country"
        )
    return country


def _time_zone(name: str) -> str:
    if name not in available_timezones():
        raise InvalidValue(
            f"{str(name)[:64]!r} is no IANA time zone; write one such as Europe/Paris.",
            field="time_zone",
        )
    return name


def _between(field: str, value: float | None, low: float, high: float) -> float | None:
    if value is not None and not low <= value <= high:
        raise InvalidValue(f"{field} lies between {low:g} and {high:g}.", field=field)
    return None if value is None else float(value)


def _schedule(days: Sequence[int]) -> list[int]:
    if not days or any(not FIRST_DAY <= day <= LAST_DAY for day in days):
        raise InvalidValue(
            f"Give at least one day, each {FIRST_DAY} to {LAST_DAY}.", field="schedule_days"
        )
    if list(days) != sorted(set(days)):
        raise InvalidValue("Give the days in ascending order, each once.", field="schedule_days")
    return list(days)


def _primary_day(day: int, schedule: Sequence[int]) -> int:
    if day not in schedule:
        raise InvalidValue("The primary day must be one of schedule_days.", field="primary_day")
    return day


def _detection_limit(fraction: float | None) -> float:
    fraction = DEFAULT_DETECTION_LIMIT if fraction is None else fraction
    if not 0 < fraction < 0.5:
        raise InvalidValue(
            "The detection limit is a fraction of the start mass, above 0 and below 0.5.",
            field="detection_limit",
        )
    return fraction


def _window(days: int | None) -> int:
    days = DEFAULT_WINDOW_DAYS if days is None else days
    if not 0 <= days <= LONGEST_WINDOW:
        raise InvalidValue(f"The window is 0 to {LONGEST_WINDOW} days.", field="window_days")
    return days


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
