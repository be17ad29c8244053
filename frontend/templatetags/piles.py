"""Ten small piles, so many of them filled: a chance that can be counted."""

from functools import lru_cache

from django import template
from django.utils.safestring import SafeString, mark_safe

from frontend.presenters.vocabulary import FUNCTIONS, word

register = template.Library()

STEP = 25
# A heap's outline, 20 wide and 13 high, standing on the ground line.
HEAP = "M1 16C5 15 6 4 11 4S17 15 21 16Z"


@register.filter
def named(function: str) -> str:
    """The word for what a component is there for."""
    return word(FUNCTIONS, function)


@register.simple_tag
@lru_cache(maxsize=11)
def ten_piles(marks: int) -> SafeString:
    """Decorative: the sentence beside it says the same. `marks` from 0 to 10 are filled."""
    heaps = "".join(
        f'<path class="{"is-gone" if i < marks else "is-left"}" d="{HEAP}" '
        f'transform="translate({STEP * i + 2} 1)"/>'
        for i in range(10)
    )
    return mark_safe(
        f'<svg class="ten-piles" viewBox="0 0 {STEP * 10} 20" aria-hidden="true">{heaps}</svg>'
    )
