"""Shapes of a scenario: the places, items and mistakes of an invented trial.

Symbols as in the pooled model. For bag i of material m in pile p at site s, day t:

    y = f + ε,  f = exp(−k·max(0, t − L)),  log k = μ + u_s + d_sp,  Var ε = a + b·f²

with u ~ N(0, τ_site²), d ~ N(0, τ_pile²), rates per day, lags in days.
"""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class SitePlan:
    """A place with piles. Air in °C: mean of the year, half-ranges of the year and the day."""

    code: str
    name: str
    institution: str
    institution_name: str
    country: str
    time_zone: str
    latitude: float
    longitude: float
    mean_c: float
    year_swing_c: float
    day_swing_c: float
    started_on: date
    pile_kinds: tuple[str, ...]
    # Whether its files carry UTC times; else naive times of the site's own clock.
    writes_utc: bool = True
    fahrenheit: bool = False


@dataclass(frozen=True, slots=True)
class MaterialPlan:
    """An item with its true decay. `rate_per_day` is exp(μ), 0 for an item that does not decay.

    `shared` is the part of both variances that all materials of a place have in common; the rest is
    a material's own. `holds_compost` scales how often compost sticks to its residue.
    """

    code: str
    name: str
    form: str
    role: str
    thickness_um: float
    area_density_g_m2: float
    colour: str
    ash_pct: float
    moisture_pct: float
    specimen_g: float
    composition: tuple[tuple[str, str, float], ...]
    rate_per_day: float
    lag_days: float
    coating: str = ""
    drying_limit_c: float | None = None
    tau_site: float = 0.30
    tau_pile: float = 0.20
    shared: float = 0.4
    a: float = 0.0003
    b: float = 0.0005
    holds_compost: float = 1.0


@dataclass(frozen=True, slots=True)
class Mess:
    """How often things go wrong, as shares of bags unless said otherwise."""

    lost: float = 0.012
    damaged: float = 0.015
    contaminated: float = 0.02
    # Compost stuck to a bag's residue, as a multiple of its start mass (log-uniform).
    contamination_low: float = 0.2
    contamination_high: float = 4.0
    ash_measured: float = 0.5
    # Mass lost by brushing and sieving, of the residue; travel bags show it.
    handling_loss: float = 0.004
    # One pile is sieved roughly, so its polyethylene control falls below 97 % and its gate closes.
    rough_handling_loss: float = 0.05
    late_days: int = 6
    logger_out_hours: int = 75


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything that is decided before a number is drawn."""

    trial: str
    title: str
    sites: tuple[SitePlan, ...]
    materials: tuple[MaterialPlan, ...]
    schedule_days: tuple[int, ...]
    primary_day: int
    replicates: int
    reference_material: str
    detection_limit: float = 0.02
    window_days: int = 2
    # Bags scored in place and put back on the way to their last look, per material and pile.
    watched_bags: int = 1
    travel_bags: int = 1
    hourly_temperatures: bool = True
    mess: Mess | None = None
