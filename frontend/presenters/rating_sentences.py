"""What a rating says to a grower, in one sentence built from its numbers in the reader's language.

Every sentence starts with a word that may be written small, so that two can be joined.
"""

from collections.abc import Sequence

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from frontend.presenters import numbers
from frontend.presenters.vocabulary import Words, word
from registry.queries.ratings import RatingRow
from registry.science.predict import MIN_SITES_TO_PREDICT
from registry.science.rating import MOST_PILES

# The two waits a grower plans with: one season's pile, and half a year.
SEASON_DAYS, HALF_YEAR_DAYS = 84, 180
# Below this a chance is said by what is still there.
RARE = 0.05

# After "in about 9 of 10 …".
PILES: Words = {
    "all": gettext_lazy("piles like these"),
    "hot": gettext_lazy("hot piles"),
    "warm": gettext_lazy("warm piles"),
    "cool": gettext_lazy("cool piles"),
    "unknown": gettext_lazy("piles of unknown heat"),
}
ACTIONS: Words = {
    "gone": gettext_lazy("Put it in the pile, and sieve as you always do."),
    "nearly_gone": gettext_lazy(
        "Put it in the pile, sieve at the end, and put what is left in the next pile."
    ),
    "still_in_pieces": gettext_lazy(
        "Cut it up small first. Sieve at the end, and put the pieces in the next pile."
    ),
    "little_change": gettext_lazy("Keep it out of the pile, or plan to sieve it out whole."),
    "not_enough_evidence": gettext_lazy(
        "Try a few marked pieces first, and look at them after 12 weeks."
    ),
}
HOTTEST_FIRST = ("hot", "warm", "cool")


def verdict(rows: Sequence[RatingRow]) -> str:
    """One sentence for a material: hot beside the coolest piles with an answer, else all piles."""
    # Newest first: the newest release has the last word.
    rated = {row.heat_class: row for row in reversed(rows) if row.band != "not_enough_evidence"}
    by_heat = [rated[heat] for heat in HOTTEST_FIRST if heat in rated]
    counted = [row for row in by_heat if row.chance_84 is not None]
    if len(by_heat) >= 2 and counted:
        first, last = (sentence(row, brief=True) for row in (by_heat[0], by_heat[-1]))
        return _("%(one)s; %(other)s") % {"one": first.rstrip("."), "other": _small(last)}
    told = rated.get("all") or next(iter(by_heat), None)
    return sentence(told or rows[0])


def sentence(row: RatingRow, *, brief: bool = False) -> str:
    """One rating as a sentence that can stand alone; a brief one leaves out the longer wait."""
    piles = {"piles": word(PILES, row.heat_class)}
    if row.band == "not_enough_evidence":
        return not_enough(row)
    if row.chance_84 is None or row.chance_180 is None:
        if row.band == "gone":
            return _("In %(piles)s, nothing was left when the first bags were opened.") % piles
        return _("In %(piles)s, no loss could be seen.") % piles
    return _by_chances(row, row.chance_84, row.chance_180, brief=brief)


def not_enough(row: RatingRow) -> str:
    """Why there is no answer yet; friendly, since it says nothing against the item."""
    piles = {"piles": word(PILES, row.heat_class)}
    if row.n_sites < MIN_SITES_TO_PREDICT:
        return _("In %(piles)s, too few sites have looked so far.") % piles
    return _("In %(piles)s, the sites differ too much to say.") % piles


def worked_out(row: RatingRow) -> str:
    """Said where a chance is about a time after the last look; blank where people looked on."""
    last = row.last_look_day
    if last is None or row.chance_180 is None or last >= HALF_YEAR_DAYS:
        return ""
    return _("The last look was after %(time)s. What comes later is worked out, not seen.") % {
        "time": numbers.wait(round(last))
    }


def share_of_piles(chance: float, heat_class: str) -> str:
    """A chance as so many of ten piles, at the start of a sentence."""
    told = {"piles": word(PILES, heat_class), "n": numbers.piles_of_ten(chance)}
    if chance >= 0.99:
        return _("In almost all %(piles)s") % told
    if chance <= 0.01:
        return _("In almost none of the %(piles)s") % told
    if chance < RARE:
        return _("In fewer than 1 of 20 %(piles)s") % told
    if chance > 1 - RARE:
        return _("In more than 19 of 20 %(piles)s") % told
    return _("In about %(n)d of 10 %(piles)s") % told


def _by_chances(row: RatingRow, season: float, half_year: float, *, brief: bool) -> str:
    waits = {"season": numbers.wait(SEASON_DAYS), "half_year": numbers.wait(HALF_YEAR_DAYS)}
    if season >= MOST_PILES or (brief and season >= RARE):
        told = {"share": share_of_piles(season, row.heat_class), **waits}
        return _("%(share)s, it is gone within %(season)s.") % told
    if half_year < RARE:
        told = {"piles": word(PILES, row.heat_class), **waits}
        if row.band == "little_change":
            return _("Even after %(half_year)s, most of it is still there in %(piles)s.") % told
        return _("Even after %(half_year)s, you will still find it in %(piles)s.") % told
    told = {"share": share_of_piles(half_year, row.heat_class), **waits}
    if season < RARE:
        return _("%(share)s, it is gone within %(half_year)s, but not within %(season)s.") % told
    told = {"share": share_of_piles(season, row.heat_class), **waits}
    told["later"] = _small(numbers.of_ten(half_year))
    return _("%(share)s, it is gone within %(season)s; %(later)s, within %(half_year)s.") % told


def _small(text: str) -> str:
    return text[:1].lower() + text[1:]
