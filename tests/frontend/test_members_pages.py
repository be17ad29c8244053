"""Members, invitations, and the page behind the link."""

import re

import pytest
from django.urls import reverse

from registry.models import Invitation, SiteMembership, User
from tests.frontend.small_trial import PASSWORD, log_in

pytestmark = pytest.mark.django_db

NEW = {"name": "Ann Field", "password": "a long and odd sentence 7"}


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


def link_in(response) -> str:
    return re.search(r"<code>http://[^<]*(/join/[^<]+)</code>", response.content.decode())[1]


def test_a_lead_is_invited_joins_and_invites_a_technician(coordinator, pots, client_factory):
    site = reverse("frontend:site-members", args=[pots.sites[0].code])
    invited = coordinator.post(site, {"email": "ann@example.org", "role": "lead", "days": 14})
    link = link_in(invited)
    ann = client_factory()
    assert "Trial office invites ann@example.org" in text_of(ann.get(link))

    welcome = ann.post(link, NEW, follow=True)

    assert "Welcome to Low Meadow yard." in text_of(welcome)
    assert ann.get(reverse("frontend:bags")).status_code == 200
    again = ann.post(site, {"email": "ben@example.org", "role": "technician", "days": 14})
    assert "/join/" in link_in(again)
    assert "ben@example.org" in text_of(again)
    assert "/join/" not in text_of(ann.get(site))


def test_an_invited_coordinator_logs_in_to_accept(coordinator, pots, client_factory):
    User.objects.create_user("ben@example.org", PASSWORD, name="Ben")
    page = reverse("frontend:trial-members", args=["POTS-26"])
    link = link_in(coordinator.post(page, {"email": "ben@example.org", "days": 7}))
    ben = client_factory()
    assert f"{reverse('frontend:login')}?next={link}" in text_of(ben.get(link))

    log_in(ben, User.objects.get(email="ben@example.org"))
    ben.post(link)

    assert ben.get(page).status_code == 200


def test_a_wrong_address_is_said_beside_the_field(coordinator):
    page = reverse("frontend:trial-members", args=["POTS-26"])

    assert "Enter a valid email address." in text_of(coordinator.post(page, {"email": "ben"}))
    mine = coordinator.post(page, {"email": "pots-26@example.org", "days": 7})
    assert "coordinates POTS-26 already" in text_of(mine)
    assert not Invitation.objects.exists()


def test_a_used_link_says_what_to_do(client, pots):
    answer = client.get(reverse("frontend:join", args=["no-such-secret"]))

    assert answer.status_code == 410
    assert "Ask the person who sent it for a new one." in text_of(answer)


def test_a_weak_password_is_refused_in_words(coordinator, pots, client_factory):
    site = reverse("frontend:site-members", args=[pots.sites[0].code])
    sent = {"email": "ann@example.org", "role": "lead", "days": 14}
    link = link_in(coordinator.post(site, sent))

    answer = client_factory().post(link, NEW | {"password": "short"})

    assert "too short" in text_of(answer)
    assert not User.objects.filter(email="ann@example.org").exists()


def test_an_invitation_is_taken_back(coordinator, pots):
    page = reverse("frontend:trial-members", args=["POTS-26"])
    link = link_in(coordinator.post(page, {"email": "ben@example.org", "days": 7}))
    made = Invitation.objects.get()

    coordinator.post(reverse("frontend:revoke-invitation", args=[made.pk]))

    assert coordinator.get(link).status_code == 410


def test_a_technician_reads_who_belongs_and_may_leave(client, pots):
    site = pots.sites[0]
    person = User.objects.create_user("tess@example.org", PASSWORD, name="Tess")
    mine = SiteMembership.objects.create(user=person, site=site)
    log_in(client, person)

    page = text_of(client.get(reverse("frontend:site-members", args=[site.code])))
    assert "Leave this site" in page
    assert "Invite someone" not in page
    refused = client.post(
        reverse("frontend:site-members", args=[site.code]),
        {"email": "x@example.org", "role": "lead", "days": 3},
    )
    assert refused.status_code == 403
    client.post(reverse("frontend:remove-member", args=[site.code, mine.pk]))

    assert client.get(reverse("frontend:site-members", args=[site.code])).status_code == 403


def test_members_pages_ask_a_fixed_number_of_queries(coordinator, pots, count_queries):
    page = reverse("frontend:trial-members", args=["POTS-26"])
    before = count_queries(coordinator, page)
    for i in range(12):
        person = User.objects.create_user(f"person{i}@example.org", PASSWORD)
        SiteMembership.objects.create(user=person, site=pots.sites[i % 4])

    assert count_queries(coordinator, page) == before
