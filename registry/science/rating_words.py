"""English sentences from a rating's pieces, with natural frequencies."""

from registry.science.grower_rating import GrowerRating
from registry.science.outcomes import CHANCE_DAYS
from registry.science.rating import Band

HEAT_WORDS = {
    "hot": "in hot piles",
    "warm": "in warm piles",
    "cool": "in cool piles",
    "all": "in piles like those of this trial",
}
CONFIDENCE_WORDS = {
    "none": "No reading",
    "low": "Little evidence",
    "fair": "Fair evidence",
    "good": "Good evidence",
}
# Said with every rating: what the numbers are about, and what they are not.
SCOPE = (
    "This is mass that disappeared from mesh bags. It does not show what became of it, that no "
    "small residue is left, or that the compost is fit for food crops."
)
_WORDS_OF_TEN = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_DAYS_PER_WEEK = 7.0


def rating_sentence(rating: GrowerRating) -> str:
    """One sentence or two for a grower."""
    where = HEAT_WORDS.get(rating.heat_class, f"in {rating.heat_class} piles")
    if rating.band is Band.NOT_ENOUGH_EVIDENCE:
        return f"Not enough evidence {where}: {rating.reason}."
    if rating.bounded:
        return _bounded_sentence(rating, where)
    twelve, twenty_six = _of_ten(rating.chance_12_weeks), _of_ten(rating.chance_26_weeks)
    later = "" if twelve == twenty_six == _of_ten(1.0) else f", and after 26 weeks in {twenty_six}"
    return (
        f"{_opening(rating)} {where.capitalize()}, at least 90 % would be gone after 12 weeks in "
        f"{twelve}{later}.{_worked_out(rating) if later else ''}"
    )


def evidence_sentence(rating: GrowerRating) -> str:
    """What the rating rests on."""
    word = CONFIDENCE_WORDS[rating.confidence]
    return (
        f"{word}: {_count(rating.n_sites, 'site')}, {_count(rating.n_piles, 'pile')}, "
        f"{_count(rating.n_bags, 'bag')}."
    )


def time_sentence(rating: GrowerRating) -> str | None:
    """Typical weeks to 90 % and their range, or None; says when it looks beyond the last look."""
    if rating.typical_days is None or rating.days_low is None or rating.days_high is None:
        return None
    weeks = [d / _DAYS_PER_WEEK for d in (rating.typical_days, rating.days_low, rating.days_high)]
    if weeks[0] > 104:
        return "At this rate 90 % would take years."
    text = (
        f"90 % is gone after about {weeks[0]:.0f} weeks; in eight of ten piles after "
        f"{weeks[1]:.0f} to {weeks[2]:.0f} weeks."
    )
    if rating.last_look_day is not None and rating.days_high > rating.last_look_day:
        text += f" Beyond week {rating.last_look_day / _DAYS_PER_WEEK:.0f} nobody has looked yet."
    return text


def advice(rating: GrowerRating) -> str:
    """What to do with it."""
    return {
        Band.GONE: "Sieve as usual; take out clips and labels.",
        Band.NEARLY_GONE: "Sieve, and put what is left through the next heap.",
        Band.STILL_IN_PIECES: "Cut it up before composting, sieve, and put pieces through again.",
        Band.LITTLE_CHANGE: "Keep it out of the heap, or expect to sieve it out whole.",
        Band.NOT_ENOUGH_EVIDENCE: "Try a few marked pieces first, and look at them after 12 weeks.",
    }[rating.band]


def _opening(rating: GrowerRating) -> str:
    return {
        Band.GONE: "Gone.",
        Band.NEARLY_GONE: "Nearly gone: expect some crumbs of it after 12 weeks.",
        Band.STILL_IN_PIECES: "Still in pieces: expect to see some of it after 12 weeks.",
        Band.LITTLE_CHANGE: "Little change: expect most of it to be there after 12 weeks.",
    }[rating.band]


def _worked_out(rating: GrowerRating) -> str:
    """Said where a chance is about a day after the last look."""
    last = rating.last_look_day
    if last is None or rating.chance_26_weeks is None or last >= CHANCE_DAYS[-1]:
        return ""
    return (
        f" Nobody looked after week {last / _DAYS_PER_WEEK:.0f}: what comes later assumes that the "
        "loss goes on at the same rate."
    )


def _bounded_sentence(rating: GrowerRating, where: str) -> str:
    assert rating.loss_pct is not None
    if rating.band is Band.GONE:
        return f"Gone. {where.capitalize()}, nothing was left when the first bags were opened."
    most = "less than 1 %" if rating.loss_pct < 1 else f"at most {rating.loss_pct:.0f} %"
    return (
        f"Little change. {where.capitalize()}, no loss could be measured: {most} was lost after "
        "12 weeks."
    )


def _of_ten(chance: float | None) -> str:
    if chance is None:
        return "an unknown number"
    n = round(10.0 * chance)
    if n == 10:
        return "nearly all"
    if n == 0:
        return "hardly any"
    return f"about {_WORDS_OF_TEN[n]} of ten"


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
