"""Columns of a query as numpy arrays, without a Python object per value.

Postgres packs each column as one array in its binary form (array_send): a head of 20 bytes, then
every element as four bytes of length and its value. A NULL would break the even steps, so the
query must not give any.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import psycopg
from django.db import connection
from numpy.typing import NDArray

HEAD_BYTES = 20
WORD = "word"
ELEMENTS: dict[str, tuple[str, np.dtype[Any]]] = {
    "integer": (">i4", np.dtype(np.int64)),
    "bigint": (">i8", np.dtype(np.int64)),
    "float8": (">f8", np.dtype(np.float64)),
}


def read_columns(
    query: str, parameters: Sequence[Any] | Mapping[str, Any], columns: Mapping[str, str]
) -> dict[str, NDArray[Any]]:
    """The named columns of `query`, each of the given type: integer, bigint, float8 or word.

    A word is ASCII without a line break; its column is of fixed-width bytes.
    """
    packed = ", ".join(
        f"string_agg({name}, E'\\n')::bytea"
        if kind == WORD
        else f"array_send(array_agg({name}::{kind}))"
        for name, kind in columns.items()
    )
    connection.ensure_connection()
    # Django's own cursor takes every result as text, which would write each byte as two letters.
    with psycopg.Cursor(connection.connection) as cursor:
        cursor.execute(f"SELECT {packed} FROM ({query}) AS found", parameters, binary=True)
        row = cursor.fetchone() or ()
    return {
        name: _column(column, kind)
        for (name, kind), column in zip(columns.items(), row, strict=True)
    }


def _column(packed: bytes | memoryview | None, kind: str) -> NDArray[Any]:
    if kind == WORD:
        return np.array([] if packed is None else bytes(packed).split(b"\n"), dtype=np.bytes_)
    return unpacked(packed[HEAD_BYTES:] if packed is not None else b"", kind)


def unpacked(elements: bytes | memoryview, kind: str) -> NDArray[Any]:
    """Values of an array without its head."""
    value, as_type = ELEMENTS[kind]
    step = np.dtype([("length", ">i4"), ("value", value)])
    return np.frombuffer(elements, dtype=step)["value"].astype(as_type)


def place_in(column: str, words: tuple[str, ...]) -> str:
    """SQL for the place of the column's word among these, from 0."""
    cases = " ".join(f"WHEN '{word}' THEN {number}" for number, word in enumerate(words))
    return f"CASE {column} {cases} END"
