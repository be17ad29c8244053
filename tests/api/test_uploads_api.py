from registry.models import Pile
from tests import sample_files
from tests.world import Call

HEADER = "site,pile,trial,kind,started_on"
GOOD = "NORTH,P1,TRIAL-1,bin,2026-04-07"
BAD = "NORTH,P2,TRIAL-1,shed,07/04/2026"


def test_refused_file_comes_back_with_its_faults_beside_the_rows(call: Call) -> None:
    refused = call("POST", "/piles/", f"{HEADER}\n{GOOD}\n{BAD}\n", as_="NORTH").json()

    answer = call("GET", f"/uploads/{refused['upload']}/annotated/", as_="NORTH")
    upload = call("GET", f"/uploads/{refused['upload']}/", as_="NORTH").json()

    lines = b"".join(answer.streaming_content).decode().splitlines()
    assert lines[0] == f"{HEADER},fault_fields,fault_messages"
    assert lines[1].startswith(GOOD)
    assert lines[2].startswith(f"{BAD},kind; started_on,")
    assert refused["rows"] == upload["rows"] == 2
    assert not Pile.objects.exists()


def test_original_body_can_be_fetched_by_those_who_may(call: Call) -> None:
    sent = sample_files.piles("NORTH")
    upload = call("POST", "/piles/", sent, as_="NORTH").json()["id"]

    mine = call("GET", f"/uploads/{upload}/original/", as_="NORTH")

    assert mine.content.decode() == sent
    for someone in ("SOUTH", "other coordinator", None):
        assert call("GET", f"/uploads/{upload}/original/", as_=someone).status_code == 404


def test_material_is_added_to_a_running_trial_and_nothing_is_taken_out(call: Call) -> None:
    call("POST", "/materials/", "material,name,form,role\nWOOL,Wool mat,mat,test\n", as_="NORTH")

    added = call("PATCH", "/trials/TRIAL-1/", {"materials": ["WOOL"]}, as_="coordinator")

    assert added.json()["materials"] == ["FILM-A", "PAPER", "WOOL"]
    assert call("PATCH", "/trials/TRIAL-1/", {}, as_="NORTH").status_code == 403
