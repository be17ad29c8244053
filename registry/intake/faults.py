"""Collects every fault of a file, cheaply even when every cell is wrong.

A check hands over the rows it found and a way to say what is wrong with one of them; sentences are
only written for the faults that will be reported.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

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
    """Faults in the order of the file. Positions count from 0, reported rows from 1."""

    total: int = 0
    row_numbers: NDArray[np.int64] | None = None
    _kept: list[tuple[int, int, _Check]] = field(default_factory=list)
    _checks: int = 0

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
        self._checks += 1
        check = _Check(column, say, value)
        self._kept += [
            (int(position), self._checks, check) for position in positions[:MOST_FAULTS_TOLD]
        ]

    def note(self, fault: Fault) -> None:
        """Note one fault that is already written, at its row or at the top of the list."""
        self.total += 1
        self._checks += 1
        position = -1 if fault.row is None else fault.row - 1
        say = (fault.code, fault.message)
        check = _Check(fault.field, lambda _: say, lambda _: fault.value)
        self._kept.append((position, self._checks, check))

    def told(self) -> list[Fault]:
        """The first thousand faults by row."""
        kept = sorted(self._kept, key=lambda item: item[:2])[:MOST_FAULTS_TOLD]
        return [self._write(position, check) for position, _, check in kept]

    def _write(self, position: Position, check: _Check) -> Fault:
        code, message = check.say(position)
        if code not in FAULT_CODES:
            raise LookupError(f"The fault code {code} is not in the list of permanent codes.")
        value = check.value(position)
        return Fault(
            row=self._row_number(position),
            field=check.field,
            code=code,
            message=_short(message, LONGEST_MESSAGE),
            value=None if value is None else _short(_printable(value), LONGEST_VALUE),
        )

    def _row_number(self, position: Position) -> int | None:
        if position < 0:
            return None
        return position + 1 if self.row_numbers is None else int(self.row_numbers[position])


def _short(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _printable(value: str) -> str:
    """Text that a database and a terminal can take: no NUL, no lone surrogate."""
    return value.replace("\0", "␀").encode("utf-8", "replace").decode("utf-8")
