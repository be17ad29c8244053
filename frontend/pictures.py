"""Pictures, each in a wide and a narrow drawing: of estimates as the workers stored them, others
drawn once and kept.

The key of a kept picture is made from the records that are drawn, so it can never show other
numbers than the table beside it.
"""

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

from django.core.cache import caches
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from frontend.presenters.across import forest_pooled, forest_rows
from registry.charts.forest import forest_plot
from registry.charts.svg import Caption
from registry.figures.explained import explained
from registry.figures.listed import DRAWING_VERSION as FIGURES_VERSION
from registry.models import Explanation
from registry.queries.across_trials import AcrossTrialsAnswer
from registry.services.figures import figure_of_each, figures_of

KEEP_SECONDS = 24 * 60 * 60
# Raise it when a drawing changes, so that no kept picture survives an upgrade.
DRAWING_VERSION = 5
LONG_NAMES_PX = 300


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture for wide and one for narrow screens; a page shows one of them."""

    wide: SafeString
    narrow: SafeString


def stored_pictures(wanted: Sequence[tuple[int, str]]) -> dict[str, Picture | None]:
    """Figures of estimates by name, as the workers drew them. One query."""
    kept = figures_of(wanted)
    return {
        name: _safe(found.wide, found.narrow) if found else None for name, found in kept.items()
    }


def picture_of_each(pooled_ids: Iterable[int], name: str) -> dict[int, Picture | None]:
    """The same figure of several estimates, by their ids. One query."""
    kept = figure_of_each(pooled_ids, name)
    return {pk: _safe(found.wide, found.narrow) if found else None for pk, found in kept.items()}


def across_picture(found: AcrossTrialsAnswer, outcome: str) -> Picture:
    """Every site of every released trial, the studies from elsewhere, and the mean if advised."""
    rows, pooled = forest_rows(found), forest_pooled(found)
    axis_title = {
        "days_to_90": _("Days until 90 % is gone (log scale)"),
        "decay_rate": _("Decay rate, per day (log scale)"),
    }[outcome]
    title = _("Each site of each trial, and the mean over trials")
    about = _("%(n)d estimates. The tables on this page hold every number drawn.") % {
        "n": len(rows)
    }
    draw = partial(forest_plot, rows, pooled, axis_title=axis_title, label_px=LONG_NAMES_PX)
    return kept("across", (rows, pooled, axis_title), title, about, draw)


def explained_picture(found: Explanation) -> Picture | None:
    """The rates against what may explain them. An explanation is final, so its id names it."""
    drawing = explained(found)
    if drawing is None:
        return None
    name = f"explained-{found.pk}"
    return kept(name, (found.run_id, FIGURES_VERSION), drawing.title, drawing.about, drawing.draw)


def kept(kind: str, records: object, title: str, about: str, draw: Callable[..., str]) -> Picture:
    """The picture that `draw` makes of these records, or the one it made before."""
    text = repr((DRAWING_VERSION, get_language(), kind, records, title, about))
    key = "picture:" + hashlib.sha256(text.encode()).hexdigest()
    shelf = caches["pictures"]
    drawn = shelf.get(key)
    if drawn is None:
        drawn = tuple(
            draw(caption=Caption(f"{kind}-{width}", title, about), width=width)
            for width in ("wide", "narrow")
        )
        shelf.set(key, drawn, KEEP_SECONDS)
    return _safe(*drawn)


def _safe(wide: str, narrow: str) -> Picture:
    # Built by our own code from numbers and escaped text; no part of it is markup from outside.
    return Picture(mark_safe(wide), mark_safe(narrow))
