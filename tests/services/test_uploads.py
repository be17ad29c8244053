"""Uploads as a whole: dry runs, refusals remembered, queues, and two at the same moment."""

import csv
import io
import json
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta

import pytest
from django.conf import LazySettings
from django.db import connection, connections, transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.columns import UPLOAD_KINDS
from registry.errors import (
    NotAllowed,
    NotFound,
    RecordChanged,
    RegistryError,
    UnreadableBody,
    UnsupportedFormat,
    UploadRefused,
)
from registry.intake import locks
from registry.models import AuditEvent, Bag, Pile, ProbeDay, Retrieval, Trial, Upload
from registry.permissions import ANYONE, Actor
from registry.services import annotated, registration, uploads
from tests import factories
from tests.intake.conftest import Places, good_file, make_places, plant, send

LOOK = "trial,bag_label,retrieved_on,outcome,dry_mass_g\n"
ONE = LOOK + "TRIAL-1,NF-1,2026-05-05,recovered,4.9\n"
ONE_OTHERWISE = LOOK + "TRIAL-1,NF-1,2026-05-05,recovered,5.9\n"
WRONG = LOOK + "TRIAL-1,NF-1,2026-05-05,recovered,4.9\nTRIAL-1,NF-9,2026-05-05,recovered,NA\n"


def _accept(text: str, by: Actor) -> Upload:
    return uploads.accept(kind="retrievals", body=text.encode(), content_type="text/csv", by=by)


# --- dry runs and refusals ---------------------------------------------------------------------


def test_a_dry_run_counts_like_the_real_thing_and_stores_nothing(
    planted: Places, stored: Callable[[], dict[str, int]], settings: LazySettings
) -> None:
    send("retrievals", ONE, planted.north)
    before, uploads_before = stored(), Upload.objects.count()
    text = ONE + "TRIAL-1,NF-2,2026-05-05,recovered,5.9\n"
    body_of_dry_run = uploads.bodies.digest_of(text.encode())

    dry = send("retrievals", text, planted.north, dry_run=True)

    assert (dry.pk, dry.rows, dry.created, dry.unchanged) == (None, 2, 1, 1)
    assert stored() == before
    assert Upload.objects.count() == uploads_before
    with pytest.raises(FileNotFoundError):
        uploads.bodies.read(body_of_dry_run)


def test_a_dry_run_of_a_bad_file_raises_the_same_faults_and_remembers_nothing(
    planted: Places,
) -> None:
    with pytest.raises(UploadRefused) as real:
        send("retrievals", WRONG, planted.north)
    remembered = Upload.objects.count()
    with pytest.raises(UploadRefused) as dry:
        send("retrievals", WRONG, planted.north, dry_run=True)

    assert dry.value.faults == real.value.faults
    assert dry.value.upload_id is None
    assert Upload.objects.count() == remembered


def test_a_refusal_is_remembered_with_sender_file_and_body(planted: Places) -> None:
    with pytest.raises(UploadRefused) as refusal:
        send("retrievals", WRONG, planted.north, file_name="C:\\data\\may looks.csv")

    upload = Upload.objects.get(pk=refusal.value.upload_id)
    assert (upload.state, upload.error_total, upload.file_name) == ("rejected", 2, "may looks.csv")
    assert (upload.site, upload.token) == (planted.north.site, planted.north.token)
    assert annotated.original(upload) == WRONG.encode()


def test_the_body_of_a_stored_upload_is_kept_under_its_hash(
    planted: Places, settings: LazySettings
) -> None:
    upload = send("retrievals", ONE, planted.north)

    kept = settings.UPLOADS_DIR / upload.sha256[:2] / f"{upload.sha256}.gz"
    assert kept.exists()
    assert annotated.original(upload) == ONE.encode()
    assert upload.size_bytes == len(ONE)


def test_a_body_that_is_gone_is_not_found(planted: Places, settings: LazySettings) -> None:
    upload = send("retrievals", ONE, planted.north)
    (settings.UPLOADS_DIR / upload.sha256[:2] / f"{upload.sha256}.gz").unlink()

    with pytest.raises(NotFound):
        annotated.original(upload)


def given_back(refusal: pytest.ExceptionInfo) -> str:
    return "".join(annotated.annotated(Upload.objects.get(pk=refusal.value.upload_id)))


