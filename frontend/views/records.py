"""A look and a bag: what is stored, how it came to be so, and the way to correct it."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from frontend.forms import CorrectionForm
from frontend.people import actor_of
from frontend.presenters import records as presenter
from frontend.presenters.flags import flag_line, look_row
from frontend.presenters.stories import field_value, story_lines
from frontend.presenters.vocabulary import LOOK_FIELDS, word
from registry.errors import RegistryError, StaleVersion
from registry.models import Bag, Retrieval
from registry.permissions import held_by
from registry.queries.flag_evidence import looks_at
from registry.queries.record_story import story_of_bag, story_of_look
from registry.services.quality import correct_retrieval

OF_LOOK = ("bag__trial", "bag__material", "bag__pile__site", "upload")
# HTTP's word for "you looked at an older version".
STALE = 412


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def look(request: HttpRequest, pk: int) -> HttpResponse:
    """A correction of a look that changed meanwhile is refused, and both values are shown."""
    actor = actor_of(request)
    found = get_object_or_404(held_by(actor, Retrieval).select_related(*OF_LOOK), pk=pk)
    form = CorrectionForm(request.POST or None, initial={"revision": found.revision})
    status = 200
    stale = None
    if request.method == "POST" and form.is_valid():
        try:
            _correct(request, found, form)
        except StaleVersion:
            status, stale = STALE, _both_values(found, form)
            form = _again(request, found)
        except RegistryError as error:
            form.add_error(error.field if error.field in form.fields else "value", error.message)
        else:
            messages.success(request, _("Corrected. The value before stays readable below."))
            return redirect("frontend:look", pk=pk)
    story = story_of_look(actor, found)
    context = {
        "look": found,
        "bag": found.bag,
        "day": (found.retrieved_on - found.bag.buried_on).days,
        "facts": presenter.look_facts(found),
        "story": story_lines(story),
        "flags": [flag_line(flag) for flag in story.flags],
        "form": form,
        "stale": stale,
    }
    return render(request, "frontend/records/look.html", context, status=status)


def _correct(request: HttpRequest, found: Retrieval, form: CorrectionForm) -> None:
    sent = form.cleaned_data
    correct_retrieval(
        retrieval=found,
        field=sent["field"],
        value=sent["value"] or None,
        reason=sent["reason"],
        seen_revision=sent["revision"],
        by=actor_of(request),
    )


def _both_values(found: Retrieval, form: CorrectionForm) -> dict[str, str]:
    """What is stored now, and what the person wanted to write over an older state of it."""
    found.refresh_from_db()
    field = form.cleaned_data["field"]
    return {
        "field": word(LOOK_FIELDS, field),
        "stored": field_value(field, getattr(found, field)),
        "yours": field_value(field, form.cleaned_data["value"]),
    }


def _again(request: HttpRequest, found: Retrieval) -> CorrectionForm:
    """The same form over the present state, so that sending it again is a decision."""
    sent = request.POST.copy()
    sent["revision"] = str(found.revision)
    return CorrectionForm(sent)


@login_required
@require_safe
def bag(request: HttpRequest, pk: int) -> HttpResponse:
    actor = actor_of(request)
    rows = held_by(actor, Bag).select_related("trial", "material", "pile__site")
    found = get_object_or_404(rows, pk=pk)
    story = story_of_bag(actor, found)
    context = {
        "bag": found,
        "facts": presenter.bag_facts(found),
        "looks": [look_row(row) for row in looks_at(found)],
        "story": story_lines(story),
        "flags": [flag_line(flag) for flag in story.flags],
    }
    return render(request, "frontend/records/bag.html", context)
