"""A small trial, pooled and released, written straight into the tables.

The numbers are plain formulas of the site's and material's position, so a test knows them.
"""

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from django.test import Client

from registry.models import (
    Bag,
    ChanceBy,
    Comparison,
    Composition,
    CurvePoint,
    EstimateWarning,
    Flag,
    Institution,
    LeaveOneOut,
    LossScenario,
    Material,
    Pile,
    PooledEstimate,
    PoolingRun,
    Rating,
    Release,
    Retrieval,
    Site,
    SiteEstimate,
    Trial,
    User,
)
from tests.frontend.small_explanations import explain

START = date(2026, 3, 2)
FROZEN = datetime(2026, 9, 1, 12, 0, tzinfo=UTC)
DAYS = (14, 28, 56, 84)
LAG = 6.0
PASSWORD = "a long pass phrase for tests"
SITE_NAMES = ("Low Meadow yard", "Harbour school garden", "High Terrace farm", "Sand Ridge")


@dataclass(frozen=True)
class SmallTrial:
    trial: Trial
    run: PoolingRun
    release: Release | None
    coordinator: User
    materials: list[Material]
    sites: list[Site]


def small_trial(
    code: str = "POTS-26",
    *,
    n_sites: int = 4,
    n_materials: int = 3,
    released: bool = True,
) -> SmallTrial:
    coordinator = User.objects.create_user(
        f"{code.lower()}@example.org", PASSWORD, name="Trial office", is_coordinator=True
    )
    sites = [_site(code, i) for i in range(n_sites)]
    materials = [_material(code, i) for i in range(n_materials)]
    trial = Trial.objects.create(
        code=code,
        title=f"Pots and films in working piles ({code})",
        state="running",
        schedule_days=list(DAYS),
        primary_day=84,
    )
    trial.sites.set(sites)
    trial.materials.set(materials)
    trial.coordinators.add(coordinator)
    _bags(trial, sites, materials)
    run = PoolingRun.objects.create(
        trial=trial,
        input_digest=code.lower().encode().hex().ljust(64, "0"),
        model_version="1",
        state="done",
        stage="stored",
        done=3,
        total=3,
        attempt=1,
        finished_at=FROZEN,
    )
    for i, material in enumerate(materials):
        _estimates(run, sites, material, rate_of(i))
        _on_main_day(run, material, lost=90.0 - 10 * i, letters="abc"[i % 3])
    _compare_with_first(run, materials)
    explain(run, sites, materials)
    release = _release(trial, run, materials) if released else None
    return SmallTrial(trial, run, release, coordinator, materials, sites)


def log_in(client: Client, user: User) -> None:
    """Past the log-in page, whose throttle asks for a request."""
    client.force_login(user, backend="django.contrib.auth.backends.ModelBackend")


def rate_of(material_index: int) -> float:
    return (0.045, 0.02, 0.004)[material_index % 3]


def _site(code: str, i: int) -> Site:
    name = SITE_NAMES[i % len(SITE_NAMES)]
    institution = Institution.objects.create(
        code=f"{code}-INST{i}", name=f"Institution of {name}", country="DK"
    )
    return Site.objects.create(
        code=f"{code}-S{i}",
        institution=institution,
        name=name if i < len(SITE_NAMES) else f"{name} {i}",
        country="DK",
        time_zone="Europe/Copenhagen",
    )


def _material(code: str, i: int) -> Material:
    names = ("Cellulose film, clear", "Moulded fibre pot, 8 cm", "Plant clip of polyester")
    material = Material.objects.create(
        code=f"{code}-M{i}",
        name=names[i % 3] if i < 3 else f"{names[i % 3]}, batch {i}",
        form=("film", "pot", "clip")[i % 3],
        role="positive_control" if i == 0 else "test",
        thickness_um=45 + i,
        coating="polyester, one side" if i == 1 else "",
    )
    Composition.objects.create(
        material=material, component="cellulose fibre", function="fibre", mass_pct=100
    )
    return material


