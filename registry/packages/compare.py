"""Two trees of numbers compared leaf by leaf: largest relative difference, and where it is."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

# Below this both are taken for zero: a variance of 1e-17 on one machine and 0 on another are alike.
NEGLIGIBLE = 1e-9
# What names an item of a list, in the order in which it is looked for.
ITEM_NAMES = ("site", "other", "score", "days", "day", "assumption", "code")
# Sentences may improve and hold rounded numbers; their codes are compared.
NOT_COMPARED = frozenset({"message", "input_digest"})


@dataclass(frozen=True, slots=True)
class Difference:
    """One leaf of both trees; `relative` is 0 when alike, infinite when not comparable."""

    where: str
    stated: Any
    found: Any
    relative: float


def differences(stated: Any, found: Any, where: str = "") -> Iterator[Difference]:
    """Every leaf of `stated` against its counterpart in `found`.

    Extra keys of `found` are no fault. Lists are matched by what names their items.
    """
    if isinstance(stated, Mapping) and isinstance(found, Mapping):
        for key in stated:
            if key not in NOT_COMPARED:
                yield from differences(stated[key], found.get(key, _ABSENT), f"{where}.{key}")
    elif _is_list(stated) and _is_list(found):
        yield from _lists(stated, found, where)
    else:
        yield Difference(where, stated, found, relative_difference(stated, found))


def relative_difference(stated: Any, found: Any) -> float:
    """|a − b| / max(|a|, |b|) for numbers; 0 or infinity for anything else."""
    if _is_number(stated) and _is_number(found):
        if stated == found:
            return 0.0
        size = max(abs(stated), abs(found))
        if not math.isfinite(size):
            return math.inf
        return abs(stated - found) / size if size > NEGLIGIBLE else 0.0
    return 0.0 if _blank(stated) == _blank(found) else math.inf


def _lists(stated: Sequence[Any], found: Sequence[Any], where: str) -> Iterator[Difference]:
    counterparts = {_name(item, position): item for position, item in enumerate(found)}
    names = [_name(item, position) for position, item in enumerate(stated)]
    for name in counterparts.keys() - set(names):
        yield Difference(f"{where}[{name}]", None, counterparts[name], math.inf)
    for name, item in zip(names, stated, strict=True):
        yield from differences(item, counterparts.get(name, _ABSENT), f"{where}[{name}]")


def _name(item: Any, position: int) -> str:
    if isinstance(item, Mapping):
        for key in ITEM_NAMES:
            if item.get(key) is not None:
                name = item[key]
                return f"{name:g}" if _is_number(name) else str(name)
    return str(position)


class _Absent:
    def __repr__(self) -> str:
        return "nothing"


_ABSENT = _Absent()


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _blank(value: Any) -> Any:
    return None if value == "" else value
