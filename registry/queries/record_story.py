"""What happened to a bag and its looks: sent, corrected, questioned, decided; newest first."""

from collections.abc import Sequence
from dataclasses import dataclass

from registry.models import Bag, Correction, Flag, Retrieval, Upload
from registry.permissions import Actor
from registry.queries.history import Change, changes, history_rows

# A correction tells more than the change it made: it has the reason.
TOLD_BY_CORRECTIONS = "correction"


@dataclass(frozen=True)
class RecordStory:
    """`changes` are those of the records that no correction tells; `decisions` those of flags."""

    uploads: tuple[tuple[Upload, Retrieval | Bag], ...]
    corrections: tuple[Correction, ...]
    changes: tuple[Change, ...]
    flags: tuple[Flag, ...]
    decisions: tuple[Change, ...]


def story_of_look(actor: Actor, look: Retrieval) -> RecordStory:
    """One look that the actor holds."""
    return _story(actor, [look], [look.pk], Flag.objects.filter(retrieval=look))


def story_of_bag(actor: Actor, bag: Bag) -> RecordStory:
    """A bag that the actor holds, with all its looks."""
    looks = list(bag.retrievals.order_by("pk"))
    flags = Flag.objects.filter(bag=bag) | Flag.objects.filter(retrieval__bag=bag)
    return _story(actor, [bag, *looks], [look.pk for look in looks], flags)


def _story(
    actor: Actor, records: Sequence[Retrieval | Bag], look_ids: Sequence[int], flags: object
) -> RecordStory:
    found = list(flags.select_related(*_OF_FLAG).order_by("pk"))  # type: ignore[attr-defined]
    made = Correction.objects.filter(retrieval__in=look_ids)
    uploads = Upload.objects.select_related("user", "token").in_bulk(
        {record.upload_id for record in records if record.upload_id is not None}
    )
    return RecordStory(
        uploads=tuple(
            (uploads[record.upload_id], record) for record in records if record.upload_id in uploads
        ),
        corrections=tuple(
            made.select_related("retrieval__bag", "made_by_user", "made_by_token").order_by("pk")
        ),
        changes=tuple(_other_changes(actor, records)),
        flags=tuple(found),
        decisions=tuple(_changes_of(actor, "flags", [flag.pk for flag in found])),
    )


_OF_FLAG = ("pile__site", "bag", "retrieval__bag", "decided_by")


def _other_changes(actor: Actor, records: Sequence[Retrieval | Bag]) -> list[Change]:
    looks = [record.pk for record in records if isinstance(record, Retrieval)]
    bags = [record.pk for record in records if isinstance(record, Bag)]
    found = [*_changes_of(actor, "retrievals", looks), *_changes_of(actor, "bags", bags)]
    return [change for change in found if change.action != TOLD_BY_CORRECTIONS]


def _changes_of(actor: Actor, noun: str, ids: Sequence[int]) -> list[Change]:
    if not ids:
        return []
    return changes(noun, list(history_rows(actor, noun).filter(pgh_obj_id__in=ids)))
