"""Who may do what, and who sees which rows: asked here and nowhere else.

A lab (a site's token, or a member signed in) writes and reads its own site's rows; of its members,
a lead says who else belongs. A coordinator reads and decides everything in their trials. Anyone
reads what is released, and registered trials. What an actor may not see does not exist for them:
`visible_to` leaves it out.
"""

from dataclasses import dataclass
from datetime import date
from enum import Enum
from typing import Any, TypeVar

from django.db.models import Exists, Model, OuterRef, Q, QuerySet
from django.utils import timezone

from registry.errors import NotAllowed
from registry.models import (
    HISTORY,
    AccessToken,
    Bag,
    Composition,
    Correction,
    Feedstock,
    Flag,
    Institution,
    Material,
    OutsideEffect,
    OutsideStudy,
    Photo,
    Pile,
    PoolingRun,
    ProbeDay,
    Release,
    Retrieval,
    Site,
    SiteRole,
    Trial,
    TrialState,
    Turning,
    Upload,
    User,
)

M = TypeVar("M", bound=Model)


class Capability(Enum):
    """What someone may be allowed to do."""

    REGISTER = "register institutions, sites and trials"
    MOVE_TRIAL = "move a trial to its next state"
    PROPOSE_MATERIAL = "propose materials and their composition"
    SUBMIT = "send piles, bags, looks, turnings and temperatures"
    CORRECT = "correct a stored measurement"
    DECIDE_FLAG = "accept or exclude a flagged look"
    POOL = "request a pooling run"
    RELEASE = "freeze a release"
    ADD_OUTSIDE_STUDY = "register the summary of an outside study"
    READ_TRIAL = "read everything in a trial"
    MANAGE_MEMBERS = "say who belongs"


# What each role may do: a lab at its own site, a coordinator in their trials.
LAB = frozenset({Capability.PROPOSE_MATERIAL, Capability.SUBMIT, Capability.CORRECT})
COORDINATOR = frozenset(Capability)
# What a coordinator may do that belongs to no trial.
WITHOUT_A_TRIAL = frozenset(
    {Capability.REGISTER, Capability.PROPOSE_MATERIAL, Capability.ADD_OUTSIDE_STUDY}
)


@dataclass(frozen=True, slots=True)
class Actor:
    """Who asks: nobody, a person signed in, or the holder of a token.

    `site` is set for a lab token; `user` for a person or a coordinator's token.
    """

    user: User | None = None
    site: Site | None = None
    token: AccessToken | None = None

    @property
    def is_anonymous(self) -> bool:
        return self.user is None and self.site is None

    @property
    def reference(self) -> str:
        """Stable name of the actor: whose idempotency keys, whose rate limit."""
        if self.site is not None:
            return f"site:{self.site.pk}"
        return f"user:{self.user.pk}" if self.user is not None else "anyone"

    @property
    def label(self) -> str:
        """Who it was, for people who read a history."""
        if self.token is not None:
            owner = f"site {self.site.code}" if self.site is not None else self.user
            return f"{owner}, token {self.token}"
        return str(self.user or self.site or "nobody signed in")

    @property
    def is_coordinator(self) -> bool:
        return self.user is not None and self.user.is_coordinator

    def sites(self) -> QuerySet[Site]:
        """Sites the actor works at."""
        if self.site is not None:
            return Site.objects.filter(pk=self.site.pk)
        if self.user is not None:
            return Site.objects.filter(memberships__user=self.user)
        return Site.objects.none()

    def sites_led(self) -> QuerySet[Site]:
        """Sites the person is a lead of. A token leads nothing: it invites nobody."""
        if self.user is None or self.token is not None:
            return Site.objects.none()
        return Site.objects.filter(
            memberships__in=self.user.site_memberships.filter(role=SiteRole.LEAD)
        )

    def sites_in_charge_of(self) -> QuerySet[Site]:
        """Sites that take part in the actor's trials and in nobody else's.

        Anyone who registers a trial may name a site; that must not open the site's other trials.
        """
        links = Trial.sites.through.objects
        theirs = links.exclude(trial__in=self.trials()).values("site")
        mine = links.filter(trial__in=self.trials()).values("site")
        return Site.objects.filter(pk__in=mine).exclude(pk__in=theirs)

    def trials(self) -> QuerySet[Trial]:
        """Trials the actor coordinates."""
        if self.is_coordinator:
            return Trial.objects.filter(coordinators=self.user)
        return Trial.objects.none()


ANYONE = Actor()


