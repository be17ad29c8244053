"""Made-up contents for the page that shows every component; no table is read."""

from dataclasses import dataclass

from django.core.paginator import Page, Paginator

from frontend.pictures import Picture, kept
from frontend.presenters.ratings import Chance, MaterialCard
from registry.charts.week_dots import DotWords, week_dots

# Days until an item is gone in twenty piles, and at four sites: any numbers do.
_DOTS = tuple(28.0 + 3.5 * i for i in range(20))
_SITES = (35.0, 49.0, 60.0, 96.0)
_LAST_DAY = 84.0


@dataclass(frozen=True, slots=True)
class Samples:
    card: MaterialCard
    untold: MaterialCard
    picture: Picture
    messages: tuple[str, ...]
    warnings: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    page: Page


def samples() -> Samples:
    return Samples(
        card=MaterialCard(
            code="SAMPLE-POT",
            name="Sample pot, 8 cm",
            kind="Pot",
            enough=True,
            band="Nearly gone",
            sentence="In about 7 of 10 piles like these, it is gone within 12 weeks.",
            chance=Chance(84, 7, ""),
            footing="fair confidence, 6 sites",
        ),
        untold=MaterialCard(
            code="SAMPLE-FILM",
            name="Sample film",
            kind="Film",
            enough=False,
            band="Not enough evidence yet",
            sentence="In cool piles, too few sites have looked so far.",
            chance=None,
            footing="",
        ),
        picture=_picture(),
        messages=("Version 2 is frozen.",),
        warnings=("Only four sites: the spread between sites is known poorly.",),
        facts=(("Thickness", "45 µm"), ("Coating", "none")),
        page=Paginator(range(30), 10).page(2),
    )


def _picture() -> Picture:
    words = DotWords("Weeks in the pile", "20 piles", "Each site", ("not yet by", "week 12"))

    def draw(**options: object) -> str:
        return week_dots(_DOTS, _SITES, last_day=_LAST_DAY, in_weeks=True, words=words, **options)  # type: ignore[arg-type]

    return kept("sample", (_DOTS, _SITES), "A sample picture", "Made-up numbers.", draw)
