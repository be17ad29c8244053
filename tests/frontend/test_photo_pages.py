"""Photos with a look and later, strips over time, and the way out."""

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from registry.intake import photos as intake
from registry.models import Bag, Photo, Release, Retrieval, SiteMembership, Upload, User
from registry.permissions import Actor
from registry.queries.photo_strips import MOST_IN_STRIP, strips
from registry.services.photos import add_photo
from tests import factories
from tests.frontend.small_trial import PASSWORD, START, log_in
from tests.pictures import encoded, from_a_phone, two_colours

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _own_folder(settings, tmp_path):
    settings.PHOTOS_DIR = tmp_path


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


def file(body: bytes | None = None, name: str = "DCIM 1.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, from_a_phone() if body is None else body, "image/jpeg")


@pytest.fixture
def technician(client, pots):
    user = User.objects.create_user("lab@example.org", PASSWORD)
    SiteMembership.objects.create(user=user, site=pots.sites[0])
    log_in(client, user)
    return client


@pytest.fixture
def look(pots) -> Retrieval:
    return Retrieval.objects.filter(bag__pile__site=pots.sites[0], outcome="recovered")[0]


@pytest.fixture
def bag(pots, look) -> Bag:
    return Bag.objects.create(
        trial=pots.trial,
        pile=look.bag.pile,
        label="NEW-1",
        material=look.bag.material,
        buried_on=START,
        initial_mass_g=10.0,
    )


def sent(client, bag: Bag, **values):
    body = {"retrieved_on": "2026-03-16", "outcome": "recovered", "dry_mass_g": "4", **values}
    return client.post(reverse("frontend:write-look", args=[bag.trial.code, bag.label]), body)


def page_of(client, bag: Bag) -> str:
    address = reverse("frontend:labelled-bag", args=[bag.trial.code, bag.label])
    return text_of(client.get(address))


def test_a_look_comes_with_two_photos_in_one_go(technician, bag):
    second = file(encoded(two_colours(60)))
    sent(technician, bag, photo_1=file(), caption_1="before brushing", photo_2=second)

    found = list(Photo.objects.filter(retrieval__bag=bag))
    assert [(photo.position, photo.caption) for photo in found] == [(1, "before brushing"), (2, "")]
    page = page_of(technician, bag)
    assert "Stored." in page
    assert "2 photos added." in page
    assert (
        f"{bag.material.name} from bag NEW-1 on day 14; something is left. before brushing" in page
    )


def test_pressed_twice_there_is_one_photo(technician, bag):
    sent(technician, bag, photo_1=file())
    sent(technician, bag, photo_1=file())

    assert Photo.objects.count() == Retrieval.objects.filter(bag=bag).count() == 1


@pytest.mark.parametrize("body", [b"", b"not a photo", encoded(two_colours(), "GIF")])
def test_a_bad_photo_does_not_cost_the_look(technician, bag, body):
    sent(technician, bag, photo_1=file(body))

    assert Retrieval.objects.filter(bag=bag).exists()
    assert not Photo.objects.exists()
    if body:
        assert "The photo was not added: This is not a photo" in page_of(technician, bag)


def test_a_photo_too_large_is_told_in_words(technician, bag, monkeypatch):
    monkeypatch.setattr("frontend.photo_files.MOST_BYTES", 10)
    monkeypatch.setattr(intake, "clean", lambda body: pytest.fail("it was read"))

    sent(technician, bag, photo_1=file())

    assert "The photo was not added: A photo may have" in page_of(technician, bag)


def test_a_refused_look_keeps_no_photo(technician, bag):
    assert sent(technician, bag, dry_mass_g="x", photo_1=file()).status_code == 422
    assert not Photo.objects.exists()


def test_a_photo_is_added_later_and_withdrawn_with_a_reason(
    technician, look, django_capture_on_commit_callbacks
):
    technician.post(reverse("frontend:add-photo", args=[look.pk]), {"photo_1": file()})
    photo = Photo.objects.get()
    url = reverse("frontend:withdraw-photo", args=[photo.pk])
    picture = reverse("api:photo-file", args=[photo.pk])
    assert technician.get(picture)["Content-Type"] == "image/jpeg"

    technician.post(url, {"reason": " "})
    photo.refresh_from_db()
    assert photo.is_shown
    with django_capture_on_commit_callbacks(execute=True):
        technician.post(url, {"reason": "A person is on it."})

    assert technician.get(picture).status_code == 404
    assert "photo-row" not in page_of(technician, look.bag)


def test_another_sites_look_takes_no_photo_even_where_it_is_public(technician, pots):
    release = Release.objects.get()
    theirs = Retrieval.objects.filter(bag__pile__site=pots.sites[1])[0]
    upload = factories.Upload()
    Retrieval.objects.filter(pk=theirs.pk).update(upload=upload)
    url = reverse("frontend:add-photo", args=[theirs.pk])
    assert technician.post(url, {"photo_1": file()}).status_code == 404

    # Released, it is visible, and still not theirs to add to.
    public = factories.Release(
        trial=pots.trial, run=release.run, version=2, last_upload_id=upload.pk
    )
    assert public.pk
    assert technician.post(url, {"photo_1": file()}).status_code == 403
    assert not Photo.objects.exists()


def test_the_file_of_a_photo_is_not_for_strangers(client, pots, look):
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=Actor(user=pots.coordinator))

    for name in ("photo-file", "photo-thumbnail"):
        assert client.get(reverse(f"api:{name}", args=[photo.pk])).status_code == 404


