"""Photos of a look: added later, and withdrawn with a reason."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from frontend.people import actor_of
from frontend.photo_files import sent_photos
from registry.errors import NotAllowed, RegistryError
from registry.models import Bag, Photo, Retrieval
from registry.permissions import visible_to
from registry.services.photos import add_photo, withdraw_photo

OF_A_BAG = ("bag__trial", "bag__pile__site", "bag__pile__trial", "bag__material")


def add_photos_of(request: HttpRequest, look: Retrieval) -> None:
    """Add what the form sent to a look that is stored; what could not be added is told."""
    try:
        added = [
            add_photo(retrieval=look, body=photo.body, caption=photo.caption, by=actor_of(request))
            for photo in sent_photos(request)
        ]
    except NotAllowed as refused:
        raise PermissionDenied from refused
    except RegistryError as error:
        said = _("The photo was not added: %(why)s") % {"why": error.message}
        messages.error(request, said)
        return
    new = sum(created for _photo, created in added)
    if new:
        said = ngettext("%(n)d photo added.", "%(n)d photos added.", new) % {"n": new}
        messages.success(request, said)


@login_required
@require_POST
def add(request: HttpRequest, pk: int) -> HttpResponse:
    rows = visible_to(actor_of(request), Retrieval).select_related(*OF_A_BAG)
    look = get_object_or_404(rows, pk=pk)
    add_photos_of(request, look)
    return _to_bag(look.bag)


@login_required
@require_POST
def withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    related = [f"retrieval__{path}" for path in OF_A_BAG]
    photo = get_object_or_404(visible_to(actor_of(request), Photo).select_related(*related), pk=pk)
    try:
        withdraw_photo(photo=photo, reason=request.POST.get("reason", ""), by=actor_of(request))
    except NotAllowed as refused:
        raise PermissionDenied from refused
    except RegistryError as error:
        messages.error(request, error.message)
    else:
        messages.success(request, _("The photo is gone; that it was there stays on record."))
    return _to_bag(photo.retrieval.bag)


def _to_bag(bag: Bag) -> HttpResponse:
    return redirect("frontend:labelled-bag", trial=bag.trial.code, label=bag.label)
