"""ORCID identifiers of people: their form and check digit, and a person giving theirs."""

import re

from django.db import transaction

from registry.errors import InvalidValue
from registry.models import User
from registry.permissions import Actor
from registry.services import audit

FORM = re.compile(r"(?:https?://)?(?:www\.)?(?:orcid\.org/)?(\d{4}-?\d{4}-?\d{4}-?\d{3}[\dXx])/?")


def canonical_orcid(text: str) -> str:
    """The identifier as a URL, "" for none. Raises InvalidValue when its check digit is wrong."""
    text = text.strip()
    if not text:
        return ""
    found = FORM.fullmatch(text)
    digits = "" if found is None else found[1].replace("-", "").upper()
    if not digits or check_digit(digits[:15]) != digits[15]:
        raise InvalidValue(
            f"{text[:60]!r} is no ORCID identifier; copy it from orcid.org, as in "
            "https://orcid.org/0000-0002-1825-0097.",
            field="orcid",
        )
    return "https://orcid.org/" + "-".join(digits[i : i + 4] for i in range(0, 16, 4))


def check_digit(digits: str) -> str:
    """ISO 7064 MOD 11-2 over the first fifteen digits."""
    total = 0
    for digit in digits:
        total = (total + int(digit)) * 2
    left = (12 - total % 11) % 11
    return "X" if left == 10 else str(left)


@transaction.atomic
def give_orcid(*, user: User, orcid: str, by: Actor) -> User:
    """Note a person's ORCID, or take it back with a blank; later releases name who gave one."""
    user.orcid = canonical_orcid(orcid)
    user.save(update_fields=["orcid"])
    audit.record("orcid_given", f"ORCID of {user.email}: {user.orcid or 'none'}", by=by)
    return user
