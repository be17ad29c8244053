"""Photos of looks: once each, seen as the look is seen, withdrawn for good."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from registry.errors import InvalidValue, NotAllowed, NotFound, TooManyPhotos
from registry.intake.photo_files import THUMBNAIL, path_of
from registry.models import AuditEvent, Photo, Retrieval, RunState, Site, User
from registry.models.photo import MOST_PER_LOOK
from registry.permissions import ANYONE, Actor, visible_to
from registry.services.photos import add_photo, file_of, withdraw_photo
from tests import factories
from tests.pictures import encoded, from_a_phone, two_colours

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _own_folder(settings, tmp_path):
    settings.PHOTOS_DIR = tmp_path


@pytest.fixture
def look(world, looked_at) -> Retrieval:
    return Retrieval.objects.filter(bag__pile__site__code="NORTH").earliest("pk")


@pytest.fixture
def lab(look) -> Actor:
    return Actor(site=look.bag.pile.site)


def test_a_photo_is_kept_with_its_thumbnail_and_the_deed_is_on_record(look, lab):
    photo, created = add_photo(retrieval=look, body=from_a_phone(), caption=" at  dusk ", by=lab)

    assert created
    assert (photo.position, photo.caption, photo.width_px) == (1, "at dusk", 40)
    assert file_of(photo).stat().st_size == photo.size_bytes
    assert file_of(photo, THUMBNAIL).exists()
    assert AuditEvent.objects.filter(action="photo_added", trial=look.bag.trial).count() == 1


def test_the_same_photo_again_is_the_same(look, lab):
    first, _ = add_photo(retrieval=look, body=from_a_phone(), by=lab)
    again, created = add_photo(retrieval=look, body=from_a_phone(), by=lab)

    assert (again.pk, created) == (first.pk, False)
    assert Photo.objects.count() == 1


def test_a_look_has_a_few_photos_and_a_free_place_is_used_again(look, lab):
    added = [
        add_photo(retrieval=look, body=encoded(two_colours(40 + n)), by=lab)[0]
        for n in range(MOST_PER_LOOK)
    ]
    with pytest.raises(TooManyPhotos):
        add_photo(retrieval=look, body=encoded(two_colours(99)), by=lab)

    withdraw_photo(photo=added[1], reason="A person is in it.", by=lab)
    later, _ = add_photo(retrieval=look, body=encoded(two_colours(99)), by=lab)

    assert later.position == 2


def test_a_withdrawn_photo_loses_its_file_and_keeps_its_reason(
    look, lab, django_capture_on_commit_callbacks
):
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=lab)
    with django_capture_on_commit_callbacks(execute=True):
        withdraw_photo(photo=photo, reason="A person is in it.", by=lab)
    withdraw_photo(photo=photo, reason="Again.", by=lab)

    photo.refresh_from_db()
    assert photo.withdrawn_reason == "A person is in it."
    assert not path_of(photo.sha256).exists()
    assert not path_of(photo.sha256, THUMBNAIL).exists()
    with pytest.raises(NotFound):
        file_of(photo)


def test_the_file_of_another_look_with_the_same_picture_stays(
    look, lab, django_capture_on_commit_callbacks
):
    other = Retrieval.objects.filter(bag__pile=look.bag.pile).exclude(pk=look.pk).earliest("pk")
    first, _ = add_photo(retrieval=look, body=from_a_phone(), by=lab)
    second, _ = add_photo(retrieval=other, body=from_a_phone(), by=lab)

    with django_capture_on_commit_callbacks(execute=True):
        withdraw_photo(photo=first, reason="Wrong bag.", by=lab)

    assert file_of(second).exists()


@pytest.mark.parametrize(("text", "field"), [("", "reason"), ("x" * 501, "reason")])
def test_a_withdrawal_needs_a_reason(look, lab, text, field):
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=lab)

    with pytest.raises(InvalidValue) as refused:
        withdraw_photo(photo=photo, reason=text, by=lab)

    assert refused.value.field == field


@pytest.mark.parametrize("caption", ["x" * 201, "a\x00b", "a\u202eb"])
def test_a_caption_is_short_and_prints(look, lab, caption):
    with pytest.raises(InvalidValue):
        add_photo(retrieval=look, body=from_a_phone(), caption=caption, by=lab)


def test_only_the_lab_and_the_trials_coordinators_add_or_withdraw(look, lab, world):
    south = Actor(site=Site.objects.get(code="SOUTH"))
    other = Actor(user=User.objects.get(email="other@example.org"))
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=world.boss)

    for stranger in (ANYONE, south, other):
        with pytest.raises(NotAllowed):
            add_photo(retrieval=look, body=encoded(two_colours(50)), by=stranger)
        with pytest.raises(NotAllowed):
            withdraw_photo(photo=photo, reason="No.", by=stranger)
    assert Photo.objects.count() == 1


def _released(look: Retrieval, **values: object) -> None:
    trial = look.bag.trial
    trial.embargo_until = values.pop("embargo", None)
    trial.save()
    run = factories.PoolingRun(trial=trial, state=RunState.DONE)
    factories.Release(trial=trial, run=run, **values)


def test_a_photo_is_seen_as_its_look_is(look, lab):
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=lab)
    assert not visible_to(ANYONE, Photo).exists()

    _released(look, last_upload_id=look.upload_id)

    assert visible_to(ANYONE, Photo).get() == photo


@pytest.mark.parametrize("why", ["embargo", "later look"])
def test_a_photo_of_what_is_not_released_is_not_public(look, lab, why):
    add_photo(retrieval=look, body=from_a_phone(), by=lab)

    if why == "embargo":
        _released(
            look, last_upload_id=look.upload_id, embargo=timezone.localdate() + timedelta(days=9)
        )
    else:
        _released(look, last_upload_id=look.upload_id - 1)

    assert not visible_to(ANYONE, Photo).exists()


def test_that_a_public_photo_was_withdrawn_is_told_to_its_people_alone(look, lab, world):
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=lab)
    _released(look, last_upload_id=look.upload_id)
    withdraw_photo(photo=photo, reason="A person is in it.", by=lab)

    assert not visible_to(ANYONE, Photo).exists()
    assert visible_to(lab, Photo).exists()
    assert visible_to(world.boss, Photo).exists()


@pytest.mark.parametrize(
    "change",
    [
        {"position": 0},
        {"position": MOST_PER_LOOK + 1},
        {"sha256": "x"},
        {"width_px": 0},
        {"withdrawn_reason": "without a date"},
        {"withdrawn_at": timezone.now()},
    ],
)
def test_the_database_holds_the_rules_by_itself(change):
    photo = factories.Photo()

    with pytest.raises(IntegrityError), transaction.atomic():
        Photo.objects.filter(pk=photo.pk).update(**change)


@pytest.mark.parametrize("same", ["position", "sent_sha256"])
def test_the_database_knows_a_photo_twice(same):
    photo = factories.Photo()
    other = {"position": 2, "sent_sha256": "1" * 64} | {same: getattr(photo, same)}

    with pytest.raises(IntegrityError), transaction.atomic():
        factories.Photo(retrieval=photo.retrieval, **other)
