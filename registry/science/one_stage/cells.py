"""Looks of one material, collapsed to what the likelihood needs.

All bags of a pile weighed on one day share their fitted value f and their variance, so a cell
(leaf, day, measurement variance) needs only count, mean and within sum of squares: exact, for the
variance depends on f alone. Bags at or below a detection limit are counted per cell and limit,
weighed ones per cell and cut: the value above which they would have been left out.
The Student-t residual has no such sums; there every look is its own cell.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.nest import Nest
from registry.science.types import BoolArray, FloatArray, IntArray, ScienceError


@dataclass(frozen=True)
class Cells:
    """Cells in order of leaf: `n_seen` weighed ones first, then those at or below a limit.

    Attributes
    ----------
    leaf : (n_cells,) leaf of the nest.
    day : (n_cells,) days since burial.
    count : (n_cells,) bags.
    value : (n_cells,) mean fraction remaining; the detection limit for censored cells.
    within : (n_seen,) sum of squares about the cell's mean.
    measured : (n_cells,) known extra variance of a bag's value (ash correction).
    cut : (n_seen,) value above which a bag is left out, inf where none is.
    n_seen : weighed cells.
    nest : leaf → … → site.
    """

    leaf: IntArray
    day: FloatArray
    count: FloatArray
    value: FloatArray
    within: FloatArray
    measured: FloatArray
    cut: FloatArray
    n_seen: int
    nest: Nest

    @property
    def n_leaves(self) -> int:
        return self.nest.sizes[0]


@dataclass(frozen=True)
class Looks:
    """Checked plain arrays of one material, lost bags already gone; codes are 0-based and dense.

    `site_codes` and `pile_codes` keep the caller's codes, so that results can name them.
    """

    site: IntArray
    pile: IntArray
    bag: IntArray
    day: FloatArray
    remaining: FloatArray
    censored: BoolArray
    limit: FloatArray
    measured: FloatArray
    cut: FloatArray
    repeated: bool
    site_codes: IntArray
    pile_codes: IntArray
    pile_site: IntArray

    @property
    def n_sites(self) -> int:
        return len(self.site_codes)

    @property
    def n_piles(self) -> int:
        return len(self.pile_codes)

    def __len__(self) -> int:
        return len(self.day)

    def rows(self, keep: BoolArray) -> "Looks":
        """The same looks for a subset of rows, with codes made dense again."""
        return check_looks(
            self.site_codes[self.site[keep]],
            self.pile_codes[self.pile[keep]],
            self.day[keep],
            self.remaining[keep],
            self.censored[keep],
            self.limit[keep],
            bag=self.bag[keep],
            measurement_sd=np.sqrt(self.measured[keep]),
            cut=self.cut[keep],
        )


def check_looks(
    site: IntArray,
    pile: IntArray,
    day: FloatArray,
    remaining: FloatArray,
    censored: BoolArray,
    detection_limit: FloatArray | float,
    bag: IntArray | None = None,
    measurement_sd: FloatArray | None = None,
    cut: FloatArray | float = np.inf,
) -> Looks:
    """Check the arrays of one material and drop rows without information (lost bags).

    Parameters
    ----------
    site, pile : (n,) codes; a pile belongs to one site.
    day : (n,) days since burial, >= 0.
    remaining : (n,) fraction of start mass; nan for a bag without a weight. Ignored if censored.
    censored : (n,) at or below the detection limit.
    detection_limit : (n,) or one fraction, > 0 where censored.
    bag : (n,) codes; only needed when a bag may occur more than once.
    measurement_sd : (n,) known extra standard deviation of `remaining`, >= 0.
    cut : (n,) or one value above which a weighed bag would have been left out.

    Raises
    ------
    ScienceError : lengths differ, a day is negative, a limit is not positive, a pile has two sites.
    """
    n = len(day)
    columns = {
        "site": np.asarray(site),
        "pile": np.asarray(pile),
        "day": np.asarray(day, float),
        "remaining": np.asarray(remaining, float),
        "censored": np.asarray(censored, bool),
        "limit": np.broadcast_to(np.asarray(detection_limit, float), (n,)),
        "bag": np.arange(n) if bag is None else np.asarray(bag),
        "measured": np.zeros(n)
        if measurement_sd is None
        else np.asarray(measurement_sd, float) ** 2,
        "cut": np.broadcast_to(np.asarray(cut, float), (n,)),
    }
    for name, column in columns.items():
        if column.shape != (n,):
            raise ScienceError(f"{name} has shape {column.shape}; {n} looks are expected.")
    known = columns["censored"] | np.isfinite(columns["remaining"])
    kept = {name: column[known] for name, column in columns.items()}
    _refuse_impossible(kept)
    return _with_dense_codes(kept)


def _refuse_impossible(kept: dict[str, np.ndarray]) -> None:
    if not np.all(np.isfinite(kept["day"]) & (kept["day"] >= 0)):
        raise ScienceError("Every look needs a day of 0 or more.")
    limit = kept["limit"][kept["censored"]]
    if not np.all(np.isfinite(limit) & (limit > 0) & (limit < 1)):
        raise ScienceError("A bag with nothing left needs a detection limit between 0 and 1.")
    if np.any(kept["remaining"][~kept["censored"]] > kept["cut"][~kept["censored"]]):
        raise ScienceError("A bag above the cut is left out, not handed in.")
    if not np.all(np.isfinite(kept["measured"])):
        raise ScienceError("A measurement standard deviation must be a finite number.")


def _with_dense_codes(kept: dict[str, np.ndarray]) -> Looks:
    site_codes, site = np.unique(kept["site"], return_inverse=True)
    pile_codes, pile = np.unique(kept["pile"], return_inverse=True)
    bag_codes, bag = np.unique(kept["bag"], return_inverse=True)
    pile_site = np.zeros(len(pile_codes), np.int64)
    pile_site[pile] = site
    if np.any(pile_site[pile] != site):
        raise ScienceError("A pile code stands at two sites; pile codes must be unique.")
    bag_pile = np.zeros(len(bag_codes), np.int64)
    bag_pile[bag] = pile
    if np.any(bag_pile[bag] != pile):
        raise ScienceError("A bag code stands in two piles; bag codes must be unique.")
    return Looks(
        site, pile, bag, kept["day"], np.where(kept["censored"], 0.0, kept["remaining"]),
        kept["censored"], kept["limit"], kept["measured"], kept["cut"], len(bag_codes) < len(bag),
        site_codes, pile_codes, pile_site,
    )  # fmt: skip


def nest_looks(looks: Looks) -> tuple[Nest, IntArray]:
    """The nest of effects (pile → site, or bag → pile → site) and each look's leaf."""
    if not looks.repeated:
        return Nest((looks.pile_site,), (looks.n_piles, looks.n_sites)), looks.pile
    n_bags = int(looks.bag.max()) + 1
    bag_pile = np.zeros(n_bags, np.int64)
    bag_pile[looks.bag] = looks.pile
    parents = (bag_pile, looks.pile_site)
    return Nest(parents, (n_bags, looks.n_piles, looks.n_sites)), looks.bag


