"""One bag and its looks; one look written down on a phone."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from frontend.look_form import LookForm, look_form, sent_values
from frontend.people import actor_of
from frontend.presenters import look_words
from frontend.views.photos import OF_A_BAG, add_photos_of
from registry.errors import Fault, RecordChanged, RegistryError, UploadRefused
from registry.models import Bag, Retrieval
from registry.permissions import visible_to
from registry.queries.bag_record import BagRecord, bag_called, bag_record
from registry.queries.photo_strips import photos_of_looks
from registry.services.uploads import submit_one


def _record(request: HttpRequest, trial: str, label: str) -> BagRecord:
    rows = visible_to(actor_of(request), Bag).select_related("trial", "pile__site", "material")
    bag = get_object_or_404(rows, trial__code=trial, label=label)
    return bag_record(actor_of(request), bag, now=timezone.now())


@require_safe
def bag(request: HttpRequest, trial: str, label: str) -> HttpResponse:
    context = _bag_context(request, _record(request, trial, label))
    return render(request, "frontend/public/bag.html", context)


def _bag_context(request: HttpRequest, record: BagRecord) -> dict[str, object]:
    photos = photos_of_looks(actor_of(request), [item.look for item in record.looks])
    return {
        "bag": record.bag,
        "facts": look_words.bag_facts(record),
        "standing": look_words.standing_sentence(record),
        "looks": [
            look_words.look_line(item, photos.get(item.look.pk, ()))
            for item in reversed(record.looks)
        ],
        "may_write": record.may_write,
    }


@login_required
@require_safe
def find(request: HttpRequest) -> HttpResponse:
    """The label as typed; leads on when one bag is meant."""
    typed = request.GET.get("label", "")[:100]
    found = bag_called(actor_of(request), typed) if typed.strip() else []
    if len(found) == 1:
        return redirect("frontend:write-look", trial=found[0].trial.code, label=found[0].label)
    context = {"typed": typed, "found": found, "is_unknown": bool(typed.strip()) and not found}
    return render(request, "frontend/lab/find_bag.html", context)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def look(request: HttpRequest, trial: str, label: str) -> HttpResponse:
    """The outcome first (`?outcome=`), then what goes with it. Sent twice, it is stored once."""
    record = _record(request, trial, label)
    if not record.may_write:
        raise PermissionDenied
    if request.method == "POST":
        return _store(request, record)
    form = look_form(request.GET.get("outcome", ""), {}, today=record.today)
    return _page(request, record, form)


def _store(request: HttpRequest, record: BagRecord) -> HttpResponse:
    bag = record.bag
    values = sent_values(bag.trial.code, bag.label, request.POST)
    name = f"look-{bag.label}-{values.get('retrieved_on', '')[:10]}.json"
    by = actor_of(request)
    try:
        stored, created = submit_one(kind="retrievals", values=values, by=by, file_name=name)
    except RegistryError as error:
        form = look_form(
            values.get("outcome", ""), values, today=record.today, faults=_faults(error)
        )
        return _page(request, record, form, status=409 if isinstance(error, RecordChanged) else 422)
    said = _("Stored.") if created else _("This look was stored before; nothing changed.")
    messages.success(request, said)
    look = Retrieval.objects.select_related(*OF_A_BAG).get(pk=stored.pk)
    add_photos_of(request, look)
    return redirect("frontend:labelled-bag", trial=bag.trial.code, label=bag.label)


def _faults(error: RegistryError) -> tuple[Fault, ...]:
    if isinstance(error, UploadRefused | RecordChanged) and error.faults:
        return error.faults
    return (Fault(None, error.field, error.code, error.message),)


def _page(
    request: HttpRequest, record: BagRecord, form: LookForm | None, status: int = 200
) -> HttpResponse:
    context = {
        **_bag_context(request, record),
        "form": form,
        "outcomes": look_words.outcome_choices(),
    }
    return render(request, "frontend/lab/look.html", context, status=status)
