"""The people of a site and of a trial, and the invitations that are open."""

from dataclasses import dataclass

from django.db.models import Q, QuerySet
from django.utils import timezone

from registry.models import Invitation, Site, SiteMembership, Trial, User
from registry.models.invitation import IS_OPEN
from registry.permissions import Actor, visible_to


@dataclass(frozen=True, slots=True)
class SitePeople:
    """A site of a trial; `people` is None where others answer for who belongs to it."""

    site: Site
    people: tuple[SiteMembership, ...] | None


def members_of(actor: Actor, site: Site) -> list[SiteMembership]:
    """People of a site whose names the actor may read, leads first."""
    rows = visible_to(actor, SiteMembership).filter(site=site).select_related("user", "site")
    return list(rows.order_by("role", "user__name", "user__email"))


def coordinators_of(trial: Trial) -> list[User]:
    return list(trial.coordinators.filter(is_coordinator=True).order_by("name", "email"))


def people_by_site(actor: Actor, trial: Trial) -> list[SitePeople]:
    """Every site of the trial with its people, as far as the actor may read them. Three queries."""
    readable = set(
        Site.objects.filter(
            Q(pk__in=actor.sites()) | Q(pk__in=actor.sites_in_charge_of())
        ).values_list("pk", flat=True)
    )
    sites = list(trial.sites.order_by("name", "code"))
    rows = visible_to(actor, SiteMembership).filter(site__in=sites).select_related("user")
    found: dict[int, list[SiteMembership]] = {}
    for row in rows.order_by("role", "user__name", "user__email"):
        found.setdefault(row.site_id, []).append(row)
    return [
        SitePeople(site, tuple(found.get(site.pk, ())) if site.pk in readable else None)
        for site in sites
    ]


def open_invitations(
    actor: Actor, *, site: Site | None = None, trial: Trial | None = None
) -> QuerySet[Invitation]:
    """Invitations that could still be accepted, newest first."""
    rows = visible_to(actor, Invitation).filter(IS_OPEN, expires_at__gt=timezone.now())
    rows = rows.filter(site=site) if site is not None else rows.filter(trial=trial)
    return rows.select_related("invited_by", "site", "trial").order_by("-pk")


def memberships_of(user: User) -> list[SiteMembership]:
    rows = user.site_memberships.select_related("site__institution")
    return list(rows.order_by("site__name", "site__code"))
