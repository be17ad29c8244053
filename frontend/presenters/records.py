"""One look and one bag as tables of what is stored."""

from django.utils.translation import gettext as _

from frontend.presenters.numbers import significant
from frontend.presenters.stories import field_value
from frontend.presenters.vocabulary import LOOK_FIELDS, word
from registry.models import Bag, Retrieval


def look_facts(look: Retrieval) -> list[tuple[str, str]]:
    """Every column of the look that holds something, with its unit."""
    found = [(name, getattr(look, name)) for name in LOOK_FIELDS]
    return [
        (word(LOOK_FIELDS, name), field_value(name, value))
        for name, value in found
        if value not in (None, "")
    ]


def bag_facts(bag: Bag) -> list[tuple[str, str]]:
    measures = (
        (_("Start mass"), bag.initial_mass_g, _("g"), 4),
        (_("Start moisture"), bag.initial_moisture_pct, _("%"), 3),
        (_("Pieces"), bag.pieces, "", 4),
        (_("Mesh"), bag.mesh_mm, _("mm"), 3),
        (_("Depth"), bag.depth_cm, _("cm"), 3),
    )
    rows = [
        (_("Material"), bag.material.name),
        (_("Site"), bag.pile.site.name),
        (_("Pile"), bag.pile.code),
        (_("Buried on"), bag.buried_on.isoformat()),
        (_("To be lifted on day"), "–" if bag.planned_days is None else str(bag.planned_days)),
    ]
    return rows + [
        (label, f"{significant(value, digits)} {unit}".strip())
        for label, value, unit, digits in measures
        if value is not None
    ]
