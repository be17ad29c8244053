"""Which looks a coordinator left out: by a decision on the look, on its bag, or on its whole pile.

The three lists are short, so Postgres hashes them once and asks each look in no time.
"""

from collections.abc import Collection

from django.db.models import Q

from registry.models import Flag, FlagDecision

# For raw SQL with tables `look` and `bag`.
LOOK_IS_EXCLUDED = """(
    look.id IN (SELECT retrieval_id FROM registry_flag
                 WHERE decision = 'exclude' AND retrieval_id IS NOT NULL)
    OR bag.id IN (SELECT bag_id FROM registry_flag
                   WHERE decision = 'exclude' AND bag_id IS NOT NULL)
    OR bag.pile_id IN (SELECT pile_id FROM registry_flag
                        WHERE decision = 'exclude' AND bag_id IS NULL AND retrieval_id IS NULL
                          AND probe = ''))"""


def excluded_looks() -> Q:
    """The same as a condition on `Retrieval`."""
    left_out = Flag.objects.filter(decision=FlagDecision.EXCLUDE).order_by()
    of_piles = left_out.filter(bag__isnull=True, retrieval__isnull=True, probe="")
    return (
        Q(pk__in=left_out.filter(retrieval__isnull=False).values("retrieval"))
        | Q(bag__in=left_out.filter(bag__isnull=False).values("bag"))
        | Q(bag__pile__in=of_piles.values("pile"))
    )


def excluded_probes(pile_ids: Collection[int]) -> set[tuple[int, str]]:
    """(pile id, probe) of the probes whose log a coordinator left out of the pile's heat."""
    rows = Flag.objects.filter(decision=FlagDecision.EXCLUDE, pile__in=pile_ids).exclude(probe="")
    return set(rows.order_by().values_list("pile_id", "probe"))
