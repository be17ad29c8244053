"""What may explain the rates of the small trial: a filler answered, a coating refused, and heat."""

import math

from registry.models import ExplainedRate, Explanation, Material, PoolingRun, Site

SHARED = {
    "level": 0.95,
    "method": "Exploratory meta-regression of the log rate",
    "n_sites": 4,
}
ANSWER = {
    "code": "answered",
    "standard_error": 0.004,
    "df": 2.0,
    "p": 0.04,
    "intercept": -4.0,
    "intercept_standard_error": 0.1,
    "covariance": -0.0002,
    "tau2_site": 0.04,
    "tau2_without": 0.08,
    "r2_pct": 42.0,
    "qe": 9.0,
    "qe_df": 10,
    "qe_p": 0.5,
}


def explain(run: PoolingRun, sites: list[Site], materials: list[Material]) -> None:
    filler = Explanation.objects.create(
        run=run,
        kind="filler_fraction",
        subject="polyester, pot: wood",
        unit="%",
        step=10.0,
        n_rows=len(sites) * len(materials),
        n_materials=len(materials),
        message="Only 2 degrees of freedom: the interval is wide for a reason.",
        **_slope(0.012, 0.010, 10.0),
        **SHARED,
        **ANSWER,
    )
    _points(filler, [(m, s, 15.0 * i) for i, m in enumerate(materials) for s in sites])
    Explanation.objects.create(
        run=run,
        kind="coating",
        subject=f"{materials[0].code} / {materials[-1].code}",
        material=materials[0],
        other=materials[-1],
        code="few_sites",
        message="It takes 3 sites that had both.",
        unit="1",
        step=1.0,
        n_rows=0,
        n_materials=2,
        **SHARED,
    )
    for material in materials:
        for kind, unit, step in (("mean_temperature", "Cel", 5.0), ("hours_above_55", "h", 100.0)):
            heat = Explanation.objects.create(
                run=run,
                kind=kind,
                subject=material.code,
                material=material,
                unit=unit,
                step=step,
                n_rows=len(sites),
                n_materials=1,
                **_slope(0.02, 0.03, step),
                **SHARED,
                **ANSWER,
            )
            _points(heat, [(material, site, 45.0 + 4 * i) for i, site in enumerate(sites)])


def _slope(slope: float, half: float, step: float) -> dict[str, float]:
    low, high = slope - half, slope + half
    ratios = (math.exp(step * value) for value in (slope, low, high))
    return {
        "slope": slope,
        "ci_low": low,
        "ci_high": high,
        **dict(zip(("ratio", "ratio_low", "ratio_high"), ratios, strict=True)),
    }


def _points(explanation: Explanation, rates: list[tuple[Material, Site, float]]) -> None:
    ExplainedRate.objects.bulk_create(
        ExplainedRate(
            explanation=explanation,
            material=material,
            site=site,
            x=x,
            log_rate=-4.0 + 0.01 * x,
            standard_error=0.08,
        )
        for material, site, x in rates
    )
