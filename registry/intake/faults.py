"""Collects every fault of a file, cheaply even when every cell is wrong.

A check hands over the rows it found and a way to say what is wrong with one of them; sentences are
only written for the faults that will be reported.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from heapq import merge
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from registry.errors import Fault
from registry.intake.codes import FAULT_CODES

# As many as a person can work through; the true total is told beside them.
MOST_FAULTS_TOLD = 1000
LONGEST_VALUE = 200
LONGEST_MESSAGE = 500

Position = int
Say = Callable[[Position], tuple[str, str]]  # code and sentence for the row at a position


@dataclass(frozen=True, slots=True)
class _Check:
    field: str
    say: Say
    value: Callable[[Position], str | None]


@dataclass
class FaultBook:
    """Faults in the order of the file. Positions count from 0, reported rows from 1.

    `most` faults of each check are kept to be told, all of them when None; each is counted.
    """

    total: int = 0
    row_numbers: NDArray[np.int64] | None = None
    most: int | None = MOST_FAULTS_TOLD
    _checks: list[_Check] = field(default_factory=list)
    _positions: list[NDArray[np.int64]] = field(default_factory=list)
    _written: list[Fault] = field(default_factory=list)

    def add(
        self,
        found: NDArray[np.bool_],
        column: str,
        say: Say,
        value: Callable[[Position], str | None],
    ) -> None:
        """Note a fault in every row where `found` (n_rows,) is true."""
        positions = np.flatnonzero(found)
        self.total += positions.size
        self._checks.append(_Check(column, say, value))
        self._positions.append(positions[: self.most])

    def note(self, fault: Fault) -> None:
        """Note one fault that is already written, at its row or at the top of the list."""
        self.note_all([fault], 1)

    def note_all(self, faults: Sequence[Fault], total: int) -> None:
        """Note faults that are already written, which may be fewer than there are."""
        self.total += total
        self._written += map(_as_told, faults)

    def told(self) -> list[Fault]:
        """The first thousand faults by row."""
        return list(islice(self.every(), MOST_FAULTS_TOLD))

    def every(self) -> Iterator[Fault]:
        """All faults that were kept, by row; each is put in words when it is asked for."""
        written = sorted(self._written, key=_row_of)
        return merge(written, self._found(), key=_row_of)

    def _found(self) -> Iterator[Fault]:
        if not self._checks:
            return
        position = np.concatenate(self._positions)
        check = np.repeat(np.arange(len(self._checks)), [part.size for part in self._positions])
        for at in np.lexsort((check, position)):
            yield self._write(int(position[at]), self._checks[check[at]])

    def _write(self, position: Position, check: _Check) -> Fault:
        code, message = check.say(position)
        row, value = self._row_number(position), check.value(position)
        return _as_told(Fault(row, check.field, code, message, value))

    def _row_number(self, position: Position) -> int:
        return position + 1 if self.row_numbers is None else int(self.row_numbers[position])


def _as_told(fault: Fault) -> Fault:
    """The fault with a permanent code, and with texts of a length that can be shown."""
    if fault.code not in FAULT_CODES:
        raise LookupError(f"The fault code {fault.code} is not in the list of permanent codes.")
    value = fault.value
    return replace(
        fault,
        message=_short(fault.message, LONGEST_MESSAGE),
        value=None if value is None else _short(_printable(value), LONGEST_VALUE),
    )


def _row_of(fault: Fault) -> int:
    return fault.row or 0


def _short(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _printable(value: str) -> str:
    """Text that a database and a terminal can take: no NUL, no lone surrogate."""
    return value.replace("\0", "␀").encode("utf-8", "replace").decode("utf-8")
