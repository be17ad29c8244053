"""The labs' upload client against a scripted server: what it sends, retries, and gives up on."""

import ast
import gzip
import hashlib
import json
import re
import socket
import subprocess
import sys
import uuid

import pytest

from tests.client.scripted_server import Reply, answering
from tests.client.upload_client import CLIENT_FILE, client

TOKEN = "token-of-the-balance-room"
BAGS = "trial,site,pile,bag_label,material\nPOTS,NORTH,P1,B-001,COIR\nPOTS,NORTH,P1,B-002,COIR\n"
STORED = Reply(201, {"id": 7, "kind": "bags", "rows": 2, "created": 2, "unchanged": 0})
BUSY = Reply(503, {"title": "Too busy"}, {"Retry-After": "2"})


def problem(*errors, status=422, code="rows_refused", total=None, detail="2 rows are wrong."):
    body = {"title": "Some rows were refused", "status": status, "code": code, "detail": detail}
    if errors:
        body["errors"] = list(errors)
    if total is not None:
        body["error_total"] = total
    return Reply(status, body)


@pytest.fixture(autouse=True)
def _no_settings_of_this_machine(monkeypatch):
    for name in ("COHEAP_URL", "http_proxy", "https_proxy", "all_proxy"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.upper(), raising=False)
    monkeypatch.setenv("COHEAP_TOKEN", TOKEN)


@pytest.fixture
def waits(monkeypatch):
    """Seconds the client wanted to wait, without waiting."""
    asked = []
    monkeypatch.setattr(client.time, "sleep", asked.append)
    return asked


@pytest.fixture
def bags(tmp_path):
    path = tmp_path / "bags.csv"
    path.write_text(BAGS, encoding="utf-8")
    return path


def run(script, *arguments):
    return client.main([arguments[0], "--url", script.url, *map(str, arguments[1:])])


def test_a_file_is_sent_gzipped_with_token_type_and_key(bags):
    with answering(STORED) as script:
        answer = client.Client(script.url, TOKEN).upload(bags, "bags")

    (request,) = script.seen
    assert answer["created"] == 2
    assert request.path == "/api/v1/bags/"
    assert gzip.decompress(request.body) == BAGS.encode()
    assert request.headers["content-encoding"] == "gzip"
    assert request.headers["content-type"].startswith("text/csv")
    assert request.headers["authorization"] == f"Bearer {TOKEN}"
    assert uuid.UUID(request.headers["idempotency-key"])


def test_the_file_name_travels_along_in_a_form_any_header_can_hold(tmp_path):
    path = tmp_path / 'bags "Süd".csv'
    path.write_text(BAGS)

    with answering(STORED) as script:
        client.Client(script.url, TOKEN).upload(path, "bags")

    disposition = script.seen[0].headers["content-disposition"]
    assert disposition == 'attachment; filename="bags _S_d_.csv"'


def test_ndjson_is_sent_as_ndjson(tmp_path):
    path = tmp_path / "piles.ndjson"
    path.write_text('{"pile": "P1"}\n')

    with answering(STORED) as script:
        client.Client(script.url, TOKEN).upload(path, "piles")

    assert script.seen[0].headers["content-type"] == "application/x-ndjson"


def test_the_same_file_has_the_same_key_and_any_change_another(bags, tmp_path):
    copy, changed = tmp_path / "copy.csv", tmp_path / "changed.csv"
    copy.write_bytes(bags.read_bytes())
    changed.write_bytes(bags.read_bytes() + b"\n")

    with answering(STORED, STORED, STORED, STORED) as script:
        sender = client.Client(script.url, TOKEN)
        for path, kind in ((bags, "bags"), (copy, "bags"), (changed, "bags"), (bags, "piles")):
            sender.upload(path, kind)

    first, same, other_bytes, other_kind = [r.headers["idempotency-key"] for r in script.seen]
    assert first == same
    assert len({first, other_bytes, other_kind}) == 3
    assert script.seen[0].body == script.seen[1].body


def test_the_key_depends_on_the_address_too():
    sha256 = hashlib.sha256(b"x").hexdigest()

    one = client.idempotency_key(sha256, "bags", "https://a.example/api/v1/bags/")
    other = client.idempotency_key(sha256, "bags", "https://b.example/api/v1/bags/")

    assert one != other


