"""An upload in memory: typed columns, and the text they came from."""

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from registry.columns import Kind, UploadKind
from registry.intake.faults import FaultBook, Say

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

# Whole numbers are read as numbers first, so that 4 and 4.0 are the same.
ARROW_TYPES = {
    Kind.CODE: pa.string(),
    Kind.TEXT: pa.string(),
    Kind.CHOICE: pa.string(),
    Kind.NUMBER: pa.float64(),
    Kind.INTEGER: pa.float64(),
    Kind.DATE: pa.date32(),
    Kind.DATETIME: pa.string(),  # zones and offsets are settled once the site is known
    Kind.YES_NO: pa.string(),
}
NO_DAY = -(2**40)
# Stands in a text column for a list or an object of a JSON row, which no cell may be.
NOT_A_VALUE = "\ufdd0"


@dataclass
class Table:
    """Columns of one upload, each of `rows` values; a column that was not sent is all missing.

    `typed` holds NULL where a cell is blank or wrong; `bad` says where it is wrong. `text` holds
    the cells as sent, or nothing when the file was parsed straight into types.
    """

    kind: UploadKind
    rows: int
    typed: dict[str, pa.Array]
    text: dict[str, pa.Array] = field(default_factory=dict)
    bad: dict[str, BoolArray] = field(default_factory=dict)
    row_numbers: IntArray | None = None

    @property
    def keeps_text(self) -> bool:
        return bool(self.text)

    def column(self, name: str) -> pa.Array:
        found = self.typed.get(name)
        if found is None:
            found = pa.nulls(self.rows, ARROW_TYPES[self.kind.column(name).kind])
        return found

    def texts(self, name: str) -> pa.Array:
        """Strings, "" where blank."""
        return pc.fill_null(self.column(name), "")

    def is_any(self, name: str, *words: str) -> BoolArray:
        """(n_rows,) true where the cell is one of the words; false where blank or wrong."""
        return pc.is_in(self.column(name), pa.array(words)).to_numpy(zero_copy_only=False)

    def numbers(self, name: str) -> FloatArray:
        """(n_rows,) NaN where blank."""
        return self.column(name).to_numpy(zero_copy_only=False)

    def days(self, name: str) -> IntArray:
        """(n_rows,) days since 1970-01-01, NO_DAY where blank."""
        days = pc.cast(pc.cast(self.column(name), pa.int32()), pa.int64())
        return pc.fill_null(days, NO_DAY).to_numpy(zero_copy_only=False)

    def given(self, name: str) -> BoolArray:
        """(n_rows,) true where a readable value was sent."""
        return pc.is_valid(self.column(name)).to_numpy(zero_copy_only=False)

    def good(self, *names: str) -> BoolArray:
        """(n_rows,) true where none of the cells is wrong; blank counts as good."""
        result = np.ones(self.rows, dtype=bool)
        for name in names:
            if name in self.bad:
                result &= ~self.bad[name]
        return result

    def sent(self, name: str, position: int) -> str | None:
        """The cell as sent, for a fault's `value`."""
        column = self.text.get(name)
        text = None if column is None else column[position].as_py()
        return None if text == NOT_A_VALUE else text

    def refuse(self, book: FaultBook, found: BoolArray, name: str, say: Say) -> None:
        """Note a fault of column `name` where `found`; the cell is bad from then on."""
        if found.any():
            self.bad[name] = self.bad.get(name, False) | found
            book.add(found, name, say, lambda position: self.sent(name, position))


def always(code: str, message: str) -> Say:
    """The same code and sentence for every row."""
    return lambda _: (code, message)
