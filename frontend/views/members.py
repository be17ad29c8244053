"""Who belongs to a site and to a trial, and the link by which people join."""

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from frontend.forms import InvitationForm
from frontend.people import actor_of
from frontend.presenters import members as presenter
from registry.errors import NotAllowed, RegistryError
from registry.models import Invitation, Site, SiteMembership, Trial, User
from registry.permissions import Capability, can, visible_to
from registry.queries import members as queries
from registry.services import members

SHOW_OR_SEND = ("GET", "HEAD", "POST")


@login_required
@never_cache
@require_http_methods(SHOW_OR_SEND)
def of_trial(request: HttpRequest, code: str) -> HttpResponse:
    """Coordinators, the people of each site, open invitations. A new link is in this one answer."""
    actor = actor_of(request)
    trial = get_object_or_404(visible_to(actor, Trial), code=code)
    if not can(actor, Capability.READ_TRIAL, trial=trial):
        raise PermissionDenied
    form = InvitationForm(request.POST or None, with_role=False)
    link = _invite(request, form, trial=trial)
    reader = _reader(request)
    people = [presenter.coordinator_line(user, reader) for user in queries.coordinators_of(trial)]
    sites = [presenter.site_line(row, reader) for row in queries.people_by_site(actor, trial)]
    found = {"trial": trial, "people": people, "sites": sites, "may_manage": True}
    context = found | _invitations(request, form, link, trial=trial)
    return render(request, "frontend/members/trial.html", context)


@login_required
@never_cache
@require_http_methods(SHOW_OR_SEND)
def of_site(request: HttpRequest, code: str) -> HttpResponse:
    """The site's people; its leads, and who is in charge of all it does, invite others."""
    actor = actor_of(request)
    site = get_object_or_404(Site, code=code)
    may_manage = can(actor, Capability.MANAGE_MEMBERS, site=site)
    if not may_manage and not actor.sites().filter(pk=site.pk).exists():
        raise PermissionDenied
    form = InvitationForm(request.POST or None, with_role=True)
    link = _invite(request, form, site=site)
    reader = _reader(request)
    people = [presenter.member_line(row, reader) for row in queries.members_of(actor, site)]
    found = {"site": site, "people": people, "may_manage": may_manage}
    context = found | _invitations(request, form, link, site=site)
    return render(request, "frontend/members/site.html", context)


def _invite(request: HttpRequest, form: InvitationForm, **place: Any) -> str:
    """The link of a new invitation, or nothing when none was asked for or it was refused."""
    if not form.is_valid():
        return ""
    verb = members.invite_to_site if "site" in place else members.invite_to_trial
    try:
        _made, secret = verb(**place, **form.cleaned_data, by=actor_of(request))
    except NotAllowed as error:
        raise PermissionDenied from error
    except RegistryError as error:
        form.add_error(error.field or None, error.message)
        return ""
    return settings.BASE_URL + reverse("frontend:join", args=[secret])


def _invitations(
    request: HttpRequest, form: InvitationForm, link: str, **place: Any
) -> dict[str, Any]:
    rows = queries.open_invitations(actor_of(request), **place)
    if link:
        form = InvitationForm(with_role="site" in place)
    lines = [presenter.invitation_line(row) for row in rows]
    return {"form": form, "link": link, "invitations": lines}


@login_required
@require_POST
def revoke(request: HttpRequest, pk: int) -> HttpResponse:
    rows = visible_to(actor_of(request), Invitation).select_related("site", "trial")
    found = get_object_or_404(rows, pk=pk)
    members.revoke_invitation(invitation=found, by=actor_of(request))
    messages.success(request, _("The link sent to %(to)s no longer works.") % {"to": found.email})
    if found.site is not None:
        return redirect("frontend:site-members", code=found.site.code)
    return redirect("frontend:trial-members", code=found.trial.code)  # type: ignore[union-attr]


@login_required
@require_POST
def change_role(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    member = _member(request, code, pk)
    try:
        role = request.POST.get("role", "")
        members.change_role(membership=member, role=role, by=actor_of(request))
    except RegistryError as error:
        messages.error(request, error.message)
    return redirect("frontend:site-members", code=code)


@login_required
@require_POST
def remove(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    member = _member(request, code, pk)
    try:
        members.remove_member(membership=member, by=actor_of(request))
    except RegistryError as error:
        messages.error(request, error.message)
        return redirect("frontend:site-members", code=code)
    messages.success(request, _("%(who)s no longer belongs to this site.") % {"who": member.user})
    if member.user_id == _reader(request).pk:
        return redirect("frontend:account")
    return redirect("frontend:site-members", code=code)


@login_required
@require_POST
def remove_coordinator(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    trial = get_object_or_404(actor_of(request).trials(), code=code)
    person = get_object_or_404(trial.coordinators, pk=pk)
    try:
        members.remove_coordinator(trial=trial, user=person, by=actor_of(request))
    except RegistryError as error:
        messages.error(request, error.message)
        return redirect("frontend:trial-members", code=code)
    messages.success(request, _("%(who)s no longer coordinates this trial.") % {"who": person})
    if person.pk == _reader(request).pk:
        return redirect("frontend:account")
    return redirect("frontend:trial-members", code=code)


def _member(request: HttpRequest, code: str, pk: int) -> SiteMembership:
    rows = visible_to(actor_of(request), SiteMembership).select_related("user", "site")
    return get_object_or_404(rows, pk=pk, site__code=code)


def _reader(request: HttpRequest) -> User:
    """The person signed in; the views above ask for a log-in first."""
    if not isinstance(request.user, User):
        raise PermissionDenied
    return request.user
