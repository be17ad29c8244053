"""A season of a careless lab, with the real client against the real server over real sockets.

Wrong units, files sent again under other names, a line that breaks after the server has stored, the
same file sent twice at the same moment, a corrected file. In the end exactly the right rows are
stored, and every message was enough to act on: it named the row, the column and what to write.
"""

import json
import socket
import threading
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from registry.models import Bag, Pile, ProbeDay, Retrieval, Upload, UploadState
from tests import sample_files
from tests.client.broken_line import line_to
from tests.client.upload_client import client
from tests.world import World

pytestmark = pytest.mark.django_db(transaction=True)

TIMES = [f"2026-04-10T1{hour}:00:00+02:00" for hour in range(6)]
CELSIUS = [40.0, 45.0, 50.0, 55.0, 60.0, 65.0]


class Lab:
    """A folder of files and the client; `send` gives the exit code and the report."""

    def __init__(self, folder: Path, url: str, token: str, capsys: pytest.CaptureFixture) -> None:
        self.folder, self.url, self.token, self.capsys = folder, url, token, capsys

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def send(self, path: Path, *options: str, url: str = "") -> tuple[int, dict]:
        code = client.main(["send", "--url", url or self.url, "--json", *options, str(path)])
        return code, json.loads(self.capsys.readouterr().out)


@pytest.fixture
def lab(
    world: World,
    live_server,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture,
) -> Lab:
    monkeypatch.setenv("COHEAP_TOKEN", world.tokens["NORTH"])
    monkeypatch.setattr(client, "FIRST_WAIT_S", 0.02)
    return Lab(tmp_path, live_server.url, world.tokens["NORTH"], capsys)


def test_careless_lab_ends_with_exactly_the_right_rows(lab: Lab) -> None:
    _piles_over_a_line_that_breaks(lab)
    _bags_weighed_in_milligrams_then_sent_twice(lab)
    _temperatures_in_fahrenheit(lab)
    _the_same_looks_twice_at_the_same_moment(lab)
    _a_corrected_file(lab)
    _the_old_file_after_a_correction(lab)

    assert Pile.objects.count() == 2
    assert _stored_bags() == _rows(sample_files.bags("NORTH"), "bag_label", "initial_mass_g")
    looks = _rows(sample_files.retrievals("NORTH"), "bag_label", "dry_mass_g")
    assert _stored_looks() == looks | {next(iter(looks)): 5.5}
    (day,) = ProbeDay.objects.all()
    assert list(day.celsius) == pytest.approx(CELSIUS, abs=0.01)
    kinds = Upload.objects.filter(state=UploadState.STORED, created__gt=0).exclude(kind="materials")
    assert sorted(kinds.values_list("kind", flat=True)) == [
        *("bags", "piles", "retrievals", "temperatures")
    ]


@pytest.mark.parametrize("rows_sent", [1, 2], ids=["one row of two", "all but the end"])
def test_a_body_that_breaks_off_after_whole_rows_leaves_nothing_behind(
    lab: Lab, rows_sent: int
) -> None:
    """What has arrived could be read as a shorter file: only the length tells."""
    body = sample_files.piles("NORTH").encode()
    arrived = b"\n".join(body.split(b"\n")[: rows_sent + 1])
    head = (
        f"POST /api/v1/piles/ HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {lab.token}\r\n"
        f"Content-Type: text/csv\r\nContent-Length: {len(body)}\r\n\r\n"
    )

    with socket.create_connection(("127.0.0.1", urlsplit(lab.url).port), timeout=30) as line:
        line.sendall(head.encode() + arrived)
        line.shutdown(socket.SHUT_WR)
        answer = b"".join(iter(lambda: line.recv(65536), b""))

    assert b" 400 " in answer.split(b"\r\n")[0]
    assert b"body_cut_short" in answer
    assert not Pile.objects.exists()
    assert lab.send(lab.write("piles.csv", body.decode()))[1]["answer"]["created"] == 2


def _piles_over_a_line_that_breaks(lab: Lab) -> None:
    piles = lab.write("piles.csv", sample_files.piles("NORTH"))

    with line_to(lab.url, "before the answer", "within the answer") as line:
        code, report = lab.send(piles, url=line)

    assert code == 0
    assert report["answer"]["created"] == 2, "the first answer again, not that of a repeat"
    assert Upload.objects.filter(kind="piles").count() == 1


def _bags_weighed_in_milligrams_then_sent_twice(lab: Lab) -> None:
    good = sample_files.bags("NORTH")
    wrong = lab.write("bags.csv", good.replace(",10.0\n", ",10000\n"))

    code, report = lab.send(wrong)

    faults = report["problem"]["errors"]
    assert code == 1
    assert len(faults) == good.count("\n") - 1, "every row at once"
    assert {fault["field"] for fault in faults} == {"initial_mass_g"}
    assert "500" in faults[0]["message"], "the limit is told"
    assert " g" in faults[0]["message"], "and its unit"
    assert Path(report["faults_file"]).read_text().count("initial_mass_g") > 24
    assert not Bag.objects.exists()

    assert lab.send(lab.write("bags.csv", good))[0] == 0
    code, report = lab.send(lab.write("bags-final-2.csv", good + "\n"))
    assert code == 0
    assert (report["answer"]["created"], report["answer"]["unchanged"]) == (0, 24)


