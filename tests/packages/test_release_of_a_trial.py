"""A stored trial pooled, frozen and recomputed: the whole way from rows to a checked package."""

import io
import json

import pandas as pd
import pytest
from frictionless import Package

from registry.errors import NotAllowed, NothingToRelease
from registry.models import AuditEvent, Feedstock, Rating, Release, Retrieval, User
from registry.packages.archive import read_archive, sha256_of
from registry.packages.recompute import recompute
from registry.packages.tables import DATA_TABLES
from registry.permissions import ANYONE, Actor
from registry.queries.release_tables import release_tables
from registry.services import releases
from registry.services.pooling import execute_run, open_run
from registry.services.releases import freeze_release
from tests.packages.small_trial import EXCLUDED, small_trial
from tests.packages.stored_trial import stored_trial

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def folder(settings, tmp_path):
    settings.RELEASES_DIR = tmp_path / "releases"
    return settings.RELEASES_DIR


def pooled_trial():
    trial, coordinator = stored_trial()
    run, _ = open_run(trial=trial, by=coordinator)
    assert execute_run(run.pk)
    return trial, coordinator


def package_of(release, folder):
    return folder / release.package_name


def test_a_frozen_release_recomputes_to_the_last_digits(folder):
    trial, coordinator = pooled_trial()

    release = freeze_release(trial=trial, by=coordinator, notes="First looks.")

    report = recompute(package_of(release, folder))
    assert report.faults == ()
    assert report.largest <= 1e-9
    assert report.n_estimates == release.run.estimates.count() >= 6
    assert release.package_sha256 == sha256_of(package_of(release, folder))
    assert release.package_bytes == package_of(release, folder).stat().st_size
    assert release.n_rows == Retrieval.objects.count()


def test_the_package_of_a_release_is_valid_for_an_outside_validator(folder, tmp_path):
    trial, coordinator = pooled_trial()
    release = freeze_release(trial=trial, by=coordinator)
    for name, content in read_archive(package_of(release, folder)).items():
        path = tmp_path / "p" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)

    report = Package(tmp_path / "p" / "datapackage.json").validate()

    assert report.flatten(["title", "message"]) == []


def test_the_queries_give_the_declared_raw_columns_in_their_order():
    trial, _ = stored_trial()

    tables = release_tables(trial)

    assert tables.keys() == {table.name for table in DATA_TABLES}
    for table in DATA_TABLES:
        raw = [name for name in table.column_names if name not in table.derived]
        assert list(tables[table.name].columns) == raw


def test_nothing_personal_leaves_with_a_release():
    trial, _ = stored_trial()

    tables = release_tables(trial)

    observers = tables["retrievals"]["observer"]
    assert set(observers.dropna()) == {"EAST-1"}
    assert observers.isna().sum() == 2 * len(small_trial()["retrievals"]) / 3
    everything = " ".join(frame.to_csv() for frame in tables.values())
    assert "Person" not in everything
    assert "coordinator@" not in everything


def test_an_excluded_look_is_kept_and_marked(folder):
    trial, coordinator = pooled_trial()
    label = small_trial()["retrievals"]["bag_label"][EXCLUDED]

    release = freeze_release(trial=trial, by=coordinator)

    content = read_archive(package_of(release, folder))["data/retrievals.csv"]
    looks = pd.read_csv(io.BytesIO(content)).set_index("bag_label")
    assert looks.loc[label, "excluded"]
    assert looks.loc[label, "exclusion_reason"] == "above_105_pct: soil on the residue"


def test_versions_count_up_and_nothing_new_gives_the_release_there_is(folder):
    trial, coordinator = pooled_trial()

    first = freeze_release(trial=trial, by=coordinator)
    again = freeze_release(trial=trial, by=coordinator)
    with_notes = freeze_release(trial=trial, by=coordinator, notes="A word more.")

    assert again.pk == first.pk
    assert (first.version, with_notes.version) == (1, 2)
    assert package_of(first, folder) != package_of(with_notes, folder)
    assert AuditEvent.objects.filter(action="release_frozen").count() == 2


def test_a_release_stays_as_it_was_when_data_change(folder):
    trial, coordinator = pooled_trial()
    release = freeze_release(trial=trial, by=coordinator)
    before = package_of(release, folder).read_bytes()
    Feedstock.objects.update(wet_mass_kg=1.0)
    Retrieval.objects.filter(outcome="recovered").update(dry_mass_g=1.0, revision=2)
    run, _ = open_run(trial=trial, by=coordinator)
    execute_run(run.pk)

    second = freeze_release(trial=trial, by=coordinator)

    assert second.version == 2
    assert package_of(release, folder).read_bytes() == before


@pytest.mark.parametrize("change", ["never pooled", "changed since", "still running"])
def test_only_pooled_present_data_can_be_released(change, folder):
    trial, coordinator = stored_trial()
    if change != "never pooled":
        run, _ = open_run(trial=trial, by=coordinator)
    if change == "changed since":
        execute_run(run.pk)
        Retrieval.objects.filter(outcome="recovered").update(dry_mass_g=2.0, revision=2)

    with pytest.raises(NothingToRelease):
        freeze_release(trial=trial, by=coordinator)

    assert Release.objects.count() == 0
    assert not folder.exists()


def test_a_stranger_and_anyone_may_not_release():
    trial, _ = pooled_trial()
    stranger = Actor(user=User.objects.create_user("other@example.org", "x", is_coordinator=True))

    for actor in (ANYONE, stranger):
        with pytest.raises(NotAllowed):
            freeze_release(trial=trial, by=actor)

    assert Release.objects.count() == 0


def test_a_release_that_cannot_be_stored_leaves_no_package(folder, monkeypatch):
    trial, coordinator = pooled_trial()

    def fail(_release):
        raise RuntimeError("the disk of the database is full")

    monkeypatch.setattr(releases, "store_ratings", fail)
    with pytest.raises(RuntimeError):
        freeze_release(trial=trial, by=coordinator)

    assert list(folder.iterdir()) == []
    assert Release.objects.count() == 0


def test_every_material_is_rated_from_its_primary_rate(folder):
    trial, coordinator = pooled_trial()

    release = freeze_release(trial=trial, by=coordinator)

    ratings = {rating.material.code: rating for rating in Rating.objects.filter(heat_class="all")}
    assert ratings.keys() == {"COIR-POT", "WOOL-MAT"}
    for rating in ratings.values():
        assert rating.release == release
        assert rating.n_sites == 3
        assert rating.chance_84 == rating.pooled.chance_90_by.get(days=84).probability
        assert (rating.pooled.outcome, rating.pooled.heat_class) == ("decay_rate", "all")
        if rating.band == "not_enough_evidence":
            assert rating.sentence.startswith("Not enough evidence")
        else:
            assert rating.confidence == "low"
            assert (rating.band == "gone") == (rating.chance_84 >= 0.8)


def test_the_estimates_of_the_package_are_those_of_the_database(folder):
    trial, coordinator = pooled_trial()
    release = freeze_release(trial=trial, by=coordinator)

    stated = json.loads(read_archive(package_of(release, folder))["estimates.json"])

    by_key = {
        (found["material"], found["outcome"], found["model"], found["heat_class"]): found
        for found in stated["estimates"]
    }
    for row in release.run.estimates.select_related("material"):
        found = by_key[row.material.code, row.outcome, row.model, row.heat_class]
        assert found["estimate"] == row.estimate
        assert len(found["sites"]) == row.sites.count()
    assert stated["input_digest"] == release.run.input_digest
