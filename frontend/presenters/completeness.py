"""The grid of sites and days in words, since an empty cell and a full one must not look alike."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from registry.queries.completeness import Completeness, DayCount


@dataclass(frozen=True, slots=True)
class GridRow:
    site: str
    cells: tuple[str, ...]


def grid_rows(found: Completeness) -> list[GridRow]:
    return [
        GridRow(site=site.site_name, cells=tuple(cell_words(day) for day in site.days))
        for site in found.sites
    ]


def cell_words(count: DayCount) -> str:
    """ "10 of 12, 1 lost, 1 torn": what came out of what was planned, then why not."""
    if count.planned == 0:
        return _("none planned")
    parts = [_("%(n)d of %(all)d") % {"n": count.weighed, "all": count.planned}]
    if count.lost:
        parts.append(_("%(n)d lost") % {"n": count.lost})
    if count.damaged:
        parts.append(_("%(n)d torn") % {"n": count.damaged})
    if count.late:
        parts.append(_("%(n)d off schedule") % {"n": count.late})
    if count.waiting:
        parts.append(_("%(n)d waiting") % {"n": count.waiting})
    return ", ".join(parts)
