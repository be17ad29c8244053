"""Small simulated trials with known truth, drawn from the one-stage model itself."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Truth:
    """mu is the mean log rate per day; residual variance a + b f²."""

    mu: float = float(np.log(0.035))
    tau_site: float = 0.35
    tau_pile: float = 0.2
    tau_bag: float = 0.0
    lag: float = 8.0
    a: float = 0.02**2
    b: float = 0.08**2


def draw_log_rates(rng, n_sites, n_piles, truth=Truth()):
    """Log rate of every pile, and each pile's site; `n_piles` may be one number or one per site."""
    pile_site = np.repeat(np.arange(n_sites), np.broadcast_to(n_piles, n_sites))
    u = rng.normal(0, truth.tau_site, n_sites)
    return truth.mu + u[pile_site] + rng.normal(0, truth.tau_pile, len(pile_site)), pile_site


def draw_trial(
    rng,
    n_sites,
    n_piles,
    days=(14, 28, 42, 56, 84, 112),
    n_bags=4,
    truth=Truth(),
    limit=0.02,
    contaminated=0.0,
):
    """Keyword arguments for `fit_one_stage`; values above 105 % are left out as the intake does.

    With `tau_bag` every bag is looked at on all days.
    """
    log_rate, pile_site = draw_log_rates(rng, n_sites, n_piles, truth)
    return look_at(rng, log_rate, pile_site, days, n_bags, truth, limit, contaminated)


def look_at(rng, log_rate, pile_site, days, n_bags, truth, limit=0.02, contaminated=0.0):
    """Bags of piles with given log rates."""
    pile, day, copy = (
        x.ravel()
        for x in np.meshgrid(np.arange(len(pile_site)), np.array(days, float), np.arange(n_bags),
                             indexing="ij")
    )  # fmt: skip
    bag = None
    eta = log_rate[pile]
    if truth.tau_bag:
        bag = pile * n_bags + copy
        eta = eta + rng.normal(0, truth.tau_bag, len(pile_site) * n_bags)[bag]
    f = np.exp(-np.exp(eta) * np.maximum(0, day - truth.lag))
    y = f + rng.normal(size=len(f)) * np.sqrt(truth.a + truth.b * f**2)
    y = np.where(rng.random(len(f)) < contaminated, y * rng.uniform(1, 5, len(f)), y)
    kept = y <= 1.05 if contaminated else np.ones(len(y), bool)
    trial = {
        "site": pile_site[pile], "pile": pile, "day": day, "remaining": y, "censored": y <= limit,
        "detection_limit": np.full(len(y), limit), "bag": bag,
    }  # fmt: skip
    return {k: (v if v is None else v[kept]) for k, v in trial.items()}
