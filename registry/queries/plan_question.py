"""A question about a plan: variances from a finished run or typed in, the rest as asked."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from registry.errors import InvalidValue, NotFound
from registry.models import PooledEstimate, PoolingRun, RunState, Trial
from registry.permissions import Actor, visible_to
from registry.queries.plan_fields import BY_NAME
from registry.queries.summaries import latest_finished_run
from registry.science.plan import Components, Costs, DecayTruth, Plan
from registry.science.plan_answer import Goal, Question
from registry.science.plan_search import Limits

DEFAULT_DAYS = (14.0, 28.0, 42.0, 56.0, 84.0, 112.0)
DEFAULTS = {"sites": 6, "piles": 3, "bags": 3, "materials": 4, "level": 0.95}
DECAY = {
    "rate_per_day": "rate_per_day",
    "lag_days": "lag_days",
    "decay_tau2_site": "tau2_site",
    "decay_tau2_pile": "tau2_pile",
    "decay_a": "a",
    "decay_b": "b",
}
DECAY_NEEDS = ("rate_per_day", "decay_tau2_site", "decay_a")
ON_DAY = {
    "day_tau2_site": "site",
    "day_tau2_site_material": "site_material",
    "day_tau2_pile": "pile",
    "day_tau2_pile_material": "pile_material",
    "day_residual": "residual",
}
# From fewer sites a variance between sites is little more than a guess.
SITES_TO_TRUST = 6


@dataclass(frozen=True, slots=True)
class Assumed:
    """The variances a run gives, None where it has none; `notes` say what to mind."""

    source: str
    decay: DecayTruth | None = None
    on_day: Components | None = None
    days: tuple[float, ...] = DEFAULT_DAYS
    materials: int = DEFAULTS["materials"]  # type: ignore[assignment]
    detection_limit: float = 0.02
    notes: tuple[str, ...] = ()


TYPED = Assumed("typed in")


def assumed_by(asked: Mapping[str, Any], actor: Actor) -> Assumed:
    """The variances of the run or trial that was named; those typed in alone without either.

    Raises NotFound for a run or trial the actor may not see, InvalidValue for one without an answer
    about the material.
    """
    if "run" in asked and "trial" in asked:
        raise InvalidValue("Name a run or a trial, one of them.", field="run")
    if "run" not in asked and "trial" not in asked:
        return TYPED
    run = _run(asked, actor)
    if "material" not in asked:
        raise InvalidValue("Name the material whose decay rate is meant.", field="material")
    return _of_run(run, asked["material"])


def question_of(asked: Mapping[str, Any], assumed: Assumed) -> Question:
    """The question; what was typed in takes the place of what the run says.

    Raises InvalidValue when variances are typed in part and no run gives the others.
    """
    value = DEFAULTS | {"materials": assumed.materials} | dict(asked)
    days = tuple(asked.get("days", assumed.days))
    plan = Plan(value["sites"], value["piles"], value["materials"], value["bags"], len(days))
    costs = Costs(*(float(asked.get(f"cost_{what}", 1.0)) for what in ("site", "pile", "bag")))
    if costs.site + costs.pile + costs.bag <= 0:
        raise InvalidValue("A site, a pile or a bag must cost something.", field="cost_bag")
    usual = Limits()
    return Question(
        plan=plan,
        days=days,
        decay=_decay(asked, assumed.decay),
        on_day=_on_day(asked, assumed.on_day),
        difference=asked.get("difference"),
        comparisons=asked.get("comparisons", max(1, plan.materials - 1)),
        level=float(value["level"]),
        goal=Goal(asked.get("goal_factor"), asked.get("goal_half_width"), asked.get("goal_power")),
        costs=costs,
        limits=Limits(
            asked.get("most_sites", usual.sites),
            asked.get("most_piles", usual.piles),
            asked.get("most_bags", usual.bags),
        ),
    )


def _run(asked: Mapping[str, Any], actor: Actor) -> PoolingRun:
    if "trial" in asked:
        trial = visible_to(actor, Trial).filter(code=asked["trial"]).first()
        run = None if trial is None else latest_finished_run(actor, trial)
    else:
        runs = visible_to(actor, PoolingRun).filter(pk=asked["run"], state=RunState.DONE)
        run = runs.select_related("trial").first()
    if run is None:
        raise NotFound("There is no finished pooling run of this name that you may read.")
    return run


def _of_run(run: PoolingRun, material: str) -> Assumed:
    rows = run.estimates.filter(material__code=material, heat_class="all")
    rate = rows.filter(model="one_stage", outcome="decay_rate").first()
    on_day = rows.filter(model="fixed_day").first()
    if rate is None and on_day is None:
        raise InvalidValue(f"The run has no estimate of {material}.", field="material")
    trial = run.trial
    return Assumed(
        source=f"pooling run {run.pk} of trial {trial.code}, {material}",
        decay=_decay_of(rate),
        on_day=_components_of(on_day),
        days=tuple(float(day) for day in trial.schedule_days),
        materials=run.estimates.values("material").distinct().count(),
        detection_limit=trial.detection_limit,
        notes=tuple(_notes(rate, on_day)),
    )


def _decay_of(rate: PooledEstimate | None) -> DecayTruth | None:
    if rate is None or None in (rate.estimate, rate.tau2_site, rate.residual_a):
        return None
    low = BY_NAME["decay_a"].low
    return DecayTruth(
        rate_per_day=rate.estimate,
        tau2_site=rate.tau2_site,
        tau2_pile=rate.tau2_pile or 0.0,
        a=max(rate.residual_a, low),
        b=rate.residual_b or 0.0,
        lag_days=rate.lag_days or 0.0,
    )


def _components_of(on_day: PooledEstimate | None) -> Components | None:
    """The estimate has variances of site and pile with the material's own part in them."""
    if on_day is None or on_day.residual_variance is None or on_day.tau2_site is None:
        return None
    own_site, own_pile = on_day.tau2_site_material or 0.0, on_day.tau2_pile_material or 0.0
    return Components(
        site=max(0.0, on_day.tau2_site - own_site),
        site_material=own_site,
        pile=max(0.0, (on_day.tau2_pile or 0.0) - own_pile),
        pile_material=own_pile,
        residual=on_day.residual_variance,
    )


