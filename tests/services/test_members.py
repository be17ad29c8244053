"""Invitations by link, and who belongs where."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import IntegrityError, transaction

from registry.errors import InvalidValue, InvitationEnded, NotAllowed
from registry.models import AuditEvent, Invitation, Site, SiteMembership, SiteRole, Trial, User
from registry.permissions import Actor, Capability, can
from registry.services import members
from tests import factories

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
PASSWORD = "a long and odd sentence 7"


@pytest.fixture(autouse=True)
def _today(time_machine) -> None:
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def lead() -> Actor:
    return Actor(user=factories.SiteMembership(role=SiteRole.LEAD).user)


@pytest.fixture
def site(lead: Actor) -> Site:
    return lead.sites().get()


@pytest.fixture
def boss() -> Actor:
    return Actor(user=factories.User(is_coordinator=True, email="boss@example.org"))


@pytest.fixture
def trial(boss: Actor) -> Trial:
    found = factories.Trial()
    found.coordinators.add(boss.user)
    return found


def _invite(site: Site, by: Actor, email: str = "ann@example.org", **more: object) -> str:
    named = {"role": SiteRole.TECHNICIAN, **more}
    return members.invite_to_site(site=site, email=email, by=by, **named)[1]


def test_invited_person_makes_an_account_and_works_at_the_site(site: Site, lead: Actor) -> None:
    secret = _invite(site, lead, "Ann@Example.org")

    ann = members.accept_as_new_person(secret=secret, name="Ann", password=PASSWORD, now=NOW)

    assert (ann.email, ann.check_password(PASSWORD)) == ("ann@example.org", True)
    assert can(Actor(user=ann), Capability.SUBMIT, site=site)
    assert not can(Actor(user=ann), Capability.MANAGE_MEMBERS, site=site)
    told = list(AuditEvent.objects.order_by("pk").values_list("action", flat=True))
    assert told == ["invited", "joined"]


def test_link_works_once(site: Site, lead: Actor) -> None:
    secret = _invite(site, lead)
    ann = members.accept_as_new_person(secret=secret, name="Ann", password=PASSWORD, now=NOW)

    with pytest.raises(InvitationEnded):
        members.accept_invitation(secret=secret, user=ann, now=NOW)


def test_secret_is_kept_as_a_digest_alone(site: Site, lead: Actor) -> None:
    secret = _invite(site, lead)

    assert secret not in str(list(Invitation.objects.values()))


@pytest.mark.parametrize("ended", ["expired", "revoked", "replaced", "made up"])
def test_ended_link_opens_nothing(site: Site, lead: Actor, ended: str) -> None:
    secret = _invite(site, lead, days=2)
    now = NOW
    if ended == "expired":
        now = NOW + timedelta(days=2)
    elif ended == "revoked":
        members.revoke_invitation(invitation=Invitation.objects.get(), by=lead)
    elif ended == "replaced":
        _invite(site, lead)
    else:
        secret = "é" + secret

    with pytest.raises(InvitationEnded):
        members.accept_as_new_person(secret=secret, name="Ann", password=PASSWORD, now=now)

    assert not User.objects.filter(email="ann@example.org").exists()
    assert SiteMembership.objects.count() == 1


def test_forwarded_link_is_useless_to_another_account(site: Site, lead: Actor) -> None:
    secret = _invite(site, lead)

    with pytest.raises(NotAllowed):
        members.accept_invitation(secret=secret, user=factories.User(), now=NOW)


def test_link_sets_no_password_of_an_account_that_exists(site: Site, lead: Actor) -> None:
    ann = factories.User(email="ann@example.org")
    secret = _invite(site, lead)

    with pytest.raises(NotAllowed):
        members.accept_as_new_person(secret=secret, name="Ann", password=PASSWORD, now=NOW)
    members.accept_invitation(secret=secret, user=ann, now=NOW)

    ann.refresh_from_db()
    assert ann.password == "!"
    assert ann.site_memberships.get().site == site


def test_weak_password_makes_no_account(site: Site, lead: Actor) -> None:
    secret = _invite(site, lead)

    with pytest.raises(InvalidValue, match="too short"):
        members.accept_as_new_person(secret=secret, name="Ann", password="short", now=NOW)

    assert not User.objects.filter(email="ann@example.org").exists()
    assert Invitation.objects.get().accepted_at is None


def test_technician_invites_nobody(site: Site) -> None:
    technician = Actor(user=factories.SiteMembership(site=site).user)

    with pytest.raises(NotAllowed):
        _invite(site, technician)

    assert not Invitation.objects.exists()


def test_coordinator_invites_to_a_site_of_their_trials_alone(
    site: Site, boss: Actor, trial: Trial
) -> None:
    trial.sites.add(site)
    assert can(boss, Capability.MANAGE_MEMBERS, site=site)

    factories.Trial().sites.add(site)

    with pytest.raises(NotAllowed):
        _invite(site, boss)


def test_sites_token_invites_nobody(site: Site) -> None:
    with pytest.raises(NotAllowed):
        _invite(site, Actor(site=site, token=factories.AccessToken(site=site)))


def test_invited_coordinator_decides_in_that_trial(boss: Actor, trial: Trial) -> None:
    ann = factories.User(email="ann@example.org")
    _, secret = members.invite_to_trial(trial=trial, email=ann.email, by=boss)

    members.accept_invitation(secret=secret, user=ann, now=NOW)

    assert can(Actor(user=ann), Capability.DECIDE_FLAG, trial=trial)
    assert not can(Actor(user=ann), Capability.DECIDE_FLAG, trial=factories.Trial())


def test_last_coordinator_stays(boss: Actor, trial: Trial) -> None:
    with pytest.raises(InvalidValue, match="at least one"):
        members.remove_coordinator(trial=trial, user=boss.user, by=boss)

    trial.coordinators.add(factories.User(is_coordinator=True))
    members.remove_coordinator(trial=trial, user=boss.user, by=boss)

    assert not can(boss, Capability.POOL, trial=trial)


def test_person_already_there_is_not_invited_again(site: Site, lead: Actor) -> None:
    with pytest.raises(InvalidValue, match="already"):
        _invite(site, lead, lead.user.email)


def test_technician_leaves_but_removes_nobody(site: Site, lead: Actor) -> None:
    mine = factories.SiteMembership(site=site)
    technician = Actor(user=mine.user)

    with pytest.raises(NotAllowed):
        members.remove_member(membership=lead.user.site_memberships.get(), by=technician)
    members.remove_member(membership=mine, by=technician)

    assert list(SiteMembership.objects.filter(site=site)) == [lead.user.site_memberships.get()]


def test_lead_makes_a_technician_lead(site: Site, lead: Actor) -> None:
    other = factories.SiteMembership(site=site)

    members.change_role(membership=other, role=SiteRole.LEAD, by=lead)

    assert can(Actor(user=other.user), Capability.MANAGE_MEMBERS, site=site)


@pytest.mark.parametrize(
    "wrong",
    [
        {"role": ""},
        {"site": None},
        {"expires_at": factories.NOON},
        {"accepted_at": NOW},
        {"role": "owner"},
    ],
)
def test_database_refuses_an_invitation_that_makes_no_sense(wrong: dict[str, object]) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        factories.Invitation(**wrong)


def test_one_open_invitation_per_person_and_place(site: Site) -> None:
    factories.Invitation(site=site, email="ann@example.org")

    with pytest.raises(IntegrityError), transaction.atomic():
        factories.Invitation(site=site, email="ann@example.org")
