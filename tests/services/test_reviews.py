"""A large upload is answered before its rows are reviewed; the review is never forgotten."""

import threading
import time
from datetime import timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from registry.intake import locks
from registry.jobs import reviews as jobs
from registry.jobs.sweep import sweep
from registry.jobs.uploads import process_upload
from registry.models import HISTORY, Flag, Retrieval, Upload
from registry.services import pooling, releases, reviews
from tests.services.test_flags import EXTRA_BAG, HEAVY_LOOK
from tests.world import Call, World

pytestmark = pytest.mark.django_db(transaction=True)

# Two test processes and a browser may share the cores while the worker starts.
DEADLINE_SECONDS = 120


@pytest.fixture
def bag(call: Call, looked_at: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bag to look at; from now on every upload counts as a large one."""
    assert call("POST", "/bags/", EXTRA_BAG, as_="NORTH").status_code == 201
    monkeypatch.setattr(reviews, "ROWS_AT_ONCE", 0)


@pytest.fixture
def rung(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Uploads that the workers were told of; nobody comes."""
    told: list[int] = []
    monkeypatch.setattr(jobs, "ring", told.append)
    return told


def found() -> set[str]:
    return set(Flag.objects.values_list("code", flat=True))


def test_answer_says_that_the_review_waits_and_flags_come_with_it(
    call: Call, bag: None, rung: list[int]
) -> None:
    answer = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").json()

    assert (answer["state"], answer["created"], answer["review"]) == ("stored", 1, "waiting")
    assert rung == [answer["id"]]
    assert "remaining_over_105" not in found()
    jobs.review_upload(answer["id"])
    assert "remaining_over_105" in found()
    assert call("GET", f"/uploads/{answer['id']}/", as_="NORTH").json()["review"] == "done"


def test_small_upload_is_reviewed_before_the_answer(call: Call, looked_at: None) -> None:
    call("POST", "/bags/", EXTRA_BAG, as_="NORTH")

    answers = [call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").json() for _ in range(2)]

    # The second stores nothing, so there is nothing to review.
    assert [answer["review"] for answer in answers] == ["done", "none"]
    assert "remaining_over_105" in found()


def test_queued_upload_waits_for_its_review_too(call: Call, bag: None, rung: list[int]) -> None:
    queued = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH", Prefer="respond-async").json()
    assert queued["review"] == "none"

    process_upload(queued["id"])

    assert rung == [queued["id"]]
    assert Upload.objects.get(pk=queued["id"]).review == "waiting"


def test_review_of_an_upload_is_done_once(call: Call, bag: None, rung: list[int]) -> None:
    upload = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").json()["id"]

    assert reviews.catch_up(upload)
    before = list(Flag.objects.order_by("pk").values())
    assert not reviews.catch_up(upload)

    assert list(Flag.objects.order_by("pk").values()) == before
    # It changes nothing about what was sent.
    assert not HISTORY[Upload]._default_manager.filter(pgh_obj_id=upload).exists()


def test_review_another_worker_is_on_is_left_to_it(call: Call, bag: None, rung: list[int]) -> None:
    upload = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").json()["id"]
    answers: list[bool] = []

    def other() -> None:
        answers.append(reviews.catch_up(upload))
        connection.close()

    with transaction.atomic():
        assert locks.take_upload(upload)
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()

    assert answers == [False]
    assert Upload.objects.get(pk=upload).review == "waiting"


def test_sweep_rings_again_for_a_forgotten_review(call: Call, bag: None, rung: list[int]) -> None:
    upload = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").json()["id"]
    rung.clear()
    assert sweep() == 0
    Upload.objects.filter(pk=upload).update(finished_at=timezone.now() - timedelta(minutes=1))

    assert sweep() == 1

    assert rung == [upload]


def test_worker_reviews_what_the_web_stored(
    call: Call, bag: None, background_worker: object
) -> None:
    upload = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").json()["id"]

    until = time.monotonic() + DEADLINE_SECONDS
    while Upload.objects.get(pk=upload).review != "done" and time.monotonic() < until:
        time.sleep(0.1)

    assert Upload.objects.get(pk=upload).review == "done"
    assert Flag.objects.get(code="remaining_over_105").retrieval == Retrieval.objects.get(
        bag__label="HEAVY"
    )


def test_release_waits_for_no_worker(call: Call, world: World, bag: None, rung: list[int]) -> None:
    upload = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").json()["id"]
    run, _ = pooling.open_run(trial=world.trial, by=world.boss)
    assert pooling.execute_run(run.pk)

    releases.freeze_release(trial=world.trial, by=world.boss)

    assert Upload.objects.get(pk=upload).review == "done"
    assert "remaining_over_105" in found()


@pytest.mark.parametrize(
    "columns", ["review = 'waiting'", "review_piles = '{1}'", "review = 'perhaps'"]
)
def test_database_knows_which_uploads_may_wait(call: Call, looked_at: None, columns: str) -> None:
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"UPDATE registry_upload SET {columns}")