def collapse(looks: Looks, by_look: bool = False) -> Cells:
    """Cells of the looks; `by_look` keeps every look apart (for the Student-t residual)."""
    nest, leaf = nest_looks(looks)
    seen = _group(looks, leaf, ~looks.censored, looks.remaining, by_look)
    gone = _group(looks, leaf, looks.censored, looks.limit, False)
    shared = [name for name in gone if name not in ("within", "cut")]
    joined = {name: np.concatenate([seen[name], gone[name]]) for name in shared}
    return Cells(
        **joined, within=seen["within"], cut=seen["cut"], n_seen=len(seen["leaf"]), nest=nest
    )


def _group(
    looks: Looks, leaf: IntArray, keep: BoolArray, value: FloatArray, by_look: bool
) -> dict[str, np.ndarray]:
    """Group the kept looks; censored ones also by their limit, weighed ones never by value."""
    rows = np.flatnonzero(keep)
    extra = np.where(looks.censored[rows], looks.limit[rows], looks.cut[rows])
    keys = np.column_stack([leaf[rows], looks.day[rows], looks.measured[rows], extra])
    if by_look or len(rows) == 0:
        order = np.argsort(leaf[rows], kind="stable")
        label = np.empty(len(rows), np.int64)
        label[order] = np.arange(len(rows))
        first = order
    else:
        first, label = _label_rows(keys)
    count = np.bincount(label, minlength=len(first)).astype(float)
    mean = np.bincount(label, value[rows], len(first)) / np.maximum(count, 1.0)
    within = np.bincount(label, (value[rows] - mean[label]) ** 2, len(first))
    return {
        "leaf": leaf[rows][first],
        "day": looks.day[rows][first],
        "measured": looks.measured[rows][first],
        "cut": looks.cut[rows][first],
        "count": count,
        "value": mean,
        "within": within,
    }


def _label_rows(keys: FloatArray) -> tuple[IntArray, IntArray]:
    """Index of the first row of every distinct key, keys ascending, and each row's label."""
    order = np.lexsort(keys.T[::-1])
    sorted_keys = keys[order]
    new = np.ones(len(keys), bool)
    new[1:] = np.any(sorted_keys[1:] != sorted_keys[:-1], axis=1)
    label = np.empty(len(keys), np.int64)
    label[order] = np.cumsum(new) - 1
    return order[new], label
