"""Three ways to read one pooled decay rate: as a rate, as days, as a loss.

    RateReading   k, per day
    DaysReading   D = L + ln(10)/k, days until 90 % is lost; falls as the rate rises
    LossReading   100·(1 - exp(-k·(day - L))), per cent of the start mass lost by a day

All are monotone in k, so they cannot contradict each other.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from registry.science.predict import (
    TARGET_LOSS,
    RatePrediction,
    days_interval,
    days_se,
    days_to_lose,
    new_rate_interval,
    rate_interval,
    remaining,
    remaining_interval,
)

Interval = tuple[float, float]
_LN10 = -float(np.log1p(-TARGET_LOSS))


class Reading(Protocol):
    """How a log rate is turned into the number of one outcome."""

    @property
    def outcome(self) -> str:
        """The contract's word for it."""

    @property
    def unit(self) -> str:
        """UCUM code."""

    @property
    def falls_with_rate(self) -> bool:
        """Whether a faster rate makes it smaller."""

    @property
    def day(self) -> float | None:
        """The day the outcome is about, if it is about one."""

    def of_rate(self, rate: float, lag: float) -> float:
        """The outcome at a rate per day and a lag in days."""

    def point(self, p: RatePrediction) -> float:
        """The pooled outcome."""

    def mean_interval(self, p: RatePrediction) -> Interval:
        """Its confidence interval."""

    def new_interval(self, p: RatePrediction) -> Interval | None:
        """Its prediction interval for a new pile at a new site."""

    def logs(self, value: float, lag: float, se: float) -> tuple[float | None, float | None]:
        """The natural log of the outcome and its standard error, from that of the log rate."""

    def pooled_logs(self, p: RatePrediction) -> tuple[float | None, float | None]:
        """The same for the pooled outcome, the lag's uncertainty included."""


@dataclass(frozen=True)
class RateReading:
    """k, per day."""

    outcome: str = "decay_rate"
    unit: str = "1/d"
    falls_with_rate: bool = False
    day: float | None = None

    def of_rate(self, rate: float, lag: float) -> float:
        return rate

    def point(self, p: RatePrediction) -> float:
        return float(np.exp(p.mu))

    def mean_interval(self, p: RatePrediction) -> Interval:
        return rate_interval(p)

    def new_interval(self, p: RatePrediction) -> Interval | None:
        return new_rate_interval(p)

    def logs(self, value: float, lag: float, se: float) -> tuple[float | None, float | None]:
        return float(np.log(value)), se

    def pooled_logs(self, p: RatePrediction) -> tuple[float | None, float | None]:
        return p.mu, p.se_with_lag


@dataclass(frozen=True)
class DaysReading:
    """Days until 90 % is lost."""

    outcome: str = "days_to_90"
    unit: str = "d"
    falls_with_rate: bool = True
    day: float | None = None

    def of_rate(self, rate: float, lag: float) -> float:
        return lag + _LN10 / rate

    def point(self, p: RatePrediction) -> float:
        return days_to_lose(p)

    def mean_interval(self, p: RatePrediction) -> Interval:
        return _there(days_interval(p, new_pile=False))

    def new_interval(self, p: RatePrediction) -> Interval | None:
        return days_interval(p, new_pile=True)

    def logs(self, value: float, lag: float, se: float) -> tuple[float | None, float | None]:
        # d log D = (D - L)/D · d log(D - L)
        return float(np.log(value)), se * (value - lag) / value

    def pooled_logs(self, p: RatePrediction) -> tuple[float | None, float | None]:
        return self.logs(self.point(p), p.lag, days_se(p))


@dataclass(frozen=True)
class LossReading:
    """Per cent of the start mass lost by a day."""

    day: float
    outcome: str = "disintegration_at_day"
    unit: str = "%"
    falls_with_rate: bool = False

    def of_rate(self, rate: float, lag: float) -> float:
        return float(-100.0 * np.expm1(-rate * max(self.day - lag, 0.0)))

    def point(self, p: RatePrediction) -> float:
        return 100.0 * (1.0 - float(remaining(p, np.array([self.day]))[0]))

    def mean_interval(self, p: RatePrediction) -> Interval:
        return _there(self._interval(p, new_pile=False))

    def new_interval(self, p: RatePrediction) -> Interval | None:
        return self._interval(p, new_pile=True)

    def logs(self, value: float, lag: float, se: float) -> tuple[float | None, float | None]:
        return None, None

    def pooled_logs(self, p: RatePrediction) -> tuple[float | None, float | None]:
        return None, None

    def _interval(self, p: RatePrediction, *, new_pile: bool) -> Interval | None:
        band = remaining_interval(p, np.array([self.day]), new_pile=new_pile)
        if band is None:
            return None
        return 100.0 * (1.0 - float(band[1][0])), 100.0 * (1.0 - float(band[0][0]))


def _there(interval: Interval | None) -> Interval:
    assert interval is not None, "the interval of a pooled mean always exists"
    return interval
