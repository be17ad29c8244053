"""The small trial in the database, with a coordinator who may pool and release it."""

from datetime import UTC, date, datetime

import pandas as pd

from registry.models import (
    Bag,
    Feedstock,
    Flag,
    Institution,
    Material,
    Pile,
    ProbeDay,
    Retrieval,
    Site,
    Trial,
    Turning,
    User,
)
from registry.permissions import Actor
from tests.packages.small_trial import DAYS, small_trial


def stored_trial() -> tuple[Trial, Actor]:
    """Institutions to looks, without going through an upload."""
    tables = small_trial()
    user = User.objects.create_user("coordinator@example.org", "x", is_coordinator=True)
    institution = Institution.objects.create(code="COLLEGE", name="Eastmoor", country="NL")
    sites = {
        row["site"]: Site.objects.create(
            code=row["site"],
            institution=institution,
            name=row["name"],
            country="NL",
            time_zone="Europe/Amsterdam",
            latitude=row["latitude"],
            longitude=row["longitude"],
        )
        for row in _rows(tables["sites"])
    }
    materials = {
        row["material"]: Material.objects.create(code=row.pop("material"), **row)
        for row in _rows(tables["materials"])
    }
    trial = Trial.objects.create(
        code="POTS-2026",
        title="Pots in working piles",
        state="running",
        schedule_days=list(DAYS),
        primary_day=84,
        reference_material=materials["COIR-POT"],
    )
    trial.sites.set(sites.values())
    trial.materials.set(materials.values())
    trial.coordinators.add(user)
    _store_piles(tables, trial, sites, materials)
    return trial, Actor(user=user)


def _store_piles(tables, trial, sites, materials) -> None:
    piles = {
        (row["site"], row["pile"]): Pile.objects.create(
            site=sites[row.pop("site")], code=row.pop("pile"), **{**row, "trial": trial}
        )
        for row in _rows(tables["piles"])
    }
    first = piles["EAST", "P1"]
    (line,) = _rows(tables["feedstocks"].drop(columns=["site", "pile"]))
    Feedstock.objects.create(pile=first, **line)
    Turning.objects.create(pile=first, turned_at=datetime(2026, 4, 21, 7, 30, 5, tzinfo=UTC))
    seconds = list(range(0, 86_400, 3_600))
    celsius = [20.0 + hour * 1.5 for hour in range(24)]
    ProbeDay.objects.create(
        pile=first,
        probe="CORE",
        day=date(2026, 4, 7),
        seconds=seconds,
        celsius=celsius,
        count=24,
        lowest_c=min(celsius),
        mean_c=sum(celsius) / 24,
        highest_c=max(celsius),
    )
    bags = {
        row["bag_label"]: Bag(
            label=row.pop("bag_label"),
            pile=piles[row.pop("site"), row.pop("pile")],
            **{**row, "trial": trial, "material": materials[row["material"]]},
        )
        for row in _rows(tables["bags"])
    }
    Bag.objects.bulk_create(bags.values())
    looks = [
        Retrieval(bag=bags[row.pop("bag_label")], **_without(row, "trial"))
        for row in _rows(tables["retrievals"])
    ]
    for look in looks:
        look.observer = "A. Person" if look.bag.label.startswith("EAST") else ""
    Retrieval.objects.bulk_create(looks)
    (excluded,) = [look for look in looks if look.bag.label == tables["flags"]["bag_label"][0]]
    Flag.objects.create(
        pile=excluded.bag.pile,
        retrieval=excluded,
        code="above_105_pct",
        message="weighs more than at the start",
        decision="exclude",
        reason="soil on the residue",
        decided_at=datetime(2026, 8, 1, 9, tzinfo=UTC),
    )


def _rows(frame: pd.DataFrame) -> list[dict]:
    plain = frame.astype(object)
    return plain.where(plain.notna(), None).to_dict("records")


def _without(row: dict, name: str) -> dict:
    return {key: value for key, value in row.items() if key != name}
