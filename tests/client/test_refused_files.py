"""What the client makes of a refused file: the rows beside their faults, and a split upload."""

import csv
import gzip

import pytest

from registry.models import Bag, Pile
from tests.client.scripted_server import Reply, answering
from tests.client.upload_client import client
from tests.world import World

TOKEN = "token-of-the-balance-room"
HEADER = "trial,site,pile,bag_label,material,buried_on,initial_mass_g"
BAGS = f'{HEADER}\r\nA,"two\r\nlines"\r\n\r\nB,plain\r\nC,last'
ANNOTATED = b"trial,fault_fields,fault_messages\nA,,\nB,material,Not here.\n"
STORED = Reply(201, {"id": 7, "kind": "bags", "rows": 2, "created": 2, "unchanged": 0})


@pytest.fixture(autouse=True)
def _settings(monkeypatch):
    monkeypatch.setenv("COHEAP_TOKEN", TOKEN)


@pytest.fixture
def bags(tmp_path):
    path = tmp_path / "bags.csv"
    path.write_bytes(BAGS.encode())
    return path


def refused(*rows, total=None, upload=None, status=422):
    faults = [
        {"row": row, "field": "material", "code": "unknown_material", "message": "Not here."}
        for row in rows
    ]
    body = {"title": "Refused", "status": status, "code": "rows_refused", "detail": "Faults."}
    body |= {"errors": faults, "error_total": total or len(faults)}
    return Reply(status, body if upload is None else {**body, "upload": upload})


def send(script, path, *options):
    return client.main(["send", "--url", script.url, str(path), *options])


def test_refused_rows_are_written_beside_the_file_with_their_faults(bags, capsys):
    with answering(refused(2, upload=31), refused(2), Reply(200, ANNOTATED)) as script:
        code = send(script, bags)

    written = bags.with_name("bags-faults.csv")
    assert code == 1
    assert script.seen[2].path == "/api/v1/uploads/31/annotated/"
    assert script.seen[2].headers["authorization"] == f"Bearer {TOKEN}"
    assert written.read_bytes() == ANNOTATED
    assert f"every row with its faults is in {written}" in capsys.readouterr().err


def test_a_file_of_another_content_is_never_overwritten(bags):
    taken = bags.with_name("bags-faults.csv")
    taken.write_text("notes of mine")

    for _ in range(2):
        with answering(refused(2, upload=31), refused(2), Reply(200, ANNOTATED)) as script:
            send(script, bags)

    assert taken.read_text() == "notes of mine"
    names = sorted(path.name for path in bags.parent.iterdir())
    assert names == ["bags-faults-2.csv", "bags-faults.csv", "bags.csv"]


def test_a_copy_that_cannot_be_fetched_does_not_hide_the_refusal(bags, capsys):
    gone = Reply(404, {"title": "Not found", "detail": "There is nothing here."})

    with answering(refused(2, upload=31), refused(2), gone) as script:
        code = send(script, bags)

    told = capsys.readouterr().err
    assert code == 1
    assert "Not here." in told
    assert "could not be written" in told


def test_other_faults_than_those_first_told_are_remembered_by_a_new_upload(bags):
    """The first refusal may be the stored answer to the key of a file sent long ago."""
    replies = refused(1, upload=31), refused(2), refused(2, upload=32), Reply(200, ANNOTATED)

    with answering(*replies) as script:
        send(script, bags)

    assert script.seen[3].path == "/api/v1/uploads/32/annotated/"


def test_split_sends_the_rows_without_fault_byte_by_byte_and_leaves_the_others(bags, capsys):
    with answering(refused(2), refused(2), STORED, STORED) as script:
        code = send(script, bags, "--split")

    assert code == 1
    assert script.seen[2].path.endswith("?dry_run=true"), "the good rows are checked first"
    good = f'{HEADER}\r\nA,"two\r\nlines"\r\nC,last\n'.encode()
    assert [gzip.decompress(request.body) for request in script.seen[2:]] == [good, good]
    assert bags.with_name("bags-mend.csv").read_bytes() == f"{HEADER}\r\nB,plain\r\n".encode()
    assert bags.read_bytes() == BAGS.encode()
    assert "1 rows were not sent" in capsys.readouterr().err


def test_split_asks_again_until_the_rest_passes_and_counts_rows_of_the_whole_file(bags, capsys):
    """Row 2 of what is left after row 1 was taken out is row 3 of the file."""
    first = refused(1, total=2)

    with answering(first, first, refused(2), STORED, STORED) as script:
        send(script, bags, "--split")

    assert gzip.decompress(script.seen[-1].body) == f"{HEADER}\r\nB,plain\r\n".encode()
    mend = bags.with_name("bags-mend.csv").read_bytes()
    assert mend == f'{HEADER}\r\nA,"two\r\nlines"\r\nC,last\n'.encode()


def test_split_gives_up_on_faults_without_end_and_stores_nothing(tmp_path, capsys):
    path = tmp_path / "bags.csv"
    path.write_text(HEADER + "\n" + "row\n" * 50)
    endless = [refused(1, total=9)] * 40

    with answering(*endless) as script:
        code = send(script, path, "--split")

    assert code == 1
    assert all("dry_run" in request.path for request in script.seen[1:])
    assert "nothing was stored" in capsys.readouterr().err
    assert not path.with_name("bags-mend.csv").exists()