def can(
    actor: Actor,
    capability: Capability,
    *,
    site: Site | None = None,
    trial: Trial | None = None,
) -> bool:
    """May the actor do this, at this site or in this trial?"""
    if capability in LAB and _works_at(actor, site):
        return True
    if capability is Capability.MANAGE_MEMBERS and site is not None:
        return _says_who_belongs(actor, site)
    if not actor.is_coordinator:
        return False
    if trial is not None:
        return actor.trials().filter(pk=trial.pk).exists()
    if site is not None:
        return actor.trials().filter(sites=site).exists()
    return capability in WITHOUT_A_TRIAL


@dataclass(frozen=True, slots=True)
class Reach:
    """Ids of the sites and of the trials in which an actor may do what labs do; one is enough."""

    sites: frozenset[int]
    trials: frozenset[int]

    def covers(self, site_id: int, trial_id: int) -> bool:
        return site_id in self.sites or trial_id in self.trials


def reach(actor: Actor) -> Reach:
    """`can` of a capability in LAB for any number of places, in two queries."""
    return Reach(
        sites=frozenset(actor.sites().values_list("pk", flat=True)),
        trials=frozenset(actor.trials().values_list("pk", flat=True)),
    )


def demand(
    actor: Actor,
    capability: Capability,
    *,
    site: Site | None = None,
    trial: Trial | None = None,
) -> None:
    """Raise `NotAllowed` unless `can`."""
    if not can(actor, capability, site=site, trial=trial):
        raise NotAllowed(f"You may not {capability.value} here.")


def _works_at(actor: Actor, site: Site | None) -> bool:
    if site is None:
        return actor.site is not None or actor.sites().exists()
    return actor.sites().filter(pk=site.pk).exists()


def _says_who_belongs(actor: Actor, site: Site) -> bool:
    """A member reads all rows of the site, so a coordinator of some of its trials cannot invite."""
    return (
        actor.sites_led().filter(pk=site.pk).exists()
        or actor.sites_in_charge_of().filter(pk=site.pk).exists()
    )


# Where a row's site and trial stand, seen from the row.
ROW_PATHS: dict[type[Model], tuple[str, str]] = {
    Pile: ("site", "trial"),
    Feedstock: ("pile__site", "pile__trial"),
    Turning: ("pile__site", "pile__trial"),
    ProbeDay: ("pile__site", "pile__trial"),
    Bag: ("pile__site", "trial"),
    Retrieval: ("bag__pile__site", "bag__trial"),
    Photo: ("retrieval__bag__pile__site", "retrieval__bag__trial"),
    Correction: ("retrieval__bag__pile__site", "retrieval__bag__trial"),
    Flag: ("pile__site", "pile__trial"),
}
# Kinds of rows that a release makes public.
RELEASED_ROWS = (Pile, Feedstock, Turning, ProbeDay, Bag, Retrieval, Photo)
PUBLIC = (Institution, Site, OutsideStudy, OutsideEffect)


def visible_to(actor: Actor, model: type[M], *, today: date | None = None) -> QuerySet[M]:
    """Rows of `model` that exist for the actor, in the model's own order."""
    rows = model._default_manager.all()
    if model in PUBLIC:
        return rows
    condition = _visible(actor, model, today or timezone.localdate())
    return rows.filter(condition)


def _visible(actor: Actor, model: type[Model], today: date) -> Q:
    if model in ROW_PATHS:
        return _visible_rows(actor, model, today)
    match model.__name__:
        case "Trial":
            return _visible_trials(actor)
        case "Material":
            return _visible_materials(actor, "")
        case "Composition":
            return _visible_materials(actor, "material__")
        case "Upload":
            return _visible_uploads(actor)
        case "Release":
            return _visible_releases(actor, today)
        case "Rating":
            return Q(release__in=Release.objects.filter(_visible_releases(actor, today)))
        case "PoolingRun":
            return _visible_runs(actor, "", today)
        case "PileCurve":
            return _visible_curves(actor, today)
        case "PooledEstimate" | "Explanation":
            return _visible_runs(actor, "run__", today)
        case "AuditEvent":
            return Q(trial__in=actor.trials())
        case "SiteMembership":
            return Q(site__in=actor.sites()) | Q(site__in=actor.sites_in_charge_of())
        case "Invitation":
            managed = Q(site__in=actor.sites_led()) | Q(site__in=actor.sites_in_charge_of())
            return managed | Q(trial__in=actor.trials())
    raise LookupError(f"No visibility rule for {model.__name__}.")


def held_by(actor: Actor, model: type[M]) -> QuerySet[M]:
    """Rows of the actor's own sites and trials, released or not: whose story they may read."""
    return model._default_manager.filter(_held(actor, model))


def _held(actor: Actor, model: type[Model]) -> Q:
    site, trial = ROW_PATHS[model]
    return Q(**{f"{site}__in": actor.sites()}) | Q(**{f"{trial}__in": actor.trials()})


