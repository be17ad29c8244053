"""What REML of nested effects needs of each site: a few sums over its units, at one τ_p².

Symbols as in `nested_reml`: w = 1/(v + c·τ_p²). Everything else about a site, whatever τ_s² and μ,
follows from

    L = Σ log(v + c τ_p²)   S = Σ w, Σ w y, Σ w y²        P = Σ c w² (1, y, y²)
    C = Σ c w               Q = Σ c² w²                   T = Σ c² w³ (1, y, y²)

so one pass over the units serves any number of τ_s², of means, and of sites left out.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from registry.science.types import BoolArray, FloatArray, IntArray

Triple = tuple[FloatArray, FloatArray, FloatArray]
# Variances of log rates lie within 1e±15, so the product of so many stays within a double's range.
MOST_FACTORS = 16


@dataclass(frozen=True)
class NestedEffects:
    """Effects of the units of each site, padded to a rectangle.

    Attributes
    ----------
    effect, variance, multiplier : (n_sites, width) y, v > 0 and c > 0.
    present : (n_sites, width) False where padded.
    """

    effect: FloatArray
    variance: FloatArray
    multiplier: FloatArray
    present: BoolArray

    @property
    def n_sites(self) -> int:
        return len(self.effect)

    @cached_property
    def centre(self) -> float:
        """Taken off every effect before squares are summed, so that no digits are lost."""
        return float(self.effect[self.present].mean())

    @cached_property
    def scale(self) -> float:
        """A variance of the order of the effects' spread."""
        spread = float(np.var(self.effect[self.present]))
        return spread + float(self.variance[self.present].min())

    @cached_property
    def columns(self) -> "UnitColumns":
        """Unit by unit across all sites: (width, 1, n_sites), so that sums run over long rows."""

        def column(x: FloatArray, padding: float) -> FloatArray:
            return np.ascontiguousarray(np.where(self.present, x, padding).T)[:, None, :]

        alike = bool((self.multiplier[self.present] == 1.0).all())
        y = column(self.effect - self.centre, 0.0)
        # A padded unit has no weight and no determinant: v = 1, c = 0, and w is taken off below.
        return UnitColumns(
            y,
            y * y,
            column(self.variance, 1.0),
            column(self.multiplier, 0.0),
            column(np.ones_like(self.effect), 0.0),
            bool(self.present.all()),
            alike and bool(self.present.all()),
        )


@dataclass(frozen=True)
class UnitColumns:
    """y, y², v, c and presence, each (width, 1, n_sites); `full` has no padding, `alike` c = 1."""

    y: FloatArray
    y2: FloatArray
    v: FloatArray
    c: FloatArray
    present: FloatArray
    full: bool
    alike: bool


@dataclass(frozen=True)
class SiteSums:
    """The sums of the module's head, each (n, n_sites) for n values of τ_p²; triples are by y^0,
    y^1, y^2."""

    log_d: FloatArray
    s: Triple
    p: Triple
    t: Triple
    c: FloatArray
    q: FloatArray


def site_sums(effects: NestedEffects, tau_p: FloatArray) -> SiteSums:
    """All sums at each of `tau_p` (n,)."""
    u = effects.columns
    log_d, w = _weights(u, tau_p)
    cw = w if u.alike else u.c * w
    p_weight = cw * w
    s, p, t = _triple(u, w), _triple(u, p_weight), _triple(u, cw * p_weight)
    if u.alike:
        return SiteSums(log_d, s, p, t, s[0], p[0])
    return SiteSums(log_d, s, p, t, cw.sum(axis=0), (cw * cw).sum(axis=0))


def plain_sums(effects: NestedEffects, tau_p: FloatArray) -> tuple[FloatArray, Triple]:
    """L and S alone at each of `tau_p` (n,): what the criterion needs without its slopes."""
    u = effects.columns
    log_d, w = _weights(u, tau_p)
    return log_d, _triple(u, w)


def _weights(u: UnitColumns, tau_p: FloatArray) -> tuple[FloatArray, FloatArray]:
    d = u.v + u.c * tau_p[None, :, None]
    w = 1.0 / d
    if not u.full:
        w = w * u.present

    # One logarithm per site, not per unit; the products of a site's few variances stay in range.
    log_d = np.log(d).sum(axis=0) if len(d) > MOST_FACTORS else np.log(np.prod(d, axis=0))
    return log_d, w


def _triple(u: UnitColumns, x: FloatArray) -> Triple:
    return x.sum(axis=0), (x * u.y).sum(axis=0), (x * u.y2).sum(axis=0)


@dataclass(frozen=True)
class Kept:
    """Which sites take part in each of n fits, (n, n_sites); sums over them."""

    sites: BoolArray

    @cached_property
    def missing(self) -> IntArray | None:
        """(n,) the one site that each fit lacks; None where they do not lack just one each."""
        if (self.sites.sum(axis=1) != self.sites.shape[1] - 1).any():
            return None
        return np.argmin(self.sites, axis=1)

    @cached_property
    def all(self) -> bool:
        return bool(self.sites.all())

    def total(self, x: FloatArray) -> FloatArray:
        """Sums (n,) of (n, n_sites) or (1, n_sites) over the sites of each fit."""
        if self.all:
            return np.repeat(x.sum(axis=1), len(self.sites) if len(x) == 1 else 1)
        if self.missing is None:
            return np.asarray((x * self.sites).sum(axis=1))
        own = x[0, self.missing] if len(x) == 1 else x[np.arange(len(x)), self.missing]
        return np.asarray(x.sum(axis=1) - own)

    def totals(self, x: FloatArray) -> FloatArray:
        """Sums (m, n) of (m, n_sites) over the sites of each of the n fits."""
        if self.missing is None:
            return np.asarray(x @ self.sites.T.astype(float))
        return np.asarray(x.sum(axis=1, keepdims=True) - x[:, self.missing])

    def some(self, fits: BoolArray) -> "Kept":
        """The same for some of the fits."""
        return Kept(self.sites[fits])
