"""The pooled mean without each site in turn, by taking that site's own terms off the sums.

With the mean μ given, sites do not know of each other. Let z = (x, μ), x the free parameters, stand
at the full optimum and, for site t,

    G_t, H_t    gradient and negative Hessian by z of its log-likelihood (Laplace)
    N_t, K_t    slope in μ of its height at the mode, and ∂N_t/∂z
    A_t, B_t    its information on μ, and ∂A_t/∂z

The mean follows x by Σ N = 0, dμ = c₀ + c₁·dx, and the restricted criterion is Σ G, H along that
line, less ½ log Σ A. Leaving out s takes s's terms off every sum, and one Newton step from the full
optimum, with the Hessian that is left, is the optimum without s but for terms of third order. What
the mean's own bend adds to the Hessian (R) is read once from the exact Hessian of all sites.

The cost is that of some dozen evaluations for all sites together. A site that promises to move the
optimum far is left out by walking there (`sensitivity`).
"""

from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.laplace import SitePieces
from registry.science.types import BoolArray, FloatArray

# Less than this is no information; a few rounds settle a mean whose weights follow it.
TINY, MEAN_STEPS = 1e-12, 4


@dataclass(frozen=True)
class Taylor:
    """Sites' pieces at the full optimum and their slopes by z = (x, μ); see the module's head.

    Attributes
    ----------
    gradient : (n, k). hessian : (n, k, k). score, information, bags_alone : (n,).
    score_slope, information_slope : (n, k).
    """

    gradient: FloatArray
    hessian: FloatArray
    score: FloatArray
    score_slope: FloatArray
    information: FloatArray
    information_slope: FloatArray
    bags_alone: FloatArray

    @classmethod
    def of(
        cls,
        here: SitePieces,
        beside: list[SitePieces],
        steps: FloatArray,
        gradients: list[FloatArray],
    ) -> "Taylor":
        """From pieces at the optimum and at one step along each z; `gradients` (n, k) by z of the
        same points, the optimum's first."""
        hessian = np.stack(
            [(gradients[0] - g) / step for g, step in zip(gradients[1:], steps, strict=True)],
            axis=1,
        )
        return cls(
            gradients[0],
            0.5 * (hessian + hessian.transpose(0, 2, 1)),
            here.score,
            _slopes(here.score, [p.score for p in beside], steps),
            here.information,
            _slopes(here.information, [p.information for p in beside], steps),
            here.bags_alone,
        )


@dataclass(frozen=True)
class WithoutEach:
    """One Newton step without each site: all (n_sites, …).

    `step` is dx, `mean` dμ, `variance` that of the mean at given x, `gain` what the step promises
    (nan where the Hessian left over has no maximum).
    """

    step: FloatArray
    mean: FloatArray
    variance: FloatArray
    gain: FloatArray


def without_each(t: Taylor, information: FloatArray) -> WithoutEach:
    """The step for every site; `information` (p, p) is the exact negative Hessian by x of the
    restricted criterion of all sites."""
    _, hessian, _ = _restricted(t, np.zeros(1, dtype=np.int64), keep_all=True)
    bend = information - hessian[0]
    gradient, hessian, line = _restricted(t, np.arange(len(t.score)), keep_all=False)
    hessian = hessian + bend
    step, gain = _newton(gradient, hessian)
    mean, variance = _mean_of_the_others(t, step, line[0])
    return WithoutEach(step, mean, variance, gain)


def _restricted(
    t: Taylor, left_out: np.ndarray, keep_all: bool
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Gradient (s, p) and negative Hessian (s, p, p) at dx = 0, and (c₀, c₁) of the mean's line."""

    def rest(pieces: FloatArray) -> FloatArray:
        total = pieces.sum(axis=0)
        return total[None] if keep_all else np.asarray(total - pieces[left_out])

    g, h = rest(t.gradient), rest(t.hessian)
    n, k = rest(t.score), rest(t.score_slope)
    a, b = rest(t.information), rest(t.information_slope)
    p = g.shape[1] - 1
    c0, c1 = -n / k[:, p], -k[:, :p] / k[:, p:]
    jacobian = np.concatenate(
        [np.broadcast_to(np.eye(p), (len(g), p, p)), c1[:, None, :]], axis=1
    )  # (s, p + 1, p): dz = (0, c₀) + J dx
    at = g - h[:, :, p] * c0[:, None]
    b_line = np.einsum("si,sij->sj", b, jacobian)
    level = (a + b[:, p] * c0)[:, None]
    gradient = np.einsum("si,sij->sj", at, jacobian) - 0.5 * b_line / level
    hessian = np.einsum("sia,sij,sjb->sab", jacobian, h, jacobian)
    hessian -= 0.5 * b_line[:, :, None] * b_line[:, None, :] / level[:, :, None] ** 2
    return gradient, hessian, (c0, c1)


def _newton(gradient: FloatArray, hessian: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Step and promised gain; nan where the Hessian is not positive definite."""
    values = np.linalg.eigvalsh(hessian)
    proper: BoolArray = values[:, 0] > 0.0
    step = np.full_like(gradient, np.nan)
    step[proper] = np.linalg.solve(hessian[proper], gradient[proper][:, :, None])[:, :, 0]
    return step, 0.5 * np.einsum("sj,sj->s", gradient, step)


def _mean_of_the_others(
    t: Taylor, step: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """dμ and `laplace.variance_of_mean` of the other sites at dx = `step` (n, p): both (n,).

    A site's N is A (ỹ − μ), so with ỹ and A moving along z the other sites' mean is Σ A ỹ / Σ A.
    """
    n, p = len(t.score), step.shape[1]
    others = ~np.eye(n, dtype=bool)
    told = np.maximum(t.information, TINY)
    apart = t.score / told
    by_x = (t.score_slope[:, :p] - t.information_slope[:, :p] * apart[:, None]) / told[:, None]
    apart = apart + step @ by_x.T
    mean = start
    weight = np.zeros((n, n))
    for _ in range(MEAN_STEPS):
        z = np.column_stack([step, mean])
        weight = np.maximum(t.information + z @ t.information_slope.T, 0.0) * others
        mean = (weight * apart).sum(axis=1) / weight.sum(axis=1)
    spread = (weight * (apart - mean[:, None]) ** 2).sum(axis=1)
    freedom = np.maximum((weight > 0.0).sum(axis=1) - 1, 1)
    alone = 1.0 / (t.bags_alone.sum() - t.bags_alone)
    return mean, np.asarray(np.maximum(spread / freedom / weight.sum(axis=1), alone))


def _slopes(here: FloatArray, beside: list[FloatArray], steps: FloatArray) -> FloatArray:
    return np.column_stack([(x - here) / step for x, step in zip(beside, steps, strict=True)])
