"""A column of words that repeat: each distinct word once, and a code per row."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np

from registry.science.types import IntArray


@dataclass(frozen=True)
class Coded(Sequence[str]):
    """Reads as the sequence of words; `labels` are distinct, ascending, and all in use.

    Attributes
    ----------
    labels : distinct words in ascending order of their characters.
    code : (n,) place of each row's word in `labels`.
    """

    labels: tuple[str, ...]
    code: IntArray

    @classmethod
    def of(cls, words: Sequence[str]) -> "Coded":
        """The column of these words; of a coded column, itself."""
        if isinstance(words, Coded):
            return words
        labels = tuple(sorted(set(words)))
        place = {label: i for i, label in enumerate(labels)}
        codes = (place[word] for word in words)
        return cls(labels, np.fromiter(codes, dtype=np.int64, count=len(words)))

    @classmethod
    def from_codes(cls, code: IntArray, words: Sequence[str]) -> "Coded":
        """Rows that name a place (n,) in `words`, which need be neither ascending nor in use."""
        used = np.unique(code)
        labels = sorted({words[i] for i in used.tolist()})
        place = {label: i for i, label in enumerate(labels)}
        number = np.zeros(int(used.max(initial=-1)) + 1, dtype=np.int64)
        number[used] = [place[words[i]] for i in used.tolist()]
        return cls(tuple(labels), number[code])

    def __len__(self) -> int:
        return len(self.code)

    @overload
    def __getitem__(self, at: int) -> str: ...

    @overload
    def __getitem__(self, at: slice) -> Sequence[str]: ...

    def __getitem__(self, at: int | slice) -> str | Sequence[str]:
        if isinstance(at, slice):
            return [self.labels[i] for i in self.code[at].tolist()]
        return self.labels[int(self.code[at])]

    def __iter__(self) -> Iterator[str]:
        return (self.labels[i] for i in self.code.tolist())
