"""Quality findings after data came or changed: raised once, kept, withdrawn when they are gone.

The rules are pure (`science.quality_rules`); here their findings meet the flags that are stored.
A finding that holds no longer is withdrawn while nobody has decided; a decision stays, except that
an acceptance holds only for the numbers it was given for.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import pghistory
from django.utils import timezone

from registry.models import Flag, FlagDecision, Pile, Trial
from registry.permissions import Actor
from registry.queries.pile_recipe import start_mixes
from registry.queries.probe_heats import probe_heats
from registry.queries.probe_logs import SECONDS_PER_HOUR, probe_logs
from registry.queries.quality_input import bags_of_batches, looks_by_trial
from registry.science import quality_rules as rules
from registry.science.log_heat import air_and_inside
from registry.science.quality_rules import Finding
from registry.services import audit, pile_heat

WITHDRAWN_BECAUSE = "The data no longer show it."
RULES_CHANGED = "The rule has a newer version."
EVIDENCE = (
    *("message", "unit", "found", "limit_low", "limit_high", "compared_with", "n_compared"),
    *("from_at", "until_at"),
)
Key = tuple[int, int | None, int | None, str, str]


@dataclass(frozen=True, slots=True)
class Review:
    """How many flags one review raised (or raised again) and withdrew."""

    raised: int = 0
    withdrawn: int = 0


def review_upload(kind: str, pile_ids: Sequence[int], by: Actor) -> Review:
    """Run the rules that rows of this kind touch, for the piles they lie in."""
    return _REVIEWS[kind](pile_ids, by)


def review_looks(pile_ids: Sequence[int], by: Actor) -> Review:
    """Rules about looks, and about the piles as their bags show them."""
    found: list[Finding] = []
    for looks in looks_by_trial(pile_ids):
        found += rules.look_findings(looks.table)
        found += rules.pile_findings(
            looks.table, roles=looks.roles, excluded=looks.excluded, agreed_day=looks.agreed_day
        )
    return _settle(found, pile_ids, {**rules.LOOK_CODES, **rules.PILE_CODES}, by)


def review_bags(pile_ids: Sequence[int], by: Actor) -> Review:
    """Rules about bags and their batches."""
    bags, piles = bags_of_batches(pile_ids)
    return _settle(rules.bag_findings(bags), piles, rules.BAG_CODES, by)


def review_loggers(pile_ids: Sequence[int], by: Actor) -> Review:
    """Rules about the temperature loggers of the piles."""
    found: list[Finding] = []
    for pile, logs in probe_logs(pile_ids).items():
        air, inside = air_and_inside(logs)
        found += rules.logger_findings(pile, inside, air)
    pile_heat.keep_up(pile_ids)
    for pile, probes in probe_heats(pile_ids).items():
        found += rules.log_findings(pile, probes)
    return _settle(found, pile_ids, {**rules.LOGGER_CODES, **rules.LOG_CODES}, by)


def review_recipes(pile_ids: Sequence[int], by: Actor) -> Review:
    """Rules about the start mix of the piles."""
    found: list[Finding] = []
    for pile, mix in start_mixes(pile_ids).items():
        found += rules.recipe_findings(pile, mix)
    return _settle(found, pile_ids, rules.RECIPE_CODES, by)


_REVIEWS: dict[str, Callable[[Sequence[int], Actor], Review]] = {
    "feedstocks": review_recipes,
    "bags": review_bags,
    "retrievals": review_looks,
    "temperatures": review_loggers,
}


REVIEWED_KINDS = frozenset(_REVIEWS)


def _settle(
    found: Sequence[Finding], pile_ids: Sequence[int], codes: Iterable[str], by: Actor
) -> Review:
    """Make the stored flags of these piles and codes say what was found."""
    wanted = {_key(finding): finding for finding in found}
    stored = Flag.objects.filter(pile__in=pile_ids, code__in=codes)
    changed: list[Flag] = []
    raised = withdrawn = 0
    with pghistory.context(action="quality rules"):
        for flag in stored.select_for_update().order_by("pk"):
            current = flag.rule_version == rules.RULE_VERSION
            finding = wanted.pop(_key_of(flag), None) if current else None
            if finding is not None and _raise_again(flag, finding):
                raised += 1
                changed.append(flag)
            elif finding is None and flag.decision == FlagDecision.WAITING:
                _withdraw(flag, WITHDRAWN_BECAUSE if current else RULES_CHANGED)
                withdrawn += 1
                changed.append(flag)
        Flag.objects.bulk_update(changed, _CHANGING, batch_size=500)
        Flag.objects.bulk_create(map(_new_flag, wanted.values()), batch_size=500)
    review = Review(raised + len(wanted), withdrawn)
    _audit(review, pile_ids, by)
    return review


_CHANGING = (*EVIDENCE, "decision", "reason", "decided_by", "decided_at")


def _raise_again(flag: Flag, finding: Finding) -> bool:
    """Bring the flag up to the finding; False when nothing about it changed."""
    evidence = _evidence(finding)
    same = all(getattr(flag, name) == value for name, value in evidence.items())
    if flag.decision == FlagDecision.EXCLUDE or (same and flag.decision != FlagDecision.WITHDRAWN):
        return False
    for name, value in evidence.items():
        setattr(flag, name, value)
    flag.decision, flag.reason = FlagDecision.WAITING, ""
    flag.decided_by, flag.decided_at = None, None
    return True


def _withdraw(flag: Flag, why: str) -> None:
    flag.decision, flag.reason = FlagDecision.WITHDRAWN, why
    flag.decided_at = timezone.now()


def _new_flag(finding: Finding) -> Flag:
    return Flag(
        pile_id=finding.pile,
        bag_id=finding.bag,
        retrieval_id=finding.look,
        probe=finding.probe,
        code=finding.code,
        rule_version=rules.RULE_VERSION,
        **_evidence(finding),
    )


def _evidence(finding: Finding) -> Mapping[str, Any]:
    values = asdict(finding)
    values |= {"from_at": _moment(finding.from_h), "until_at": _moment(finding.until_h)}
    return {name: values[name] for name in EVIDENCE}


def _moment(hours: float | None) -> datetime | None:
    # To the second, as readings are stored.
    return None if hours is None else datetime.fromtimestamp(round(hours * SECONDS_PER_HOUR), UTC)


def _key(finding: Finding) -> Key:
    return finding.pile, finding.bag, finding.look, finding.probe, finding.code


def _key_of(flag: Flag) -> Key:
    return flag.pile_id, flag.bag_id, flag.retrieval_id, flag.probe, flag.code


def _audit(review: Review, pile_ids: Sequence[int], by: Actor) -> None:
    if review == Review():
        return
    trials = list(Trial.objects.filter(piles__in=Pile.objects.filter(pk__in=pile_ids)).distinct())
    audit.record(
        "flags_reviewed",
        f"Quality rules: {review.raised} flags raised, {review.withdrawn} withdrawn",
        by,
        trials[0] if len(trials) == 1 else None,
    )