def test_a_check_asks_for_a_dry_run_and_does_not_use_up_the_key(bags, capsys):
    with answering(STORED) as script:
        code = run(script, "check", bags)

    assert code == 0
    assert script.seen[0].path == "/api/v1/bags/?dry_run=true"
    assert "idempotency-key" not in script.seen[0].headers
    assert "Nothing was stored" in capsys.readouterr().out


def test_overload_twice_then_stored_after_the_pauses_asked_for(bags, waits):
    with answering(BUSY, BUSY, STORED) as script:
        code = run(script, "send", bags)

    assert code == 0
    assert len({request.headers["idempotency-key"] for request in script.seen}) == 1
    assert [gzip.decompress(request.body) for request in script.seen] == [BAGS.encode()] * 3
    assert 2.5 <= waits[0] <= 3.0  # 2 s asked for, half to one second of jitter
    assert 3.0 <= waits[1] <= 4.0  # 2 s asked for, one to two seconds of jitter


def test_too_many_requests_waits_for_a_date_as_well(bags):
    now = 1_700_000_000.0

    assert client.retry_after_s("Tue, 14 Nov 2023 22:13:50 GMT", now=now) == 30.0
    assert client.retry_after_s("Tue, 14 Nov 2023 22:13:00 GMT", now=now) == 0.0
    assert client.retry_after_s("soon", now=now) is None


def test_too_many_requests_is_retried(bags, waits):
    with answering(Reply(429, {}, {"Retry-After": "1"}), STORED) as script:
        code = run(script, "send", bags)

    assert code == 0
    assert len(script.seen) == 2


def test_a_pause_longer_than_five_minutes_is_left_to_the_caller(bags, waits, capsys):
    with answering(Reply(503, {}, {"Retry-After": "3600"})) as script:
        code = run(script, "send", bags)

    assert code == 4
    assert waits == []
    assert "3600 s" in capsys.readouterr().err


@pytest.mark.parametrize("cut", ["before", "half"])
def test_a_broken_connection_is_tried_again_with_the_same_key(bags, waits, cut):
    with answering(Reply(201, STORED.body, cut=cut), STORED) as script:
        code = run(script, "send", bags)

    assert code == 0
    assert len(waits) == 1
    keys = [request.headers["idempotency-key"] for request in script.seen]
    assert keys[0] == keys[1]


def test_a_server_that_never_answers_ends_in_a_time_out_and_exit_4(bags, waits, capsys):
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}"

        code = client.main(["send", "--url", url, "--timeout", "0.1", "--attempts", "2", str(bags)])

    assert code == 4
    assert len(waits) == 1
    assert "timed out" in capsys.readouterr().err


def test_nobody_listening_is_exit_4_with_growing_pauses(bags, waits):
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"http://127.0.0.1:{server.getsockname()[1]}"

    code = client.main(["send", "--url", url, "--attempts", "4", str(bags)])

    assert code == 4
    for wait, longest in zip(waits, (1, 2, 4), strict=True):
        assert longest / 2 <= wait <= longest


@pytest.mark.parametrize(
    ("status", "exit_code"),
    [(400, 1), (401, 3), (403, 3), (404, 2), (409, 5), (413, 1), (415, 1), (500, 6)],
)
def test_what_will_not_get_better_is_asked_once(bags, waits, status, exit_code):
    with answering(problem(status=status)) as script:
        code = run(script, "send", bags)

    assert code == exit_code
    assert len(script.seen) == 1
    assert waits == []


def test_a_refusal_is_confirmed_by_a_check_that_stores_nothing(bags, waits):
    with answering(problem(), problem(detail="Still wrong.")) as script:
        code = run(script, "send", bags)

    assert code == 1
    assert waits == []
    assert [request.path for request in script.seen] == [
        "/api/v1/bags/",
        "/api/v1/bags/?dry_run=true",
    ]


def test_a_refusal_kept_from_before_the_missing_rows_were_sent_does_not_stand(bags):
    with answering(problem(), STORED, STORED) as script:
        code = run(script, "send", bags)

    assert code == 0
    assert script.seen[2].path == "/api/v1/bags/"
    assert ["idempotency-key" in request.headers for request in script.seen] == [
        *(True, False, False)
    ]


