"""The quality queue: what waits, one finding with its evidence, the decision, and the next one."""

from urllib.parse import urlencode

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from frontend.forms import DecisionForm, QueueForm
from frontend.people import actor_of
from frontend.presenters import flags as presenter
from registry.errors import NotAllowed, RegistryError
from registry.models import Flag, Trial
from registry.permissions import Actor, Capability, can, visible_to
from registry.queries import flag_queue
from registry.queries.flag_evidence import evidence_of
from registry.queries.flag_queue import QueueFilter
from registry.services.quality import decide_flag

PER_PAGE = 50


@login_required
@require_safe
def queue(request: HttpRequest, code: str) -> HttpResponse:
    actor = actor_of(request)
    trial = _trial_of(actor, code)
    counts = flag_queue.queue_counts(actor, trial)
    form = QueueForm(request.GET, sites=list(presenter.site_choices(counts)))
    wanted = form.wanted()
    page = Paginator(flag_queue.queue(actor, trial, wanted), PER_PAGE).get_page(
        request.GET.get("page")
    )
    context = {
        "trial": trial,
        "form": form,
        "page": page,
        "flags": [presenter.flag_line(flag) for flag in page],
        "tallies": presenter.tallies(counts),
        "n_waiting": counts.by_decision.get("waiting", 0),
        "query": _query(wanted),
        "may_decide": can(actor, Capability.DECIDE_FLAG, trial=trial),
    }
    return render(request, "frontend/quality/queue.html", context)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def flag(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """The evidence and the two answers; after an answer, the next finding that waits."""
    actor = actor_of(request)
    trial = _trial_of(actor, code)
    found = get_object_or_404(flag_queue.flags_of(actor, trial), pk=pk)
    wanted = QueueFilter(code=request.GET.get("code", ""), site=request.GET.get("site", ""))
    form = DecisionForm(request.POST or None)
    if request.method == "POST" and _decided(request, found, form):
        return _next(actor, trial, wanted, found)
    following = flag_queue.next_waiting(actor, trial, wanted, found.pk)
    context = {
        "trial": trial,
        "page": presenter.flag_page(found, evidence_of(found)),
        "form": form,
        "reasons": flag_queue.reasons_given(trial, found.code),
        "next": following,
        "query": _query(wanted),
        "n_waiting": flag_queue.queue_counts(actor, trial).by_decision.get("waiting", 0),
        "may_decide": can(actor, Capability.DECIDE_FLAG, trial=trial),
    }
    return render(request, "frontend/quality/flag.html", context)


def _trial_of(actor: Actor, code: str) -> Trial:
    """The trial, for its coordinators and the labs that take part in it."""
    trial = get_object_or_404(visible_to(actor, Trial), code=code)
    if can(actor, Capability.READ_TRIAL, trial=trial):
        return trial
    if not trial.sites.filter(pk__in=actor.sites()).exists():
        raise PermissionDenied
    return trial


def _decided(request: HttpRequest, found: Flag, form: DecisionForm) -> bool:
    if not form.is_valid():
        return False
    try:
        decided = decide_flag(flag=found, by=actor_of(request), **form.cleaned_data)
    except NotAllowed as error:
        raise PermissionDenied from error
    except RegistryError as error:
        form.add_error(error.field or None, error.message)
        return False
    line = presenter.flag_line(decided)
    address = reverse("frontend:flag", args=[found.pile.trial.code, found.pk])
    told = _("%(decision)s: %(what)s, %(subject)s.") % {
        "decision": line.decision,
        "what": line.kind,
        "subject": line.subject,
    }
    undo = _("Look at it again or take it back")
    messages.success(request, format_html('{} <a href="{}">{}</a>', told, address, undo))
    return True


def _next(actor: Actor, trial: Trial, wanted: QueueFilter, decided: Flag) -> HttpResponse:
    following = flag_queue.next_waiting(actor, trial, wanted, decided.pk)
    if following is None:
        return redirect("frontend:queue", code=trial.code)
    address = reverse("frontend:flag", args=[trial.code, following.pk])
    return redirect(address + _query(wanted))


def _query(wanted: QueueFilter) -> str:
    """The part of the queue one works on, carried from finding to finding."""
    chosen = {name: getattr(wanted, name) for name in ("code", "site") if getattr(wanted, name)}
    return f"?{urlencode(chosen)}" if chosen else ""
