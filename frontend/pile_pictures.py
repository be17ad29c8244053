"""The heat picture of a pile, drawn once and kept (see `pictures`)."""

from datetime import UTC

from django.utils.translation import gettext as _

from frontend.pictures import Picture, kept
from registry.charts.pile_heat import DayHeat, HeatWords, Mark, pile_heat
from registry.models import Pile
from registry.queries.pile_page import HeatDay, PileRecord, day_of, hours_of
from registry.queries.probe_logs import SECONDS_PER_HOUR


def heat_picture(record: PileRecord) -> Picture | None:
    """None for a pile without readings."""
    log = record.log
    if not log.inside:
        return None
    inside, air = _days(record.pile, log.inside), _days(record.pile, log.air)
    rows = (_("55 °C or more"), _("No readings"), _("Turned"), _("Questions"))
    marks = (
        *(Mark(rows[0], span.from_day, span.until_day) for span in log.hot),
        *(Mark(rows[1], span.from_day, span.until_day) for span in log.gaps),
        *(Mark(rows[2], day_of(record.pile, hours_of(turned))) for turned in record.turnings),
        *_questions(record, rows[3]),
    )
    words = HeatWords(days=_("Days since the pile was built"), celsius=_("Temperature, °C"))
    title = _("Temperature of the pile, day by day")
    about = _(
        "Band from the lowest to the highest reading of each day with the daily mean as a full "
        "line, the air dashed where it was logged. Below: when it was at 55 °C or more, when "
        "readings are missing, when it was turned, and what the quality rules ask about. The "
        "table that follows holds the numbers."
    )

    def draw(**options: object) -> str:
        return pile_heat(inside, air=air, rows=rows, marks=marks, words=words, **options)  # type: ignore[arg-type]

    return kept("pile-heat", (inside, air, rows, marks, words), title, about, draw)


def _days(pile: Pile, days: tuple[HeatDay, ...]) -> tuple[DayHeat, ...]:
    return tuple(
        DayHeat((day.day - pile.started_on).days, day.low_c, day.mean_c, day.high_c) for day in days
    )


def _questions(record: PileRecord, row: str) -> list[Mark]:
    """Findings about the log that say from when to when."""
    return [
        Mark(
            row,
            day_of(record.pile, flag.from_at.astimezone(UTC).timestamp() / SECONDS_PER_HOUR),
            day_of(record.pile, flag.until_at.astimezone(UTC).timestamp() / SECONDS_PER_HOUR),
        )
        for flag in record.flags
        if flag.from_at and flag.until_at and flag.decision != "withdrawn"
    ]
