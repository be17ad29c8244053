"""The cheapest plan that reaches a goal.

A goal is any yes-or-no question about a plan that more sites, piles or bags never turn from yes to
no; every answer of `plan.py` is of this kind. So for given piles and bags the fewest sites that
reach it are found by halving, and the cheapest of these few plans is the answer.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from registry.science.plan import MIN_SITES, Costs, Plan
from registry.science.types import ScienceError


@dataclass(frozen=True)
class Limits:
    """The largest trial that can be had, each end included."""

    sites: int = 40
    piles: int = 8
    bags: int = 8


def cheapest_plan(
    reaches_goal: Callable[[Plan], bool], costs: Costs, asked: Plan, limits: Limits = Limits()
) -> Plan | None:
    """The plan of least cost that reaches the goal, or None if none within the limits does.

    `asked` gives the materials and looks, which stay. Of equal cost, the plan with more sites comes
    first: sites are what the answer is for.

    Raises ScienceError when nothing costs anything: every plan would be as cheap as another.
    """
    if costs.site + costs.pile + costs.bag <= 0:
        raise ScienceError("At least one of site, pile and bag must cost something.")
    if not reaches_goal(largest_plan(asked, limits)):
        return None
    plans: list[Plan] = []
    for piles in range(1, limits.piles + 1):
        most = limits.sites
        for bags in range(1, limits.bags + 1):
            shape = replace(asked, piles=piles, bags=bags)
            found = _fewest_sites(reaches_goal, shape, most)
            if found is not None:
                # A bag more never needs more sites.
                most = found.sites
                plans.append(found)
    return min(plans, key=lambda plan: (costs.of(plan), -plan.sites))


def largest_plan(asked: Plan, limits: Limits) -> Plan:
    """The plan at every limit: what it does not reach, none does."""
    return replace(asked, sites=limits.sites, piles=limits.piles, bags=limits.bags)


def _fewest_sites(
    reaches_goal: Callable[[Plan], bool], shape: Plan, most_sites: int
) -> Plan | None:
    low, high = MIN_SITES, most_sites
    if not reaches_goal(replace(shape, sites=high)):
        return None
    while low < high:
        middle = (low + high) // 2
        if reaches_goal(replace(shape, sites=middle)):
            high = middle
        else:
            low = middle + 1
    return replace(shape, sites=high)