@pytest.mark.parametrize("format_", ["csv", "json", "ndjson"])
def test_a_refused_file_comes_back_with_its_faults_beside_its_rows(
    planted: Places, format_: str
) -> None:
    good = dict(
        zip(
            LOOK.strip().split(","),
            ["TRIAL-1", "NF-1", "2026-05-05", "recovered", "4.9"],
            strict=True,
        )
    )
    bad = {**good, "bag_label": "NF-9", "dry_mass_g": "NA"}
    bodies = {
        "csv": (WRONG, "text/csv"),
        "json": (json.dumps([good, bad]), "application/json"),
        "ndjson": (json.dumps(good) + "\n" + json.dumps(bad) + "\n", "application/x-ndjson"),
    }
    sent, content_type = bodies[format_]
    with pytest.raises(UploadRefused) as refusal:
        send("retrievals", sent, planted.north, content_type=content_type)

    text = given_back(refusal)

    first, second = csv.DictReader(io.StringIO(text))
    assert (first["bag_label"], first["fault_fields"], first["fault_messages"]) == ("NF-1", "", "")
    assert (second["bag_label"], second["dry_mass_g"]) == ("NF-9", "NA")
    assert second["fault_fields"] == "dry_mass_g; bag_label"
    assert "Check the label" in second["fault_messages"]


def test_more_faults_than_are_told_all_come_back(planted: Places) -> None:
    count = 1_300
    rows = [f"TRIAL-1,NF-1,2026-05-05,recovered,heavy{n}\n" for n in range(count)]
    rows[1_100] = "TRIAL-1,NF-1,2026-05-05,recovered,4.9\n"
    with pytest.raises(UploadRefused) as refusal:
        send("retrievals", LOOK + "".join(rows), planted.north)
    upload = Upload.objects.get(pk=refusal.value.upload_id)
    assert upload.faults.count() == 1_000
    assert (upload.rows, upload.error_total) == (count, refusal.value.fault_total)

    found = list(csv.DictReader(io.StringIO(given_back(refusal))))

    assert [row["dry_mass_g"] for row in found[:2]] == ["heavy0", "heavy1"]
    told = [row["fault_messages"].count("heavy") for row in found]
    assert told == [1] * 1_100 + [0] + [1] * (count - 1_101)
    # Each fault once, whether it was remembered or found again.
    assert sum(len(row["fault_fields"].split("; ")) for row in found) == upload.error_total


def test_short_rows_beyond_the_thousandth_come_back_too(planted: Places) -> None:
    with pytest.raises(UnreadableBody) as refusal:
        send("retrievals", LOOK + "TRIAL-1,NF-1\n" * 1_005, planted.north)
    assert Upload.objects.get(pk=refusal.value.upload_id).rows == 1_005

    found = list(csv.DictReader(io.StringIO(given_back(refusal))))

    assert len(found) == 1_005
    assert all("2 cells" in row["fault_messages"] for row in found)


def test_short_rows_come_back_too(planted: Places) -> None:
    with pytest.raises(UnreadableBody) as refusal:
        send("retrievals", LOOK + "TRIAL-1,NF-1\n", planted.north)

    text = given_back(refusal)

    (row,) = csv.DictReader(io.StringIO(text))
    assert (row["bag_label"], row["outcome"]) == ("NF-1", "")
    assert "2 cells" in row["fault_messages"]


def test_an_upload_leaves_one_line_in_the_audit_trail(planted: Places) -> None:
    upload = send("retrievals", ONE, planted.north)

    event = AuditEvent.objects.first()
    assert event is not None
    assert event.action == "upload_stored"
    assert (event.trial, event.token) == (planted.trial, planted.north.token)
    assert f"Upload {upload.pk}: 1 retrievals new" in event.summary


# --- who ---------------------------------------------------------------------------------------


def test_strangers_send_nothing(places: Places, stored: Callable[[], dict[str, int]]) -> None:
    before = stored()

    for kind in UPLOAD_KINDS:
        with pytest.raises(NotAllowed):
            send(kind, "x", ANYONE)
    with pytest.raises(NotAllowed):
        send("piles", good_file("piles"), Actor(user=factories.User()))

    assert stored() == before
    assert not Upload.objects.exists()


def test_a_member_signed_in_sends_for_their_site(places: Places) -> None:
    person = factories.SiteMembership(site=places.north.site).user

    upload = send("piles", good_file("piles"), Actor(user=person))

    assert (upload.created, upload.site, upload.user) == (2, places.north.site, person)


