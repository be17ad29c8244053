"""The quality queue: evidence, decision, the next one, and the way back."""

import pytest
from django.urls import reverse

from frontend.presenters.vocabulary import FLAG_KINDS
from registry.models import Flag, Retrieval
from registry.permissions import Actor
from registry.science.quality_rules import CODES
from registry.services.flags import review_looks
from tests import factories
from tests.frontend.small_trial import log_in

pytestmark = pytest.mark.django_db

REASON = "Weighed again: right."


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


@pytest.fixture
def flags(pots) -> list[Flag]:
    """What the rules find when two bags of one pile weigh more than they did at the start."""
    looks = Retrieval.objects.filter(bag__trial=pots.trial, outcome="recovered").order_by("pk")
    heavy = [look.pk for look in looks[4:6]]
    Retrieval.objects.filter(pk__in=heavy).update(dry_mass_g=11.2)
    review_looks([looks[4].bag.pile_id], Actor(user=pots.coordinator))
    found = Flag.objects.filter(decision="waiting")
    return list(found.filter(code="remaining_over_105").order_by("pk"))


def waiting_after(flag: Flag) -> Flag:
    return Flag.objects.filter(decision="waiting", pk__gt=flag.pk).order_by("pk")[0]


def address(flag: Flag) -> str:
    return reverse("frontend:flag", args=["POTS-26", flag.pk])


def test_every_rule_has_words():
    assert set(FLAG_KINDS) == set(CODES)


def test_the_queue_lists_what_waits_oldest_first(coordinator, flags):
    page = text_of(coordinator.get(reverse("frontend:queue", args=["POTS-26"])))

    n = Flag.objects.filter(decision="waiting").count()
    assert f"{n} findings wait for a decision." in page
    assert page.index(address(flags[0])) < page.index(address(flags[1]))
    assert "could not be brushed off" not in page


def test_the_queue_is_filtered_by_finding_and_by_decision(coordinator, flags):
    url = reverse("frontend:queue", args=["POTS-26"])

    factories.Flag(pile=flags[0].pile, code="few_bags_recovered", message="6 of 12 bags.")
    few = text_of(coordinator.get(url, {"code": "few_bags_recovered"}))
    assert "6 of 12 bags." in few
    assert flags[0].message not in few
    out = text_of(coordinator.get(url, {"decision": "exclude"}))
    assert "More than its start mass." in out
    assert (
        coordinator.get(url, {"code": "no-such", "decision": "x", "page": "y"}).status_code == 200
    )


def test_the_evidence_stands_on_one_page(coordinator, flags):
    look = flags[0].retrieval
    page = text_of(coordinator.get(address(flags[0])))

    assert "112 %</td>" in page
    assert "105 %</td>" in page
    assert f"All looks at bag {look.bag.label}" in page
    neighbours = look.bag.pile.bags.filter(material=look.bag.material).exclude(pk=look.bag_id)
    assert all(bag.label in page for bag in neighbours)
    assert 'class="chart-drawing"' in page
    assert "Excluding leaves this one look out of pooling." in page


def test_a_decision_leads_to_the_next_one_and_can_be_taken_back(coordinator, flags):
    sent = {"decision": "exclude", "reason": REASON}
    answer = coordinator.post(address(flags[0]), sent, follow=True)

    following = waiting_after(flags[0])
    assert answer.redirect_chain == [(address(following), 302)]
    assert f'<a href="{address(flags[0])}">Look at it again or take it back</a>' in text_of(answer)
    flags[0].refresh_from_db()
    assert (flags[0].decision, flags[0].reason) == ("exclude", REASON)

    back = coordinator.get(address(flags[0]))
    assert "Take the exclusion back" in text_of(back)
    coordinator.post(address(flags[0]), {"decision": "accept", "reason": "The dish was tared."})

    flags[0].refresh_from_db()
    assert flags[0].decision == "accept"


def test_the_part_of_the_queue_is_kept_from_finding_to_finding(coordinator, flags):
    sent = {"decision": "accept", "reason": REASON}
    url = address(flags[0]) + "?code=remaining_over_105"

    assert coordinator.post(url, sent)["Location"] == address(flags[1]) + "?code=remaining_over_105"


def test_after_the_last_one_comes_the_queue(coordinator, flags):
    sent = {"decision": "accept", "reason": REASON}
    for flag in Flag.objects.filter(decision="waiting").order_by("pk"):
        answer = coordinator.post(address(flag), sent, follow=True)

    assert "No finding waits for a decision." in text_of(answer)


def test_a_decision_needs_a_reason(coordinator, flags):
    answer = coordinator.post(address(flags[0]), {"decision": "accept", "reason": " "})

    assert "This field is required." in text_of(answer)
    flags[0].refresh_from_db()
    assert flags[0].decision == "waiting"


def test_reasons_given_before_are_offered(coordinator, flags):
    coordinator.post(address(flags[0]), {"decision": "accept", "reason": REASON})

    assert f'<option value="{REASON}">' in text_of(coordinator.get(address(flags[1])))


def test_a_lab_reads_its_findings_and_decides_nothing(client, pots, flags):
    member = factories.SiteMembership(site=flags[0].pile.site).user
    log_in(client, member)

    assert "Your decision" not in text_of(client.get(address(flags[0])))
    sent = {"decision": "exclude", "reason": REASON}
    assert client.post(address(flags[0]), sent).status_code == 403
    flags[0].refresh_from_db()
    assert flags[0].decision == "waiting"


def test_a_batch_and_a_log_are_shown_where_they_are_in_question(coordinator, pots):
    bag = pots.trial.bags.order_by("pk").first()
    heavy = factories.Flag(pile=bag.pile, bag=bag, code="start_mass_off_batch", message="Heavy.")
    factories.ProbeDay(pile=bag.pile, probe="CORE")
    hot = factories.Flag(pile=bag.pile, probe="CORE", code="above_75", message="Hot.")

    assert "Start mass, g" in text_of(coordinator.get(address(heavy)))
    assert "lowest – mean – highest" in text_of(coordinator.get(address(hot)))


def test_the_pages_ask_a_fixed_number_of_queries(coordinator, flags, count_queries):
    queue = reverse("frontend:queue", args=["POTS-26"])
    before = count_queries(coordinator, queue), count_queries(coordinator, address(flags[0]))
    for look in Retrieval.objects.filter(bag__pile=flags[0].pile):
        factories.Flag(pile=flags[0].pile, retrieval=look, code="outside_window")

    after = count_queries(coordinator, queue), count_queries(coordinator, address(flags[0]))
    assert after == before
