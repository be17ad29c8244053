"""The page behind an invitation's link, and a person's own account."""

from typing import Any

from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from frontend.forms import NewPersonForm
from frontend.people import actor_of
from frontend.presenters.members import role_of
from frontend.presenters.vocabulary import SITE_ROLES, word
from registry.errors import RegistryError
from registry.models import Invitation, User
from registry.queries.members import memberships_of
from registry.services import members

# The one that asks for a password; the other of the settings only counts failed log-ins.
BACKEND = "django.contrib.auth.backends.ModelBackend"


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def join(request: HttpRequest, secret: str) -> HttpResponse:
    """What the invitation is to, and how this reader may accept it."""
    found = members.invitation_behind(secret, now=timezone.now())
    if found is None:
        return render(request, "frontend/account/join.html", {"invitation": None}, status=410)
    form = NewPersonForm(request.POST or None)
    if request.method == "POST" and _joined(request, secret, form):
        messages.success(request, _("Welcome to %(place)s.") % {"place": found.site or found.trial})
        return redirect("frontend:account")
    context = _context(request, found)
    return render(request, "frontend/account/join.html", context | {"form": form})


def _joined(request: HttpRequest, secret: str, form: NewPersonForm) -> bool:
    now = timezone.now()
    try:
        if isinstance(request.user, User):
            members.accept_invitation(secret=secret, user=request.user, now=now)
            return True
        if not form.is_valid():
            return False
        user = members.accept_as_new_person(secret=secret, now=now, **form.cleaned_data)
    except RegistryError as error:
        form.add_error(error.field or None, error.message)
        return False
    login(request, user, backend=BACKEND)
    return True


def _context(request: HttpRequest, invitation: Invitation) -> dict[str, Any]:
    reader = request.user if isinstance(request.user, User) else None
    return {
        "invitation": invitation,
        "place": str(invitation.site or invitation.trial),
        "role": role_of(invitation),
        "is_for_reader": reader is not None and reader.email == invitation.email,
        "reader": reader,
        "has_account": User.objects.filter(email=invitation.email).exists(),
    }


@login_required
@require_safe
def account(request: HttpRequest) -> HttpResponse:
    """Where the reader belongs, and as what."""
    actor = actor_of(request)
    rows = memberships_of(request.user)  # type: ignore[arg-type]
    context = {
        "sites": [(row.site, word(SITE_ROLES, row.role), row.pk) for row in rows],
        "trials": list(actor.trials().order_by("title")),
    }
    return render(request, "frontend/account/account.html", context)