def test_rows_of_another_site_do_not_exist_for_a_sender(planted: Places) -> None:
    with pytest.raises(UploadRefused) as other:
        send("retrievals", ONE, planted.south)
    with pytest.raises(UploadRefused) as missing:
        send("retrievals", ONE.replace("NF-1", "NF-9"), planted.south)

    (theirs,), (nobodys,) = other.value.faults, missing.value.faults
    assert theirs.code == nobodys.code == "unknown_bag"
    assert theirs.message.replace("NF-1", "NF-9") == nobodys.message


def test_an_unknown_kind_is_not_found(places: Places) -> None:
    with pytest.raises(NotFound):
        send("worms", "x", places.north)


@pytest.mark.parametrize(
    "content_type", ["", "text/plain", "application/vnd.ms-excel", "text/csv; charset=latin-1"]
)
def test_other_formats_are_not_taken(places: Places, content_type: str) -> None:
    with pytest.raises(UnsupportedFormat):
        send("piles", good_file("piles"), places.north, content_type=content_type)


# --- one record --------------------------------------------------------------------------------

LOOK_VALUES = {
    "trial": "TRIAL-1",
    "bag_label": "NF-1",
    "retrieved_on": "2026-05-05",
    "outcome": "recovered",
    "dry_mass_g": 4.912,
}


def test_one_record_is_new_then_the_same_then_a_conflict(planted: Places) -> None:
    def put(**changes: object) -> tuple[object, bool]:
        values = {**LOOK_VALUES, **changes}
        return uploads.submit_one(kind="retrievals", values=values, by=planted.north)

    first, created = put()
    again, created_again = put(dry_mass_g="4.912")
    with pytest.raises(RecordChanged) as conflict:
        put(dry_mass_g=5)

    assert (created, created_again, first) == (True, False, again)
    assert isinstance(first, Retrieval)
    assert (first.upload_row, Upload.objects.get(pk=first.upload_id).rows) == (1, 1)
    assert conflict.value.code == "retrieval_changed"
    assert "4.912 is stored, 5 was sent" in conflict.value.message
    first.refresh_from_db()
    assert first.dry_mass_g == 4.912


def test_one_record_has_the_codes_of_a_file(planted: Places) -> None:
    values = {**LOOK_VALUES, "bag_label": "NF-9", "dry_mass_g": "4,9"}

    with pytest.raises(UploadRefused) as refusal:
        uploads.submit_one(kind="retrievals", values=values, by=planted.north)

    assert {fault.code for fault in refusal.value.faults} == {"unknown_bag", "decimal_comma"}
    with pytest.raises(UnreadableBody) as unknown:
        uploads.submit_one(kind="retrievals", values={"bag": "NF-1"}, by=planted.north)
    assert unknown.value.code == "unknown_column"


def test_one_reading_gives_its_probe_day(planted: Places) -> None:
    values = {
        "site": "NORTH",
        "pile": "P1",
        "probe": "CORE",
        "measured_at": "2026-05-05T10:00:00+02:00",
        "temperature_c": 55,
    }

    day, created = uploads.submit_one(kind="temperatures", values=values, by=planted.north)
    with pytest.raises(RecordChanged) as conflict:
        uploads.submit_one(
            kind="temperatures", values={**values, "temperature_c": 56}, by=planted.north
        )

    assert isinstance(day, ProbeDay)
    assert (created, day.seconds, day.celsius) == (True, [8 * 3600], [55.0])
    assert conflict.value.code == "reading_changed"


@pytest.mark.parametrize("kind", ["piles", "turnings", "bags", "materials"])
def test_one_record_of_each_kind_is_found_again(planted: Places, kind: str) -> None:
    sent = {
        "piles": {
            "site": "NORTH",
            "pile": "P5",
            "trial": "TRIAL-1",
            "kind": "bin",
            "started_on": "2026-04-07",
        },
        "turnings": {"site": "NORTH", "pile": "P1", "turned_at": "2026-05-05T10:00"},
        "bags": {
            "trial": "TRIAL-1",
            "site": "NORTH",
            "pile": "P1",
            "bag_label": "NF-7",
            "material": "PAPER",
            "buried_on": "2026-04-07",
            "initial_mass_g": 10,
        },
        "materials": {"material": "TWINE", "name": "Jute twine", "form": "twine", "role": "test"},
    }[kind]

    record, created = uploads.submit_one(kind=kind, values=sent, by=planted.north)
    again, created_again = uploads.submit_one(kind=kind, values=sent, by=planted.north)

    assert (created, created_again) == (True, False)
    assert record == again


# --- the queue ---------------------------------------------------------------------------------