def test_faulty_rows_are_an_aligned_table_with_line_numbers(bags, capsys):
    faults = (
        {"row": 1, "field": "material", "code": "unknown", "value": "COIR", "message": "Not here."},
        {"row": 2, "field": "mass_g", "code": "low", "value": "x" * 99, "message": "Too low."},
    )

    with answering(*[problem(*faults)] * 2) as script:
        code = run(script, "send", bags)

    lines = capsys.readouterr().err.splitlines()
    assert code == 1
    assert lines[0].endswith("2 rows are wrong.")
    assert lines[1].split()[:5] == ["row", "line", "field", "code", "value"]
    assert lines[2].split()[:4] == ["1", "2", "material", "unknown"]
    assert lines[3].split()[:4] == ["2", "3", "mass_g", "low"]
    assert lines[2].index("Not here.") == lines[3].index("Too low.")
    assert "x" * 31 not in lines[3]


def test_a_long_list_is_shortened_with_the_true_total(bags, capsys):
    faults = [
        {"row": n, "field": "pile", "code": "unknown_pile", "value": "P9", "message": "?"}
        for n in range(1, 1001)
    ]

    with answering(*[problem(*faults, total=10_000)] * 2) as script:
        run(script, "send", bags, "--max-errors", "3")

    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 + 1 + 3 + 1
    assert lines[-1] == "… 9997 more; 10000 faults in all."


def test_what_a_cell_holds_cannot_steer_the_terminal(bags, capsys):
    fault = {"row": 1, "field": "f", "code": "c", "value": "\x1b[2J", "message": "a\x07b"}

    with answering(*[problem(fault)] * 2) as script:
        run(script, "send", bags)

    assert not re.search(r"[\x00-\x09\x0b-\x1f]", capsys.readouterr().err)


def test_lines_are_counted_through_blank_lines_and_quoted_line_breaks(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text('\ufeffa,notes\n1,"two\nlines"\n\n2,short\n', encoding="utf-8")

    assert client.line_numbers(path) == {1: 2, 2: 5}


def test_a_conflict_after_a_broken_attempt_says_that_it_may_be_our_own(bags, waits, capsys):
    broken = Reply(201, STORED.body, cut="before")

    with answering(broken, problem(status=409, code="idempotency_key_running")) as script:
        code = run(script, "send", bags)

    assert code == 5
    assert "run the same command again in a minute" in capsys.readouterr().err


def test_several_files_go_in_the_order_they_need_and_stop_at_the_first_refusal(tmp_path):
    names = ["retrieval_may.csv", "bags.csv", "North-piles.csv", "materials.csv"]
    for name in names:
        (tmp_path / name).write_text("a\n1\n")

    with answering(STORED, STORED, problem(), problem()) as script:
        code = run(script, "send", *(tmp_path / name for name in names))

    assert code == 1
    sent = [request.path.split("/")[3] for request in script.seen]
    assert sent == ["materials", "piles", "bags", "bags"]


def test_a_check_of_several_files_goes_on_after_a_refusal(tmp_path):
    for name in ("piles.csv", "bags.csv"):
        (tmp_path / name).write_text("a\n1\n")

    with answering(problem(), STORED) as script:
        code = run(script, "check", tmp_path / "bags.csv", tmp_path / "piles.csv")

    assert code == 1
    assert len(script.seen) == 2


@pytest.mark.parametrize("name", ["data.csv", "piles_and_bags.csv"])
def test_a_name_that_does_not_say_its_kind_needs_the_option(tmp_path, name, capsys):
    (tmp_path / name).write_text("a\n1\n")

    code = client.main(["send", "--url", "http://127.0.0.1:9", str(tmp_path / name)])

    assert code == 2
    assert "--kind" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["bags.xlsx", "no_such_bags.csv"])
def test_a_file_that_cannot_be_sent_is_exit_2_before_anything_is_sent(tmp_path, name, capsys):
    (tmp_path / "bags.xlsx").write_bytes(b"PK")

    code = client.main(["send", "--url", "http://127.0.0.1:9", str(tmp_path / name)])

    assert code == 2
    assert name in capsys.readouterr().err


def test_json_output_is_one_object_a_file_with_every_listed_fault(bags, capsys):
    fault = {"row": 1, "field": "pile", "code": "unknown_pile", "value": "P9", "message": "?"}

    with answering(*[problem(fault)] * 2) as script:
        code = run(script, "send", bags, "--json")

    report = json.loads(capsys.readouterr().out)
    assert code == report["exit_code"] == 1
    assert report["status"] == 422
    assert report["problem"]["errors"] == [fault]


