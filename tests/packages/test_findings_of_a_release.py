"""Findings on looks, bags, probes and piles in a release: published, excluded alike, recomputed."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from frictionless import Package

from registry.models import Bag, Flag, Pile, ProbeDay
from registry.packages.archive import read_archive
from registry.packages.build import complete_tables
from registry.packages.recompute import recompute
from registry.queries.looks_of_trial import looks_of
from registry.queries.release_tables import release_tables
from registry.services import quality
from registry.services.pooling import execute_run, open_run
from registry.services.releases import freeze_release
from tests import factories
from tests.packages.stored_trial import stored_trial

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def folder(settings, tmp_path):
    settings.RELEASES_DIR = tmp_path / "releases"
    return settings.RELEASES_DIR


@pytest.fixture
def trial_and_coordinator():
    """The stored trial, with a finding on a bag, a pile and a probe beside the one on a look."""
    trial, coordinator = stored_trial()
    pile = Pile.objects.filter(trial=trial).order_by("pk").last()
    bag = Bag.objects.exclude(pile=pile).filter(retrievals__outcome="recovered").last()
    first = Pile.objects.filter(trial=trial, probe_days__isnull=False).first()
    hot = date(2026, 7, 1)
    ProbeDay.objects.create(
        pile=first,
        probe="STRAY",
        day=hot,
        seconds=[0, 3600],
        celsius=[89.0, 88.5],
        count=2,
        lowest_c=88.5,
        mean_c=88.75,
        highest_c=89.0,
        uploads=[1],
    )
    for finding in (
        factories.Flag(pile=bag.pile, bag=bag, code="start_mass_off_batch", unit="g", found=14.0),
        factories.Flag(pile=pile, code="control_lost_mass", unit="%", found=90.0),
        factories.Flag(
            pile=first,
            probe="STRAY",
            code="above_75",
            from_at=datetime(2026, 7, 1, tzinfo=UTC),
            until_at=datetime(2026, 7, 1, tzinfo=UTC) + timedelta(hours=1),
        ),
    ):
        quality.decide_flag(flag=finding, decision="exclude", reason="seen", by=coordinator)
    return trial, coordinator


def test_package_leaves_out_what_the_pooling_leaves_out(trial_and_coordinator):
    trial, _ = trial_and_coordinator

    looks = complete_tables(release_tables(trial), [])["retrievals"]

    pooled = looks_of(trial)
    assert int(looks["excluded"].sum()) == int(pooled.excluded.sum()) > 2
    of_pile = Flag.objects.get(code="control_lost_mass").pile
    theirs = looks[(looks["site"] == of_pile.site.code) & (looks["pile"] == of_pile.code)]
    assert theirs["excluded"].all()
    assert set(theirs["exclusion_reason"].dropna()) == {"control_lost_mass: seen"}


def test_excluded_probe_is_published_and_speaks_for_no_heat(trial_and_coordinator):
    trial, _ = trial_and_coordinator

    tables = complete_tables(release_tables(trial), [])

    assert "STRAY" in set(tables["temperatures"]["probe"])
    assert pd.to_numeric(tables["piles"]["highest_c"]).max() < 80


def test_release_with_every_kind_of_finding_is_valid_and_recomputes(
    trial_and_coordinator, folder, tmp_path
):
    trial, coordinator = trial_and_coordinator
    run, _ = open_run(trial=trial, by=coordinator)
    assert execute_run(run.pk)

    release = freeze_release(trial=trial, by=coordinator)

    path = folder / release.package_name
    report = recompute(path)
    assert report.faults == ()
    assert report.largest <= 1e-9
    for name, content in read_archive(path).items():
        (tmp_path / "out" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "out" / name).write_bytes(content)
    checked = Package(tmp_path / "out" / "datapackage.json").validate()
    assert checked.flatten(["title", "message"]) == []
    flags = pd.read_csv(tmp_path / "out" / "data" / "flags.csv")
    assert flags["flag"].tolist() == list(np.arange(1, len(flags) + 1))
    assert flags["trial"].isna().sum() == 2, "findings on the pile and the probe name no bag"
