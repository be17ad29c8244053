"""Any model whose random terms fall apart into blocks: sums, slopes and moments, block by block.

Two rows belong to one block when they share a level of some term, directly or through others: with
everything nested in site, a block is a site. Per block s the data enter only through
W = ZᵀZ (q, q), ZᵀX (q, p) and Zᵀy (q,), and one linear solve gives all that is needed::

    [F | E | Zᵀ H⁻¹ y] = (I + W Γ)⁻¹ [W | ZᵀX | Zᵀy],      log|H| = Σ_s log|I + W Γ|

which is exact at γ = 0. Blocks are padded with empty columns to one size and solved as a batch.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from registry.science.mixed.criterion import Moments, Slopes, Sums
from registry.science.types import FloatArray, IntArray


@dataclass(frozen=True)
class RandomTerm:
    """One random term: a grouping of the rows, and what multiplies its effect.

    Attributes
    ----------
    name : how results call it.
    codes : (n,) level of each row, 0-based, every level present.
    levels : label of each code.
    covariate : (n,) multiplier, for a slope that varies independently of the other terms; None = 1.
    """

    name: str
    codes: IntArray
    levels: tuple[str, ...]
    covariate: FloatArray | None = None


@dataclass(frozen=True)
class NestedBlocks:
    """Cross-products of one data set by block; q = most random effects in any block.

    Attributes
    ----------
    zz, zx, zy : (S, q, q), (S, q, p), (S, q) cross-products within each block.
    xx, xy, yy : (p, p), (p,), scalar cross-products over all rows.
    term_of : (S, q) index of the term each column belongs to, −1 for padding.
    place : per term, (block, column) of each of its levels.
    offset : (p,) least-squares β₀; `y` is stored as y − X β₀, which costs no precision later.
    spread : sum of squares of the response about its mean, to judge "no residual".
    """

    n: int
    terms: tuple[str, ...]
    zz: FloatArray
    zx: FloatArray
    zy: FloatArray
    xx: FloatArray
    xy: FloatArray
    yy: float
    term_of: IntArray
    place: tuple[tuple[IntArray, IntArray], ...]
    offset: FloatArray
    spread: float

    def at(self, gamma: FloatArray) -> "NestedPoint":
        return NestedPoint(self, gamma)


def nested_blocks(y: FloatArray, x: FloatArray, terms: Sequence[RandomTerm]) -> NestedBlocks:
    """Collapse rows to cross-products; `x` must have full column rank.

    Parameters
    ----------
    y : (n,) response.
    x : (n, p) fixed-effects design.
    terms : random terms; any mix of nested and crossed, though large crossed blocks are slow.
    """
    place, shape = _place_columns(terms)
    offset = np.asarray(np.linalg.lstsq(x, y, rcond=None)[0], dtype=float)
    rest = y - x @ offset
    rows = [
        (place[k][0][t.codes] * shape[1] + place[k][1][t.codes], _multiplier(t))
        for k, t in enumerate(terms)
    ]
    term_of = np.full(shape, -1)
    for k, (block, column) in enumerate(place):
        term_of[block, column] = k
    return NestedBlocks(
        n=len(y),
        terms=tuple(t.name for t in terms),
        zz=_sum_zz(rows, shape),
        zx=np.stack([_sum_z(rows, column, shape) for column in x.T], axis=-1),
        zy=_sum_z(rows, rest, shape),
        xx=x.T @ x,
        xy=x.T @ rest,
        yy=float(rest @ rest),
        term_of=term_of,
        place=place,
        offset=offset,
        spread=float(((y - y.mean()) ** 2).sum()),
    )


def _place_columns(
    terms: Sequence[RandomTerm],
) -> tuple[tuple[tuple[IntArray, IntArray], ...], tuple[int, int]]:
    """Block and column of every level of every term, and the padded shape (S, q)."""
    first = np.cumsum([0] + [len(t.levels) for t in terms])
    node = [first[k] + t.codes for k, t in enumerate(terms)]
    edges_from = np.concatenate([node[0]] * len(terms))
    edges_to = np.concatenate(node)
    graph = coo_array((np.ones(len(edges_to)), (edges_from, edges_to)), shape=(first[-1],) * 2)
    n_blocks, block = connected_components(graph, directed=False)
    order = np.argsort(block, kind="stable")
    size = np.bincount(block, minlength=n_blocks)
    column = np.empty(first[-1], dtype=np.int64)
    column[order] = np.arange(first[-1]) - np.repeat(np.cumsum(size) - size, size)
    place = tuple(
        (block[a:b].astype(np.int64), column[a:b])
        for a, b in zip(first[:-1], first[1:], strict=True)
    )
    return place, (n_blocks, int(size.max()))


def _multiplier(term: RandomTerm) -> FloatArray:
    return np.ones(len(term.codes)) if term.covariate is None else term.covariate


def _sum_z(
    rows: list[tuple[IntArray, FloatArray]], values: FloatArray, shape: tuple[int, int]
) -> FloatArray:
    total = np.zeros(shape[0] * shape[1])
    for index, z in rows:
        total += np.bincount(index, z * values, minlength=len(total))
    return total.reshape(shape)


def _sum_zz(rows: list[tuple[IntArray, FloatArray]], shape: tuple[int, int]) -> FloatArray:
    n_blocks, q = shape
    total = np.zeros(n_blocks * q * q)
    for index_k, z_k in rows:
        for index_l, z_l in rows:
            total += np.bincount(index_k * q + index_l % q, z_k * z_l, minlength=len(total))
    return total.reshape(n_blocks, q, q)


class NestedPoint:
    """A `NestedBlocks` model at one γ; arrays are (S, q, ...) as in the module's notes."""

    def __init__(self, blocks: NestedBlocks, gamma: FloatArray) -> None:
        self.blocks = blocks
        self.gamma = gamma
        n_blocks, q = blocks.term_of.shape
        p = len(blocks.xy)
        per_column = np.append(gamma, 0.0)[blocks.term_of]
        system = np.eye(q) + blocks.zz * per_column[:, None, :]
        right = np.concatenate([blocks.zz, blocks.zx, blocks.zy[..., None]], axis=-1)
        solved = np.linalg.solve(system, right)
        self.f, self.e, self.zhy = solved[..., :q], solved[..., q : q + p], solved[..., q + p]
        self.log_det_h = float(np.linalg.slogdet(system)[1].sum())
        self.per_column = per_column
        self.member = np.stack([blocks.term_of == k for k in range(len(gamma))]).astype(float)

    def sums(self) -> Sums:
        b, w = self.blocks, self.per_column
        zx_weighted = b.zx * w[..., None]
        return Sums(
            log_det_h=self.log_det_h,
            xhx=_symmetric(b.xx - np.einsum("sqi,sqj->ij", zx_weighted, self.e)),
            xhy=b.xy - np.einsum("sqi,sq->i", zx_weighted, self.zhy),
        )

    def slopes(self, beta: FloatArray, c: FloatArray) -> Slopes:
        sums = self.sums()
        e = self.zhy - self.e @ beta
        e_k = self.member * e
        h_k = np.einsum("sqi,ksq->ki", self.e, e_k)
        a = np.einsum("ksq,sqr,lsr->kl", e_k, self.f, e_k, optimize=True) - h_k @ c @ h_k.T
        yhy = self.blocks.yy - float((self.blocks.zy * self.per_column * self.zhy).sum())
        return Slopes(
            q=yhy - float(sums.xhy @ beta),
            trace_f=np.einsum("ksq,sqq->k", self.member, self.f),
            trace_cs=np.einsum("ksq,sqi,ij,sqj->k", self.member, self.e, c, self.e, optimize=True),
            b=(e_k**2).sum(axis=(1, 2)),
            a=_symmetric(a),
        )

    def moments(self) -> Moments:
        """Terms directly; the residual by I = H − Σ γ_k G_k, as the rows are gone by now."""
        e_k = self.member[..., None] * self.e
        gamma = self.gamma
        trace = np.einsum("ksq,sqq->k", self.member, self.f)
        phi = np.einsum("ksq,sqr,lsr->kl", self.member, self.f**2, self.member, optimize=True)
        s = np.einsum("ksqi,ksqj->kij", e_k, e_k, optimize=True)
        m = np.einsum("ksqi,sqr,lsrj->klij", e_k, self.f, e_k, optimize=True)
        phi_0 = trace - gamma @ phi
        phi_00 = self.blocks.n - gamma @ trace - gamma @ phi_0
        s_0 = self.sums().xhx - np.tensordot(gamma, s, 1)
        m_0 = s - np.tensordot(gamma, m, 1)
        m_00 = s_0 - np.tensordot(gamma, m_0, 1)
        top = np.concatenate([m_00[None], m_0])
        rest = np.concatenate([m_0.transpose(0, 2, 1)[:, None], m], axis=1)
        return Moments(
            phi=np.block([[phi_00, phi_0], [phi_0[:, None], phi]]),
            s=np.concatenate([s_0[None], s]),
            m=np.concatenate([top[None], rest]),
        )

    def random_effects(self, beta: FloatArray) -> tuple[FloatArray, ...]:
        effects = self.per_column * (self.zhy - self.e @ beta)
        return tuple(effects[block, column] for block, column in self.blocks.place)


def _symmetric(a: FloatArray) -> FloatArray:
    return (a + a.T) / 2
