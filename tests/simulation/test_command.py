"""`coheap simulate` at the command line."""

import json

import pytest
from django.core.management import CommandError, call_command


def test_the_command_writes_a_trial_of_the_size_asked_for(tmp_path, capsys):
    out = tmp_path / "trial"

    call_command(
        "simulate",
        "--sites=2",
        "--piles=2",
        "--materials=3",
        "--bags=1",
        "--seed=5",
        f"--out={out}",
    )

    registration = json.loads((out / "registration.json").read_text())
    truth = json.loads((out / "truth.json").read_text())
    assert len(registration["sites"]) == 2
    assert len(registration["trial"]["materials"]) == 3
    assert truth["seed"] == 5
    assert "mess" in truth
    assert "2 sites, 4 piles, 3 materials" in capsys.readouterr().out


def test_a_clean_trial_has_no_mess(tmp_path):
    call_command("simulate", "--sites=1", "--clean", "--no-temperatures", f"--out={tmp_path}/t")

    assert "mess" not in json.loads((tmp_path / "t" / "truth.json").read_text())
    assert not list(tmp_path.glob("t/*/temperatures*.csv"))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--sites=0"], "sites must be at least 1"),
        (["--days=14,later"], "list of whole numbers"),
        (["--days=0"], "between 1 and 1100"),
        (["--seed=-1"], "zero or more"),
    ],
)
def test_an_impossible_request_is_refused_and_writes_nothing(tmp_path, arguments, says):
    with pytest.raises(CommandError, match=says):
        call_command("simulate", *arguments, f"--out={tmp_path}/t")

    assert not (tmp_path / "t").exists()


def test_files_that_are_already_there_are_never_overwritten(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")

    with pytest.raises(CommandError, match="not an empty folder"):
        call_command("simulate", f"--out={tmp_path}")

    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