def test_a_queued_upload_is_stored_once_however_often_it_is_processed(planted: Places) -> None:
    accepted = _accept(ONE, planted.north)
    assert (accepted.state, Retrieval.objects.count()) == ("queued", 0)

    first = uploads.process(accepted.pk)
    second = uploads.process(accepted.pk)

    assert (first.state, first.created, first.pk) == ("stored", 1, accepted.pk)
    assert (second.state, second.created, second.finished_at) == ("stored", 1, first.finished_at)
    assert Retrieval.objects.get().upload_id == accepted.pk


def test_a_queued_bad_upload_is_rejected_once_with_its_faults(planted: Places) -> None:
    accepted = _accept(WRONG, planted.north)

    uploads.process(accepted.pk)
    again = uploads.process(accepted.pk)

    assert (again.state, again.error_total, again.faults.count()) == ("rejected", 2, 2)
    assert not Retrieval.objects.exists()


def test_an_upload_whose_worker_died_is_taken_up_by_the_next(planted: Places) -> None:
    accepted = _accept(ONE, planted.north)
    Upload.objects.filter(pk=accepted.pk).update(state="running")

    assert uploads.process(accepted.pk).state == "stored"


def test_the_queue_lists_what_has_waited_a_while(planted: Places) -> None:
    accepted = _accept(ONE, planted.north)
    done = send("retrievals", ONE_OTHERWISE.replace("NF-1", "NF-2"), planted.north)
    old = timezone.now() - timedelta(minutes=5)
    Upload.objects.filter(pk__in=[accepted.pk, done.pk]).update(received_at=old)
    _accept(ONE, planted.north)

    assert uploads.waiting(older_than=timedelta(minutes=1)) == [accepted.pk]


def test_an_upload_that_waited_through_a_freeze_is_sent_back(planted: Places) -> None:
    accepted = _accept(ONE, planted.north)
    later = send("piles", good_file("piles"), planted.north)
    factories.Release(trial=planted.trial, last_upload_id=later.pk)

    rejected = uploads.process(accepted.pk)

    assert rejected.state == "rejected"
    assert rejected.faults.get().code == "released_meanwhile"
    assert not Retrieval.objects.exists()


def test_a_queued_upload_whose_file_is_gone_is_rejected(
    planted: Places, settings: LazySettings
) -> None:
    accepted = _accept(ONE, planted.north)
    kept = settings.UPLOADS_DIR / accepted.sha256[:2] / f"{accepted.sha256}.gz"
    kept.unlink()

    rejected = uploads.process(accepted.pk)

    assert (rejected.state, rejected.faults.get().code) == ("rejected", "not_found")


def test_processing_nothing_is_not_found(db: None) -> None:
    with pytest.raises(NotFound):
        uploads.process(999)


def test_a_stranger_queues_nothing(places: Places) -> None:
    with pytest.raises(NotAllowed):
        _accept(ONE, ANYONE)

    assert not Upload.objects.exists()


# --- any bytes ---------------------------------------------------------------------------------


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    tail=st.one_of(
        st.binary(max_size=60),
        st.text(max_size=60).map(lambda text: text.encode("utf-8", "replace")),
    ),
    content_type=st.sampled_from(["text/csv", "application/json", "application/x-ndjson"]),
    kind=st.sampled_from(sorted(UPLOAD_KINDS)),
)
def test_no_bytes_raise_anything_but_an_error_of_the_registry(
    planted: Places, tail: bytes, content_type: str, kind: str
) -> None:
    names = ",".join(UPLOAD_KINDS[kind].column_names).encode()
    cells = b",".join(b"P1" for _ in UPLOAD_KINDS[kind].columns)
    for body in (tail, names + b"\n" + tail, names + b"\n" + cells + b"\n" + tail):
        with suppress(RegistryError):
            send(kind, body, planted.north, content_type=content_type)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), kind=st.sampled_from(sorted(UPLOAD_KINDS)))
def test_no_values_raise_anything_but_an_error_of_the_registry(
    planted: Places, data: st.DataObject, kind: str
) -> None:
    values = data.draw(
        st.fixed_dictionaries(
            {},
            optional={
                column.name: st.one_of(
                    st.sampled_from([column.example, "NORTH", "P1", "NF-1", "TRIAL-1", "PAPER"]),
                    st.sampled_from(column.choices or ("x",)),
                    st.dates().map(str),
                    st.datetimes().map(str),
                    st.floats(),
                    st.text(max_size=10),
                    st.none(),
                    st.lists(st.integers(), max_size=1),
                )
                for column in UPLOAD_KINDS[kind].columns
            },
        )
    )

    with suppress(RegistryError):
        uploads.submit_one(kind=kind, values=values, by=planted.north)


