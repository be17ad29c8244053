"""Tokens a person may see, issue and revoke: their own, and those of the sites they answer for."""

from collections.abc import Iterable

from django.db.models import Q, QuerySet

from registry.models import AccessToken, Site
from registry.permissions import Actor


def sites_to_issue_for(actor: Actor) -> QuerySet[Site]:
    """Sites the person works at, and sites that are in their trials alone; by name.

    A token reads all rows of its site, so a site shared with others is issued by its own people.
    """
    return (
        Site.objects.filter(Q(pk__in=actor.sites()) | Q(pk__in=actor.sites_in_charge_of()))
        .distinct()
        .order_by("name", "code")
    )


def tokens_of(actor: Actor, sites: Iterable[Site]) -> QuerySet[AccessToken]:
    """Newest first, revoked ones included."""
    return (
        AccessToken.objects.filter(
            Q(site__in=sites) | Q(coordinator__isnull=False, coordinator=actor.user)
        )
        .select_related("site")
        .order_by("-created_at", "-pk")
    )