def _bags(trial: Trial, sites: list[Site], materials: list[Material]) -> None:
    piles = [
        Pile(site=site, trial=trial, code=f"P{n}", kind="heap", started_on=START)
        for site in sites
        for n in (1, 2)
    ]
    Pile.objects.bulk_create(piles)
    bags = [
        Bag(
            trial=trial,
            pile=pile,
            label=f"P{pile.pk}-M{m}-D{day}",
            material=material,
            buried_on=START,
            initial_mass_g=10.0,
            planned_days=day,
        )
        for pile in piles
        for m, material in enumerate(materials)
        for day in DAYS
    ]
    Bag.objects.bulk_create(bags)
    rate = {material.pk: rate_of(m) for m, material in enumerate(materials)}
    looks = [_look(i, bag, rate[bag.material_id]) for i, bag in enumerate(bags)]
    Retrieval.objects.bulk_create(looks)
    excluded = next(look for look in looks if look.outcome == "recovered")
    Flag.objects.create(
        retrieval=excluded,
        pile=excluded.bag.pile,
        code="remaining_high",
        message="More than its start mass.",
        decision="exclude",
        reason="Compost clung to it and could not be brushed off.",
        decided_at=FROZEN,
    )


def _look(i: int, bag: Bag, rate: float) -> Retrieval:
    lifted = bag.buried_on + timedelta(days=bag.planned_days or 0)
    if i % 17 == 5:
        return Retrieval(bag=bag, retrieved_on=lifted, outcome="bag_lost")
    left = math.exp(-rate * max(0.0, (bag.planned_days or 0) - LAG)) * (0.95 + 0.02 * (i % 6))
    if left < 0.02:
        return Retrieval(bag=bag, retrieved_on=lifted, outcome="nothing_left")
    return Retrieval(bag=bag, retrieved_on=lifted, outcome="recovered", dry_mass_g=10 * left)


def _estimates(run: PoolingRun, sites: list[Site], material: Material, rate: float) -> None:
    shared = {
        "run": run,
        "material": material,
        "n_sites": len(sites),
        "n_piles": 2 * len(sites),
        "n_bags": 8 * len(sites),
        "n_excluded": 1,
        "n_lost": 2,
        "n_nothing_left": 3,
        "method": "REML, site random, pile within site random; t interval on S − 1",
        "tau2_site": 0.09,
        "tau2_pile": 0.04,
        "i2_pct": 64.0,
        "q": 8.4,
        "q_df": len(sites) - 1,
        "q_p": 0.038,
    }
    pooled = PooledEstimate.objects.create(
        outcome="decay_rate",
        model="two_stage",
        unit="1/d",
        lag_days=LAG,
        log_standard_error=math.log(1.3) / 2,
        **_around(rate, 1.3, 2.1),
        **shared,
    )
    PooledEstimate.objects.create(
        outcome="days_to_90",
        model="two_stage",
        unit="d",
        **_around(LAG + math.log(10) / rate, 1.3, 2.1),
        **shared,
    )
    _parts(pooled, sites, rate)


def _on_main_day(run: PoolingRun, material: Material, *, lost: float, letters: str) -> None:
    counts = ("n_sites", "n_piles", "n_bags", "n_excluded", "n_lost", "n_nothing_left")
    PooledEstimate.objects.create(
        run=run,
        material=material,
        outcome="disintegration_at_day",
        model="fixed_day",
        day=84,
        unit="%",
        estimate=lost,
        ci_low=lost - 4,
        ci_high=lost + 4,
        letters=letters,
        method="REML, Kenward–Roger",
        tau2_site=45.0,
        tau2_site_material=9.0,
        tau2_pile=20.0,
        tau2_pile_material=4.0,
        residual_variance=25.0,
        **dict.fromkeys(counts, 4),
    )


def _compare_with_first(run: PoolingRun, materials: list[Material]) -> None:
    for found in run.estimates.filter(model="fixed_day").exclude(material=materials[0]):
        difference = (found.estimate or 0) - 90.0
        Comparison.objects.create(
            pooled=found,
            other=materials[0],
            against_reference=True,
            difference=difference,
            standard_error=2.0,
            df=9.0,
            ci_low=difference - 4.5,
            ci_high=difference + 4.5,
            p_adjusted=0.0004,
            adjustment="dunnett",
        )


