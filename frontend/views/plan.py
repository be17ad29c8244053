"""How large the next trial should be: a form, and the answer below it."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from frontend.forms_plan import FIRST, PlanForm
from frontend.people import actor_of
from frontend.presenters.plan import plan_page
from registry.science.plan_answer import answer


@login_required
@require_safe
def plan(request: HttpRequest) -> HttpResponse:
    sent = FIRST | request.GET.dict() if request.GET else None
    form = PlanForm(sent, actor=actor_of(request))
    page = None
    if form.is_valid():
        page = plan_page(form.question, form.assumed, answer(form.question))
    return render(request, "frontend/coordinator/plan.html", {"form": form, "page": page})