def test_a_known_photo_is_not_sent_again(coordinator, pots, look):
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=Actor(user=pots.coordinator))
    url = reverse("api:photo-thumbnail", args=[photo.pk])
    first = coordinator.get(url)

    again = coordinator.get(url, headers={"If-None-Match": first["ETag"]})

    assert again.status_code == 304
    assert "private" in first["Cache-Control"]


def test_a_trial_shows_strips_by_material_and_site_in_the_order_of_days(coordinator, pots):
    by = Actor(user=pots.coordinator)
    looks = list(
        Retrieval.objects.filter(
            bag__pile__site=pots.sites[0], bag__material=pots.materials[1], outcome="recovered"
        ).order_by("-retrieved_on")
    )
    for n, look in enumerate(looks):
        add_photo(retrieval=look, body=encoded(two_colours(40 + n)), by=by)

    found = strips(by, trial=pots.trial)
    page = text_of(coordinator.get(reverse("frontend:trial", args=[pots.trial.code])))

    assert [strip.material for strip in found] == [pots.materials[1]]
    days = [item.day for item in found[0].photos]
    assert days == sorted(days)
    assert len(set(days)) > 1
    assert f"{pots.materials[1].name}, {pots.sites[0].name}" in page


def test_a_long_strip_is_thinned_out_and_keeps_its_ends(pots, bag):
    by = Actor(user=pots.coordinator)
    for n in range(MOST_IN_STRIP + 8):
        look = factories.Retrieval(
            bag=bag,
            retrieved_on=bag.buried_on + timedelta(days=n),
            outcome="looked_at",
            dry_mass_g=None,
            fragmentation=1,
        )
        factories.Photo(retrieval=look)

    strip = strips(by, trial=pots.trial)[0]

    assert len(strip.photos) == MOST_IN_STRIP
    assert (strip.photos[0].day, strip.photos[-1].day) == (0, MOST_IN_STRIP + 7)
    assert strip.n_photos == MOST_IN_STRIP + 8


def test_a_materials_page_shows_released_photos_and_forgets_withdrawn_ones(client, pots, look):
    by = Actor(user=pots.coordinator)
    address = reverse("frontend:material", args=[look.bag.material.code])
    photo, _ = add_photo(retrieval=look, body=from_a_phone(), by=by)
    assert "Photos over time" not in text_of(client.get(address))

    upload = Upload.objects.create(
        kind="retrievals", sha256="c" * 64, content_type="text/csv", size_bytes=1
    )
    Retrieval.objects.filter(pk=look.pk).update(upload=upload)
    factories.Release(trial=pots.trial, run=pots.run, version=2, last_upload_id=upload.pk)
    page = text_of(client.get(address))
    assert "Photos over time" in page
    assert f"{pots.sites[0].name} ({pots.trial.title})" in page

    Photo.objects.filter(pk=photo.pk).update(
        withdrawn_at=photo.added_at, withdrawn_reason="A person is on it."
    )
    assert "Photos over time" not in text_of(client.get(address))


def test_strips_ask_one_query_however_many(coordinator, pots, count_queries):
    by = Actor(user=pots.coordinator)
    address = reverse("frontend:trial", args=[pots.trial.code])
    looks = list(Retrieval.objects.exclude(outcome="bag_lost")[:12])
    add_photo(retrieval=looks[0], body=from_a_phone(), by=by)
    few = count_queries(coordinator, address)
    for look in looks[1:]:
        factories.Photo(retrieval=look)

    assert count_queries(coordinator, address) == few