def _around(value: float, ci: float, pi: float) -> dict[str, float]:
    return {
        "estimate": value,
        "log_estimate": math.log(value),
        "ci_low": value / ci,
        "ci_high": value * ci,
        "pi_low": value / pi,
        "pi_high": value * pi,
    }


def _parts(pooled: PooledEstimate, sites: list[Site], rate: float) -> None:
    spread = [1.4 ** (i % 4 - 1.5) for i in range(len(sites))]
    SiteEstimate.objects.bulk_create(
        SiteEstimate(
            pooled=pooled,
            site=site,
            estimate=rate * f,
            ci_low=rate * f / 1.25,
            ci_high=rate * f * 1.25,
            shrunken_estimate=rate * f**0.7,
            weight_pct=100 / len(sites),
            n_piles=2,
            n_bags=8,
        )
        for site, f in zip(sites, spread, strict=True)
    )
    LeaveOneOut.objects.bulk_create(
        LeaveOneOut(
            pooled=pooled,
            site=site,
            estimate=rate * f**-0.3,
            ci_low=rate * f**-0.3 / 1.4,
            ci_high=rate * f**-0.3 * 1.4,
            tau2_site=0.07,
        )
        for site, f in zip(sites, spread, strict=True)
    )
    CurvePoint.objects.bulk_create(
        CurvePoint(
            pooled=pooled,
            day=day,
            fitted=_left(rate, day),
            ci_low=_left(rate * 1.3, day),
            ci_high=_left(rate / 1.3, day),
            pi_low=_left(rate * 2.1, day),
            pi_high=_left(rate / 2.1, day),
        )
        for day in range(0, 85, 7)
    )
    ChanceBy.objects.bulk_create(
        ChanceBy(pooled=pooled, days=days, probability=chance(rate, days)) for days in (84, 180)
    )
    LossScenario.objects.create(
        pooled=pooled, assumption="gone", estimate=rate * 1.05, ci_low=rate, ci_high=rate * 1.4
    )
    if len(sites) <= 4:
        EstimateWarning.objects.create(
            pooled=pooled,
            code="few_sites",
            message="Only four sites: the spread between sites is known poorly.",
        )


def _left(rate: float, day: float) -> float:
    return math.exp(-rate * max(0.0, day - LAG))


def chance(rate: float, days: int) -> float:
    """A made-up but monotone chance: half when the pooled curve just reaches 10 %."""
    return 1 / (1 + ((LAG + math.log(10) / rate) / days) ** 4)


def _release(trial: Trial, run: PoolingRun, materials: list[Material]) -> Release:
    release = Release.objects.create(
        trial=trial,
        version=1,
        run=run,
        licence="CC-BY-4.0",
        notes="First release.",
        package_name=f"{trial.code}-v1.zip",
        package_sha256="a1" * 32,
        package_bytes=123_456,
        n_rows=96,
        created_at=FROZEN,
    )
    for i, material in enumerate(materials):
        for heat in ("all", "hot", "cool"):
            _rating(release, run, material, rate_of(i), heat)
    return release


def _rating(release: Release, run: PoolingRun, material: Material, rate: float, heat: str) -> None:
    thin = heat == "cool"
    days = LAG + math.log(10) / rate
    band = "gone" if rate > 0.04 else "still_in_pieces" if rate > 0.01 else "little_change"
    Rating.objects.create(
        release=release,
        material=material,
        pooled=run.estimates.get(material=material, outcome="decay_rate")
        if heat == "all"
        else None,
        heat_class=heat,
        band="not_enough_evidence" if thin else band,
        confidence="none" if thin else "fair",
        chance_84=None if thin else chance(rate, 84),
        chance_180=None if thin else chance(rate, 180),
        typical_days=None if thin else days,
        typical_days_low=None if thin else days / 2.1,
        typical_days_high=None if thin else days * 2.1,
        n_sites=1 if thin else 4,
        n_piles=1 if thin else 8,
        n_bags=4 if thin else 32,
        sentence="One site has looked so far; that is too little to say."
        if thin
        else f"A typical pile needs about {days / 7:.0f} weeks to get rid of it.",
    )