def _notes(rate: PooledEstimate | None, on_day: PooledEstimate | None) -> list[str]:
    notes = []
    if _decay_of(rate) is None:
        notes.append("The run has no decay rate with its variances for this material.")
    if _components_of(on_day) is None:
        notes.append(
            "The run has no variances of the primary day; pool the trial again, or type them in."
        )
    for found, what in ((rate, "rates"), (on_day, "losses on the primary day")):
        if found is not None and found.tau2_pile is None and found.tau2_site is not None:
            notes.append(
                f"Piles could not be told from sites in the {what}, so more piles seem of no use."
            )
    n_sites = max(found.n_sites for found in (rate, on_day) if found is not None)
    if n_sites < SITES_TO_TRUST:
        notes.append(
            f"The variances come from {n_sites} sites and are uncertain themselves; try larger "
            "ones too."
        )
    return notes


def _decay(asked: Mapping[str, Any], of_run: DecayTruth | None) -> DecayTruth | None:
    typed = {field: asked[name] for name, field in DECAY.items() if name in asked}
    if of_run is not None:
        return replace(of_run, **typed)
    if not typed:
        return None
    _demand(asked, DECAY_NEEDS, "The decay rate's variances are typed in part")
    return DecayTruth(**{"tau2_pile": 0.0, **typed})


def _on_day(asked: Mapping[str, Any], of_run: Components | None) -> Components | None:
    typed = {field: asked[name] for name, field in ON_DAY.items() if name in asked}
    if of_run is not None:
        return replace(of_run, **typed)
    if not typed:
        return None
    _demand(asked, ("day_residual",), "The primary day's variances are typed in part")
    return Components(**{**dict.fromkeys(ON_DAY.values(), 0.0), **typed})


def _demand(asked: Mapping[str, Any], needed: tuple[str, ...], what: str) -> None:
    missing = [name for name in needed if name not in asked]
    if missing:
        raise InvalidValue(f"{what}; {missing[0]} is missing.", field=missing[0])
