import gzip

from registry.models import Bag, Pile, Retrieval, Upload
from tests import sample_files
from tests.world import Call

PILE = {
    "site": "NORTH",
    "pile": "P1",
    "trial": "TRIAL-1",
    "kind": "bin",
    "started_on": "2026-04-07",
}


def test_one_record_is_201_then_200_then_409(call: Call) -> None:
    first = call("POST", "/piles/", PILE, as_="NORTH")
    again = call("POST", "/piles/", PILE, as_="NORTH")
    other = call("POST", "/piles/", {**PILE, "kind": "heap"}, as_="NORTH")

    assert (first.status_code, again.status_code, other.status_code) == (201, 200, 409)
    assert first.json() == again.json()
    assert other.json()["code"] == "pile_changed"
    assert other["Content-Type"] == "application/problem+json"
    assert Pile.objects.get().kind == "bin"


def test_upload_answers_with_its_numbers_and_a_second_one_changes_nothing(call: Call) -> None:
    call("POST", "/piles/", sample_files.piles("NORTH"), as_="NORTH")

    first = call("POST", "/bags/", sample_files.bags("NORTH"), as_="NORTH").json()
    again = call("POST", "/bags/", sample_files.bags("NORTH"), as_="NORTH")

    assert (first["rows"], first["created"], first["unchanged"]) == (24, 24, 0)
    assert len(first["sha256"]) == 64
    assert again.status_code == 201
    assert (again.json()["created"], again.json()["unchanged"]) == (0, 24)
    assert Bag.objects.count() == 24


def test_dry_run_gives_the_same_numbers_and_stores_nothing(call: Call) -> None:
    answer = call("POST", "/piles/?dry_run=true", sample_files.piles("NORTH"), as_="NORTH")

    assert answer.status_code == 201
    assert (answer.json()["id"], answer.json()["created"]) == (None, 2)
    assert not Pile.objects.exists()
    assert not Upload.objects.filter(kind="piles").exists()


def test_every_fault_of_a_file_comes_back_and_nothing_is_stored(call: Call) -> None:
    file = (
        "site,pile,trial,kind,started_on,height_m\n"
        "NORTH,P1,TRIAL-1,shed,07/04/2026,1\n"
        'NORTH,p 2,TRIAL-1,bin,2026-04-07,"1,2"\n'
    )

    answer = call("POST", "/piles/", file, as_="NORTH")

    problem = answer.json()
    assert answer.status_code == 422
    assert [(e["row"], e["field"]) for e in problem["errors"]] == [
        (1, "kind"),
        (1, "started_on"),
        (2, "pile"),
        (2, "height_m"),
    ]
    assert problem["error_total"] == 4
    assert not Pile.objects.exists()
    remembered = call("GET", f"/uploads/{problem['upload']}/", as_="NORTH").json()
    assert remembered["state"] == "rejected"
    assert remembered["errors"] == problem["errors"]


def test_gzip_body_is_read_and_a_broken_one_is_refused(call: Call) -> None:
    packed = gzip.compress(sample_files.piles("NORTH").encode())

    broken = call("POST", "/piles/", packed[:-6], as_="NORTH", Content_Encoding="gzip")
    whole = call("POST", "/piles/", packed, as_="NORTH", Content_Encoding="gzip")

    assert (broken.status_code, broken.json()["code"]) == (400, "bad_gzip")
    assert (whole.status_code, whole.json()["created"]) == (201, 2)


def test_body_that_unpacks_to_too_much_is_stopped(call: Call, settings) -> None:
    settings.MAX_UNPACKED_BYTES = 1_000_000
    bomb = gzip.compress(b"site,pile\n" * 1_000_000)

    answer = call("POST", "/piles/", bomb, as_="NORTH", Content_Encoding="gzip")

    assert (answer.status_code, answer.json()["code"]) == (413, "body_too_large")


def test_idempotency_key_repeats_the_first_answer(call: Call) -> None:
    file = sample_files.piles("NORTH")

    first = call("POST", "/piles/", file, as_="NORTH", Idempotency_Key="k-1")
    again = call("POST", "/piles/", file, as_="NORTH", Idempotency_Key="k-1")
    other = call("POST", "/piles/", file + "\n", as_="NORTH", Idempotency_Key="k-1")

    assert first.json() == again.json()
    assert (first["Location"], first.json()["created"]) == (again["Location"], 2)
    assert Upload.objects.filter(kind="piles").count() == 1
    assert (other.status_code, other.json()["code"]) == (422, "idempotency_key_reused")


def test_refusal_is_repeated_under_its_key_too(call: Call) -> None:
    bad = "site,pile,trial,kind,started_on\nNORTH,P1,TRIAL-1,shed,2026-04-07\n"

    first = call("POST", "/piles/", bad, as_="NORTH", Idempotency_Key="k-2")
    again = call("POST", "/piles/", bad, as_="NORTH", Idempotency_Key="k-2")

    assert first.status_code == again.status_code == 422
    assert first.json() == again.json()
    assert Upload.objects.filter(state="rejected").count() == 1


def test_list_is_paged_by_cursor_without_loss_under_inserts(call: Call) -> None:
    for site in ("NORTH", "SOUTH"):
        call("POST", "/piles/", sample_files.piles(site), as_=site)
    call("POST", "/bags/", sample_files.bags("NORTH"), as_="NORTH")

    first = call("GET", "/bags/?page_size=10", as_="coordinator").json()
    call("POST", "/bags/", sample_files.bags("SOUTH"), as_="SOUTH")
    seen = [row["bag_label"] for row in first["results"]]
    following = first["next"]
    while following:
        page = call("GET", following.split("/api/v1")[1], as_="coordinator").json()
        seen += [row["bag_label"] for row in page["results"]]
        following = page["next"]

    assert len(seen) == len(set(seen)) == 48


def test_unknown_filter_is_refused_by_name(call: Call) -> None:
    answer = call("GET", "/bags/?colour=red", as_="NORTH")

    assert (answer.status_code, answer.json()["field"]) == (422, "colour")


def test_other_sites_rows_do_not_exist(call: Call) -> None:
    for site in ("NORTH", "SOUTH"):
        call("POST", "/piles/", sample_files.piles(site), as_=site)
        call("POST", "/bags/", sample_files.bags(site), as_=site)
        call("POST", "/retrievals/", sample_files.retrievals(site), as_=site)
    south = Retrieval.objects.filter(bag__pile__site__code="SOUTH").first()

    mine = call("GET", "/retrievals/?page_size=1000", as_="NORTH").json()["results"]

    assert {row["site"] for row in mine} == {"NORTH"}
    assert call("GET", f"/retrievals/{south.pk}/", as_="NORTH").status_code == 404
    assert call("GET", "/retrievals/").json()["results"] == []
    refused = call("POST", "/piles/", sample_files.piles("SOUTH"), as_="NORTH")
    assert (refused.status_code, refused.json()["errors"][0]["code"]) == (403, "not_your_site")
