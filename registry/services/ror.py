"""ROR identifiers of organisations: their form and check digits."""

import re

from registry.errors import InvalidValue

# Base 32 as ROR writes it: without i, l, o and u.
ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
FORM = re.compile(r"(?:https?://)?(?:www\.)?(?:ror\.org/)?(0[a-hj-km-np-tv-z0-9]{6}[0-9]{2})/?")


def canonical_ror(text: str) -> str:
    """The identifier as a URL, "" for none. Raises InvalidValue when its check digits are wrong."""
    text = text.strip().lower()
    if not text:
        return ""
    found = FORM.fullmatch(text)
    if found is None or not has_right_check_digits(found[1]):
        raise InvalidValue(
            f"{text[:60]!r} is no ROR identifier; copy it from ror.org, as in "
            "https://ror.org/03yrm5c26.",
            field="ror",
        )
    return f"https://ror.org/{found[1]}"


def has_right_check_digits(identifier: str) -> bool:
    """ISO 7064 MOD 97-10 over the value of the first seven characters (CV-098, from memory)."""
    value = 0
    for letter in identifier[:7]:
        value = value * len(ALPHABET) + ALPHABET.index(letter)
    return 98 - value * 100 % 97 == int(identifier[7:])