@pytest.mark.parametrize("rows", [(None,), (1, None), (1, 2, 3)], ids=str)
def test_split_of_a_file_wrong_as_a_whole_or_in_every_row_stores_nothing(bags, capsys, rows):
    with answering(*[refused(*rows)] * 2) as script:
        code = send(script, bags, "--split")

    assert code == 1
    assert len(script.seen) == 2
    assert "nothing was stored" in capsys.readouterr().err
    assert [path.name for path in bags.parent.iterdir()] == ["bags.csv"]


def test_split_of_ndjson_goes_by_its_lines(tmp_path):
    path = tmp_path / "bags.ndjson"
    path.write_text('{"a": "ü"}\n\n{"a": 2}\n', encoding="utf-8")

    with answering(*[refused(2)] * 2, STORED, STORED) as script:
        send(script, path, "--split")

    assert gzip.decompress(script.seen[-1].body).decode() == '{"a": "ü"}\n'
    assert path.with_name("bags-mend.ndjson").read_text() == '{"a": 2}\n'


def test_a_split_whose_good_rows_do_not_arrive_leaves_no_file_to_mend(bags):
    lost = Reply(403, {"title": "Not allowed"})

    with answering(refused(2), refused(2), STORED, lost) as script:
        code = send(script, bags, "--split")

    assert code == 3
    assert not bags.with_name("bags-mend.csv").exists()


def test_after_a_split_the_files_that_follow_are_sent_too(bags):
    looks = bags.with_name("retrievals.csv")
    looks.write_text("a\n1\n")

    with answering(refused(2), refused(2), STORED, STORED, STORED) as script:
        code = client.main(["send", "--url", script.url, str(bags), str(looks), "--split"])

    assert code == 1
    assert script.seen[-1].path == "/api/v1/retrievals/"


@pytest.mark.django_db(transaction=True)
def test_split_against_the_registry_itself(world: World, live_server, tmp_path, monkeypatch):
    monkeypatch.setenv("COHEAP_TOKEN", world.tokens["NORTH"])
    piles, bags = tmp_path / "piles.csv", tmp_path / "bags.csv"
    piles.write_text("site,pile,trial,kind,started_on\nNORTH,P1,TRIAL-1,bin,2026-04-07\n")
    row = "TRIAL-1,NORTH,P1,{},{},2026-04-07,10\n".format
    good, bad = [row("B-01", "PAPER"), row("B-03", "PAPER")], row("B-02", "NOWHERE")
    bags.write_text(HEADER + "\n" + good[0] + bad + good[1])

    code = client.main(["send", "--url", live_server.url, "--split", str(piles), str(bags)])

    assert code == 1
    assert sorted(Bag.objects.values_list("label", flat=True)) == ["B-01", "B-03"]
    assert bags.with_name("bags-mend.csv").read_text() == f"{HEADER}\n{bad}"
    with bags.with_name("bags-faults.csv").open() as file:
        beside = list(csv.DictReader(file))
    assert [row["bag_label"] for row in beside] == ["B-01", "B-02", "B-03"]
    assert [row["fault_fields"] for row in beside] == ["", "material", ""]


@pytest.mark.django_db(transaction=True)
def test_split_finds_more_faults_than_the_registry_lists_at_once(
    world: World, live_server, tmp_path, monkeypatch, capsys
):
    monkeypatch.setenv("COHEAP_TOKEN", world.tokens["NORTH"])
    path = tmp_path / "piles.csv"
    kinds = ["shed" if n % 3 else "bin" for n in range(1800)]
    rows = [f"NORTH,P{n:04},TRIAL-1,{kind},2026-04-07\n" for n, kind in enumerate(kinds)]
    path.write_text("site,pile,trial,kind,started_on\n" + "".join(rows))

    client.main(["send", "--url", live_server.url, "--split", str(path)])

    told = capsys.readouterr().err
    assert "every row with its faults is in" in told
    with path.with_name("piles-faults.csv").open() as file:
        beside = [row["fault_fields"] for row in csv.DictReader(file)]
    assert beside == ["kind" if n % 3 else "" for n in range(1800)]
    assert "1200 rows were not sent" in told
    assert Pile.objects.count() == 600
    mended = path.with_name("piles-mend.csv")
    mended.write_text(mended.read_text().replace(",shed,", ",bin,"))
    assert client.main(["send", "--url", live_server.url, str(mended)]) == 0
    assert Pile.objects.count() == 1800


@pytest.mark.django_db(transaction=True)
def test_split_does_not_choose_between_two_rows_of_one_key(
    world: World, live_server, tmp_path, monkeypatch
):
    monkeypatch.setenv("COHEAP_TOKEN", world.tokens["NORTH"])
    path = tmp_path / "piles.csv"
    row = "NORTH,{},TRIAL-1,{},2026-04-07\n".format
    path.write_text(
        "site,pile,trial,kind,started_on\n"
        + row("P1", "bin")
        + row("P2", "bin")
        + row("P1", "heap")
    )

    client.main(["send", "--url", live_server.url, "--split", str(path)])

    assert list(Pile.objects.values_list("code", flat=True)) == ["P2"]
    assert path.with_name("piles-mend.csv").read_text().count("P1") == 2
