"""Many places asked at once get the answers of `can`, one by one."""

from registry.models import Site, Trial
from registry.permissions import LAB, Actor, can, reach
from tests import factories
from tests.world import World


def test_reach_says_of_every_place_what_can_says(world: World) -> None:
    other = factories.Trial(code="TRIAL-2")
    other.sites.add(Site.objects.get(code="NORTH"))
    member = factories.SiteMembership(site=Site.objects.get(code="SOUTH")).user
    people = [
        Actor(),
        world.boss,
        Actor(user=member),
        Actor(site=Site.objects.get(code="NORTH")),
        Actor(user=factories.User()),
    ]
    answers = set()

    for actor in people:
        found = reach(actor)
        for site in Site.objects.all():
            for trial in Trial.objects.all():
                told = found.covers(site.pk, trial.pk)
                answers.add(told)
                for capability in LAB:
                    assert told == can(actor, capability, site=site, trial=trial)

    assert answers == {True, False}