def test_the_token_is_no_option_and_can_come_from_a_file(bags, tmp_path, monkeypatch, capsys):
    monkeypatch.delenv("COHEAP_TOKEN")
    token_file = tmp_path / "token"
    token_file.write_text("from-a-file\n")
    token_file.chmod(0o640)

    with answering(STORED) as script:
        code = run(script, "send", bags, "--token-file", token_file)
    with pytest.raises(SystemExit) as refusal:
        client.main(["send", "--token", "x", str(bags)])

    assert code == 0
    assert script.seen[0].headers["authorization"] == "Bearer from-a-file"
    assert "chmod 600" in capsys.readouterr().err
    assert refusal.value.code == 2


def test_without_a_token_or_an_address_nothing_is_sent(bags, monkeypatch, capsys):
    no_address = client.main(["send", str(bags)])
    monkeypatch.delenv("COHEAP_TOKEN")
    no_token = client.main(["send", "--url", "http://127.0.0.1:9", str(bags)])

    assert (no_address, no_token) == (2, 2)
    assert "COHEAP_TOKEN" in capsys.readouterr().err


def test_the_token_never_travels_in_clear_to_another_machine_unless_asked():
    with pytest.raises(client.WrongUse, match="not encrypted"):
        client.Client("http://registry.example.org", TOKEN)

    assert client.Client("http://registry.example.org/", TOKEN, plain_http=True).base_url
    assert client.Client("https://registry.example.org/x/api/v1/", TOKEN).base_url == (
        "https://registry.example.org/x"
    )


def test_a_redirect_is_not_followed_with_the_token(bags, capsys):
    with answering(STORED) as elsewhere:
        moved = Reply(301, {}, {"Location": f"{elsewhere.url}/api/v1/bags/"})
        with answering(moved) as script:
            code = run(script, "send", bags)

        assert elsewhere.seen == []
    assert code == 6
    assert elsewhere.url in capsys.readouterr().err


def test_a_proxy_named_by_the_environment_is_used(bags, monkeypatch):
    with answering(STORED) as proxy:
        monkeypatch.setenv("http_proxy", proxy.url)
        answer = client.Client("http://registry.invalid", TOKEN, plain_http=True).upload(
            bags, "bags"
        )

    assert answer["created"] == 2
    assert proxy.seen[0].path == "http://registry.invalid/api/v1/bags/"


def test_a_body_larger_than_memory_allows_goes_through_a_file(tmp_path, monkeypatch):
    monkeypatch.setattr(client, "IN_MEMORY_BYTES", 10)
    path = tmp_path / "bags.csv"
    path.write_text(BAGS * 500)

    with answering(BUSY, STORED) as script:
        client.Client(script.url, TOKEN, sleep=lambda _s: None).upload(path, "bags")

    assert gzip.decompress(script.seen[1].body) == (BAGS * 500).encode()


def test_an_answer_that_is_not_json_is_no_success(bags):
    with (
        answering(Reply(200, b"<html>log in</html>")) as script,
        pytest.raises(client.UnexpectedAnswer),
    ):
        client.Client(script.url, TOKEN).upload(bags, "bags")


def test_help_lists_every_exit_code():
    text = subprocess.run(
        [sys.executable, CLIENT_FILE, "send", "--help"], capture_output=True, text=True, check=True
    ).stdout

    classes = [client.ClientError, *client.ClientError.__subclasses__()]
    for code in {0, *(error.exit_code for error in classes)}:
        assert re.search(rf"^  {code}  ", text, re.MULTILINE)


def test_the_file_is_python_3_9_and_needs_only_the_standard_library():
    tree = ast.parse(CLIENT_FILE.read_text(encoding="utf-8"), feature_version=(3, 9))

    imported = {
        name.split(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert imported <= sys.stdlib_module_names


def test_a_large_file_is_told_to_be_reviewed_later(bags, capsys):
    with answering(Reply(201, STORED.body | {"review": "waiting"})) as script:
        assert run(script, "send", bags) == 0

    assert "quality rules run over them in the background" in capsys.readouterr().out