def _visible_rows(actor: Actor, model: type[Model], today: date) -> Q:
    mine = _held(actor, model)
    _site, trial = ROW_PATHS[model]
    if model not in RELEASED_ROWS:
        return mine
    open_releases = Release.objects.filter(_out_of_embargo(today), trial=OuterRef(f"{trial}_id"))
    if model is Photo:
        # As its look is seen; one that was withdrawn is a matter of the lab and the coordinators.
        open_releases = open_releases.filter(last_upload_id__gte=OuterRef("retrieval__upload_id"))
        return mine | Q(Exists(open_releases), withdrawn_at__isnull=True)
    if model is not ProbeDay:
        open_releases = open_releases.filter(last_upload_id__gte=OuterRef("upload_id"))
    return mine | Q(Exists(open_releases))


def _visible_trials(actor: Actor) -> Q:
    return (
        ~Q(state=TrialState.DRAFT)
        | Q(pk__in=actor.trials().values("pk"))
        | Q(pk__in=_trials_with_a_site_of(actor))
    )


def _trials_with_a_site_of(actor: Actor) -> QuerySet[Any]:
    return Trial.sites.through.objects.filter(site__in=actor.sites()).values("trial")


def _visible_materials(actor: Actor, prefix: str) -> Q:
    if not actor.is_anonymous:
        return Q()
    shown = Trial.materials.through.objects.exclude(trial__state=TrialState.DRAFT).values(
        "material"
    )
    return Q(**{f"{prefix}pk__in": shown})


def _visible_uploads(actor: Actor) -> Q:
    own = Q(user=actor.user) if actor.user is not None else Q(pk__in=[])
    mine = Q(trial__in=actor.trials()) | Q(trial__isnull=True, site__in=actor.sites_in_charge_of())
    return Q(site__in=actor.sites()) | mine | own


def _out_of_embargo(today: date) -> Q:
    return Q(trial__embargo_until__isnull=True) | Q(trial__embargo_until__lte=today)


def _visible_releases(actor: Actor, today: date) -> Q:
    return (
        _out_of_embargo(today)
        | Q(trial__in=actor.trials())
        | Q(trial__in=_trials_with_a_site_of(actor))
    )


def _visible_runs(actor: Actor, prefix: str, today: date) -> Q:
    """Runs of the actor's trials; for anyone, the runs that a public release was made from."""
    released = Release.objects.filter(_out_of_embargo(today)).values("run")
    return (
        Q(**{f"{prefix}trial__in": actor.trials()})
        | Q(**{f"{prefix}trial__in": _trials_with_a_site_of(actor)})
        | Q(**{f"{prefix}pk__in": released})
    )


def _visible_curves(actor: Actor, today: date) -> Q:
    """Curves of a pile: for its site and the trial's coordinators, and for anyone when released."""
    released = Release.objects.filter(_out_of_embargo(today)).values("run")
    mine = Q(pile__site__in=actor.sites()) | Q(pile__trial__in=actor.trials())
    return mine | Q(run__in=released)


# Kinds of records whose former states people may read.
HISTORY_NOUNS: dict[str, type[Model]] = {
    "trials": Trial,
    "sites": Site,
    "materials": Material,
    "compositions": Composition,
    "piles": Pile,
    "feedstocks": Feedstock,
    "turnings": Turning,
    "temperatures": ProbeDay,
    "bags": Bag,
    "retrievals": Retrieval,
    "photos": Photo,
    "flags": Flag,
    "uploads": Upload,
    "pooling-runs": PoolingRun,
    "tokens": AccessToken,
}


def visible_history(actor: Actor, model: type[Model]) -> QuerySet[Any]:
    """Former states of rows of `model`: for the site's own lab and the trial's coordinators.

    A former state knows where its row stood, so that of a deleted row is found as well.
    """
    return HISTORY[model]._default_manager.filter(_visible_history(actor, model))


def _visible_history(actor: Actor, model: type[Model]) -> Q:
    if model in ROW_PATHS:
        return _held(actor, model)
    trials, sites = actor.trials(), actor.sites()
    coordinated = actor.sites_in_charge_of()
    tried = Trial.materials.through.objects.filter(trial__in=trials).values("material")
    conditions = {
        Trial: Q(pgh_obj__in=trials),
        PoolingRun: Q(trial__in=trials),
        Site: Q(pgh_obj__in=sites) | Q(pgh_obj__in=coordinated),
        Material: Q(pgh_obj__in=tried),
        Composition: Q(material__in=tried),
        Upload: _visible_uploads(actor),
        AccessToken: Q(site__in=sites) | Q(site__in=coordinated) | _own(actor),
    }
    return conditions[model]


def _own(actor: Actor) -> Q:
    return Q(coordinator=actor.user) if actor.user is not None else Q(pk__in=[])
