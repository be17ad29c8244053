"""A pile's record in words: its heat and the rules, its start mix, what was done and asked."""

from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters import numbers
from frontend.presenters.vocabulary import (
    FLAG_DECISIONS,
    PILE_HEATS,
    PILE_KINDS,
    heat_meaning,
    word,
)
from registry.models import Flag, Pile, Turning
from registry.queries.pile_page import DaySpan, HeatDay, PileLog
from registry.science import fire_safety
from registry.science.heat_class import HeatSummary
from registry.science.thermal_rules import RuleResult

# The fire advice is about the pile as it is now.
DAYS_THAT_ARE_NOW = 3


@dataclass(frozen=True, slots=True)
class HeatPart:
    """The heat class in words, why, and the numbers behind it."""

    name: str
    meaning: str
    reason: str
    advice: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class RulePart:
    name: str
    text: str
    verdict: str
    needs: tuple[tuple[str, str, str], ...]
    source: str


@dataclass(frozen=True, slots=True)
class DayRow:
    """One day of the heat table; °C with one decimal."""

    day: int
    date: date
    low: str
    mean: str
    high: str
    air: str
    n_readings: int


@dataclass(frozen=True, slots=True)
class TurningRow:
    day: int
    at: str
    water: str
    moisture: str
    notes: str


@dataclass(frozen=True, slots=True)
class FlagRow:
    about: str
    message: str
    decision: str
    reason: str


def pile_facts(pile: Pile) -> list[tuple[str, str]]:
    sizes = [pile.length_m, pile.width_m, pile.height_m]
    size = " × ".join(f"{side:g}" for side in sizes if side is not None)
    facts = [
        (_("Kind"), word(PILE_KINDS, pile.kind)),
        (_("Built on"), numbers.long_day(pile.started_on)),
    ]
    if size:
        facts.append((_("Length, width, height as given"), f"{size} m"))
    if pile.volume_m3 is not None:
        facts.append((_("Volume"), f"{pile.volume_m3:g} m³"))
    return facts


def heat_part(log: PileLog) -> HeatPart:
    summary = log.summary
    return HeatPart(
        name=word(PILE_HEATS, summary.heat_class),
        meaning=heat_meaning(summary.heat_class),
        reason=summary.reason,
        advice=_advice(log.inside),
        facts=tuple(_heat_facts(summary)),
    )


def _advice(days: tuple[HeatDay, ...]) -> str:
    """What a dangerous heat of the last days asks for; blank below it."""
    if not days:
        return ""
    hottest = max(day.high_c for day in days[-DAYS_THAT_ARE_NOW:])
    key = fire_safety.fire_attention(hottest)
    return fire_safety.ADVICE[key] if hottest >= fire_safety.ACT_FROM_C else ""


def _heat_facts(summary: HeatSummary) -> list[tuple[str, str]]:
    thermal = summary.thermal
    if thermal.n_readings == 0:
        return []
    return [
        (_("Probe that speaks for the pile"), summary.probe),
        (
            _("Logged"),
            _("%(days)s days, %(share)s of the span of its log")
            % {
                "days": f"{thermal.logged_h / 24:.1f}",
                "share": numbers.percent(thermal.coverage),
            },
        ),
        (_("Highest"), _celsius(thermal.max_c)),
        (_("Mean"), _celsius(thermal.mean_c)),
        (_("At 40 °C or more"), _days(thermal.hours_at_least(40.0))),
        (_("At 55 °C or more"), _days(thermal.hours_at_least(55.0))),
        (_("Longest run at 55 °C or more"), _days(thermal.longest_run_at_least_h(55.0))),
        (_("Turnings in the hot phase"), str(thermal.turnings_in_hot_phase)),
    ]


def rule_parts(rules: tuple[RuleResult, ...]) -> list[RulePart]:
    """The rules written for this kind of pile, in the order of their list."""
    return [
        RulePart(
            name=f"{result.rule.name} ({result.rule.jurisdiction})",
            text=result.rule.version,
            verdict=verdict(result.met),
            needs=tuple(
                (part.needed, part.seen, verdict(part.met)) for part in result.requirements
            ),
            source=f"{result.rule.source}; {result.rule.source_status}.",
        )
        for result in rules
        if result.applies
    ]


def verdict(met: bool | None) -> str:
    return {True: _("met"), False: _("not met"), None: _("cannot be told")}[met]


def day_rows(pile: Pile, log: PileLog) -> list[DayRow]:
    air = {day.day: day.mean_c for day in log.air}
    return [
        DayRow(
            day=(day.day - pile.started_on).days,
            date=day.day,
            low=f"{day.low_c:.1f}",
            mean=f"{day.mean_c:.1f}",
            high=f"{day.high_c:.1f}",
            air=f"{air[day.day]:.1f}" if day.day in air else numbers.NONE,
            n_readings=day.n_readings,
        )
        for day in log.inside
    ]


def turning_rows(pile: Pile, turnings: tuple[Turning, ...]) -> list[TurningRow]:
    zone = ZoneInfo(pile.site.time_zone)
    return [
        TurningRow(
            day=(turning.turned_at.astimezone(zone).date() - pile.started_on).days,
            at=numbers.moment(turning.turned_at, zone),
            water=numbers.NONE if turning.water_added_l is None else f"{turning.water_added_l:g} L",
            moisture=numbers.NONE
            if turning.moisture_pct is None
            else f"{turning.moisture_pct:g} %",
            notes=turning.notes,
        )
        for turning in turnings
    ]


def flag_rows(flags: tuple[Flag, ...]) -> list[FlagRow]:
    return [
        FlagRow(
            about=_about(flag),
            message=flag.message,
            decision=word(FLAG_DECISIONS, flag.decision),
            reason=flag.reason,
        )
        for flag in flags
    ]


def _about(flag: Flag) -> str:
    if flag.retrieval is not None:
        return _("look at bag %(bag)s on %(day)s") % {
            "bag": flag.retrieval.bag.label,
            "day": numbers.long_day(flag.retrieval.retrieved_on),
        }
    if flag.bag is not None:
        return _("bag %(bag)s") % {"bag": flag.bag.label}
    return _("probe %(probe)s") % {"probe": flag.probe} if flag.probe else _("the pile")


def gaps_sentence(gaps: tuple[DaySpan, ...]) -> str:
    """How often and how long nobody knows the heat; blank when there is no gap."""
    if not gaps:
        return ""
    longest = 24 * max(gap.until_day - gap.from_day for gap in gaps)
    return ngettext(
        "%(n)d gap of more than 4 hours in the log, %(h).0f hours long.",
        "%(n)d gaps of more than 4 hours in the log, the longest of %(h).0f hours.",
        len(gaps),
    ) % {"n": len(gaps), "h": longest}


def _celsius(value: float | None) -> str:
    return numbers.NONE if value is None else f"{value:.1f} °C"


def _days(hours: float) -> str:
    return _("%(n)s days") % {"n": f"{hours / 24:.1f}"}
