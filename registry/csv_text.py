"""Text in a CSV that a spreadsheet will open: a cell that looks like a formula is made harmless.

A spreadsheet runs a cell that starts with one of these characters. An apostrophe before it makes
the cell text. Cells that start with apostrophes before such a character get one more, so the way
back is exact: take one apostrophe off. Numbers, dates, codes and words of a vocabulary are never
touched; a negative number stays a number.
"""

import re

# The full-width forms count: some spreadsheets read them as the plain ones.
FORMULA_STARTS = "=+-@\t\r\n＝＋－＠"
FULL_WIDTH = [ord(letter) for letter in FORMULA_STARTS if ord(letter) > 127]
_RISKY = re.compile(f"'*[{re.escape(FORMULA_STARTS)}]")
_GUARDED = re.compile(f"'+[{re.escape(FORMULA_STARTS)}]")


def guarded(text: str) -> str:
    """The cell as it is written."""
    return f"'{text}" if _RISKY.match(text) else text


def unguarded(cell: str) -> str:
    """The text as it was before `guarded`."""
    return cell[1:] if _GUARDED.match(cell) else cell


def guarded_sql(expression: str) -> str:
    """The same in SQL, and NULL for an empty text.

    Of most cells only the first letter is read: every start lies before `A`, or among the
    full-width forms far behind the letters.
    """
    starts = "".join(f"\\u{ord(letter):04x}" for letter in FORMULA_STARTS)
    return (
        f"CASE WHEN ascii({expression}) BETWEEN {ord('A')} AND {min(FULL_WIDTH) - 1} "
        f"THEN {expression} "
        f"WHEN {expression} ~ '^''*[{starts}]' THEN '''' || {expression} "
        f"ELSE nullif({expression}, '') END"
    )
