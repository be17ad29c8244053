"""The forms a cell may have, as regular expressions that Arrow and Python read alike."""

NUMBER_PATTERN = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
DATE_PATTERN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
DATETIME_PATTERN = (
    r"^(19[7-9][0-9]|2[01][0-9]{2})-[0-9]{2}-[0-9]{2}"
    r"[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,9})?)?"
    r"(Z|[+-][0-9]{2}(:?[0-9]{2})?)?$"
)
# Tab and line ends may stand in a note; the other control characters are no text.
CONTROL_PATTERN = "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]"