def _temperatures_in_fahrenheit(lab: Lab) -> None:
    fahrenheit = [reading * 9 / 5 + 32 for reading in CELSIUS]
    rows = "".join(f"NORTH,P1,CORE,{at},{t}\n" for at, t in zip(TIMES, fahrenheit, strict=True))
    logger = lab.write("temperatures.csv", f"site,pile,probe,measured_at,temperature_c\n{rows}")

    code, report = lab.send(logger)

    assert code == 1
    assert {fault["code"] for fault in report["problem"]["errors"]} == {"looks_like_fahrenheit"}
    assert "temperature_f" in report["problem"]["errors"][0]["message"]
    assert not ProbeDay.objects.exists()

    logger.write_text(f"site,pile,probe,measured_at,temperature_f\n{rows}")
    assert lab.send(logger)[0] == 0
    # The next download of the logger begins with the same readings.
    assert lab.send(lab.write("temperatures-2.csv", logger.read_text() + "\n"))[0] == 0


def _the_same_looks_twice_at_the_same_moment(lab: Lab) -> None:
    looks = lab.write("retrievals.csv", sample_files.retrievals("NORTH"))
    barrier, ends = threading.Barrier(2), []

    def send() -> None:
        sender = client.Client(lab.url, lab.token)
        barrier.wait(timeout=30)
        try:
            ends.append(sender.upload(looks, "retrievals")["created"])
        except client.Conflict as conflict:
            ends.append(conflict.problem["code"])

    threads = [threading.Thread(target=send) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)

    # Told the same answer, or that the other is still at work: then once more, as the client says.
    assert len(ends) == 2
    assert 24 in ends
    assert set(ends) <= {24, "idempotency_key_running"}
    assert lab.send(looks)[1]["answer"]["created"] == 24


def _a_corrected_file(lab: Lab) -> None:
    lines = sample_files.retrievals("NORTH").splitlines(keepends=True)
    start, _, mass = lines[1].rstrip("\n").rpartition(",")
    lines[1] = f"{start},{float(mass) / 2:.4f}\n"

    code, report = lab.send(lab.write("retrievals-corrected.csv", "".join(lines)), "--split")

    (fault,) = report["problem"]["errors"]
    assert code == 1
    assert (fault["row"], fault["code"]) == (1, "retrieval_changed")
    assert "correction" in fault["message"], "what to do instead"
    assert (report["answer"]["created"], report["answer"]["unchanged"]) == (0, 23)
    assert Path(report["mend_file"]).read_text() == "".join(lines[:2])


def _the_old_file_after_a_correction(lab: Lab) -> None:
    old = sample_files.retrievals("NORTH")
    label, mass = next(iter(_rows(old, "bag_label", "dry_mass_g").items()))
    look = Retrieval.objects.get(bag__label=label)
    correction = {"field": "dry_mass_g", "value": 5.5, "reason": "misread the balance"}
    request = urllib.request.Request(
        f"{lab.url}/api/v1/retrievals/{look.pk}/corrections/",
        json.dumps(correction).encode(),
        {"Authorization": f"Bearer {lab.token}", "Content-Type": "application/json"},
    )
    urllib.request.urlopen(request, timeout=30).close()

    # Byte for byte the same file is answered as the first time, and nothing is touched.
    code, report = lab.send(lab.write("retrievals-old.csv", old))
    assert (code, report["answer"]["created"]) == (0, 24)
    # Saved again by a spreadsheet it is another file.
    code, report = lab.send(lab.write("retrievals-old.csv", old + "\n"))

    (fault,) = report["problem"]["errors"]
    assert code == 1
    assert (fault["row"], fault["field"], fault["code"]) == (1, "dry_mass_g", "retrieval_changed")
    assert f"dry_mass_g was corrected from {mass:g} to 5.5 on " in fault["message"]
    assert "The correction stands" in fault["message"]
    assert "corrected value into your file" in fault["message"], "what to do"

    mended = old.replace(f",{mass:g}\n", ",5.5\n", 1)
    code, report = lab.send(lab.write("retrievals-mended.csv", mended))
    assert (code, report["answer"]["unchanged"]) == (0, 24)


def _rows(text: str, key: str, value: str) -> dict[str, float]:
    header, *rows = (line.split(",") for line in text.split())
    return {row[header.index(key)]: float(row[header.index(value)]) for row in rows}


def _stored_bags() -> dict[str, float]:
    return dict(Bag.objects.values_list("label", "initial_mass_g"))


def _stored_looks() -> dict[str, float]:
    return dict(Retrieval.objects.values_list("bag__label", "dry_mass_g"))
