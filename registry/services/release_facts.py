"""What a release says about itself: who contributed, under which licence, and where it stands."""

from datetime import datetime
from importlib.metadata import version as installed_version

from django.conf import settings
from django.db.models import Q

from registry.models import Institution, PoolingRun, Trial, User
from registry.packages.meta import Contributor, Person, ReleaseMeta


def release_meta(
    trial: Trial, run: PoolingRun, version: int, at: datetime, notes: str
) -> ReleaseMeta:
    """Facts of the version `version` of a trial, frozen `at`."""
    place = f"/trials/{trial.code}/releases/{version}/"
    return ReleaseMeta(
        trial=trial.code,
        title=trial.title,
        version=version,
        created_at=at,
        licence=trial.licence,
        contributors=tuple(map(_organisation, _institutions(trial))),
        people=tuple(_people(trial)),
        software_version=installed_version("coheap"),
        model_version=run.model_version,
        input_digest=run.input_digest,
        notes=notes,
        url=f"{settings.BASE_URL}{place}",
        package_url=f"{settings.BASE_URL}/api/v1{place}package/",
        previous_version=version - 1 or None,
    )


def _institutions(trial: Trial) -> list[Institution]:
    found = Institution.objects.filter(Q(sites__trials=trial) | Q(sites__piles__trial=trial))
    return list(found.distinct().order_by("code"))


def _organisation(item: Institution) -> Contributor:
    return Contributor(name=item.name, country=item.country, ror=item.ror)


def _people(trial: Trial) -> list[Person]:
    """Coordinators and people of the sites who gave their ORCID; nobody else is named."""
    members = Q(trials=trial) | Q(site_memberships__site__trials=trial)
    found = User.objects.filter(members).exclude(orcid="").exclude(name="").distinct()
    return [_person(user, trial) for user in found.order_by("orcid")]


def _person(user: User, trial: Trial) -> Person:
    home = Institution.objects.filter(sites__memberships__user=user, sites__trials=trial).order_by(
        "code"
    )
    institution = home.first()
    affiliation = None if institution is None else _organisation(institution)
    return Person(name=user.name, orcid=user.orcid, affiliation=affiliation)