# --- two at the same moment --------------------------------------------------------------------


@pytest.fixture
def planted_for_all(transactional_db: None, own_folder: None, after_the_trial: None) -> Places:
    """The trial, committed, so that other connections see it."""
    with transaction.atomic():
        found = make_places()
    plant(found)
    return found


def _at_once(*jobs: Callable[[], object]) -> list[object]:
    """Run each job in a thread and connection of its own; the results or errors, in order."""
    barrier = threading.Barrier(len(jobs))
    results: list[object] = [None] * len(jobs)

    def run(number: int, job: Callable[[], object]) -> None:
        barrier.wait(timeout=30)
        try:
            results[number] = job()
        except RegistryError as error:
            results[number] = error
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(jobs)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return results


def test_two_identical_uploads_at_once_are_stored_once(planted_for_all: Places) -> None:
    north = planted_for_all.north

    answers = _at_once(*[lambda: send("retrievals", ONE, north)] * 4)

    assert all(isinstance(answer, Upload) for answer in answers), answers
    assert sorted(answer.created for answer in answers) == [0, 0, 0, 1]  # type: ignore[attr-defined]
    assert Retrieval.objects.count() == 1


def test_of_two_that_contradict_each_other_one_is_stored_the_other_told(
    planted_for_all: Places,
) -> None:
    north = planted_for_all.north

    answers = _at_once(
        lambda: send("retrievals", ONE, north), lambda: send("retrievals", ONE_OTHERWISE, north)
    )

    (refusal,) = [answer for answer in answers if isinstance(answer, UploadRefused)]
    assert [fault.code for fault in refusal.faults] == ["retrieval_changed"]
    assert Retrieval.objects.count() == 1


def test_two_sites_that_choose_one_label_at_once_do_not_both_get_it(
    planted_for_all: Places,
) -> None:
    send(
        "piles",
        "site,pile,trial,kind,started_on\nSOUTH,P1,TRIAL-1,bin,2026-04-07\n",
        planted_for_all.south,
    )
    bag = "trial,site,pile,bag_label,material,buried_on,initial_mass_g\nTRIAL-1,{},P1,SAME,PAPER,"

    answers = _at_once(
        *[
            lambda by=by, site=site: send("bags", bag.format(site) + "2026-04-08,10\n", by)
            for by, site in ((planted_for_all.north, "NORTH"), (planted_for_all.south, "SOUTH"))
        ]
    )

    (refusal,) = [answer for answer in answers if isinstance(answer, UploadRefused)]
    assert refusal.faults[0].code == "bag_label_taken"
    assert Bag.objects.filter(label="SAME").count() == 1


def test_two_workers_store_a_queued_upload_once(planted_for_all: Places) -> None:
    accepted = _accept(ONE, planted_for_all.north)

    _at_once(*[lambda: uploads.process(accepted.pk)] * 3)

    assert uploads.process(accepted.pk).state == "stored"
    assert Retrieval.objects.count() == 1


def test_a_trial_closes_only_after_the_uploads_on_their_way(planted_for_all: Places) -> None:
    places = planted_for_all
    closing = threading.Thread(
        target=lambda: (
            registration.move_trial(
                trial=Trial.objects.get(pk=places.trial.pk),
                state="closed",
                reason="done",
                by=places.coordinator,
            ),
            connections.close_all(),
        )
    )

    with transaction.atomic():
        locks.share_trials([places.trial.pk])
        closing.start()
        closing.join(timeout=0.5)
        still_open = closing.is_alive()
        upload = send("retrievals", ONE, places.north)
    closing.join(timeout=30)

    assert still_open
    assert upload.created == 1
    places.trial.refresh_from_db()
    assert places.trial.state == "closed"
    with pytest.raises(UploadRefused) as refusal:
        send("retrievals", ONE_OTHERWISE, places.north)
    assert refusal.value.faults[0].code == "trial_closed"


def test_a_rule_only_the_database_knows_is_a_refusal_too(planted: Places) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "ALTER TABLE registry_pile ADD CONSTRAINT pile_has_a_short_code CHECK (code <> 'LONG')"
        )

    with pytest.raises(UploadRefused) as refusal:
        send("piles", good_file("piles").replace(b"P2", b"LONG"), planted.north)

    assert refusal.value.faults[0].code == "rule_broken"
    assert "pile_has_a_short_code" in refusal.value.faults[0].message
    assert not Pile.objects.filter(code="LONG").exists()
