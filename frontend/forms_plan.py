"""The form of a planned trial, made from the fields that the API and the command know."""

import re
from typing import Any

from django import forms
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from registry.errors import InvalidValue, NotFound
from registry.permissions import Actor
from registry.queries.plan_fields import BY_NAME, read_asked
from registry.queries.plan_question import DEFAULTS, Assumed, assumed_by, question_of
from registry.science.plan_answer import Question

# Label, and what helps to fill it in; the order is that of the page.
GROUPS: tuple[tuple[str | Promise, dict[str, tuple[str | Promise, str | Promise]]], ...] = (
    (
        _("Variances of a finished trial"),
        {
            "trial": (_("Trial"), _("Code of a trial with pooled results.")),
            "material": (_("Material"), _("Code of the material that the next one may be like.")),
        },
    ),
    (
        _("The trial you think of"),
        {
            "sites": (_("Sites"), ""),
            "piles": (_("Piles per site"), ""),
            "bags": (_("Bags per material, pile and look"), ""),
            "materials": (_("Materials, with the reference"), ""),
            "days": (_("Days of the looks"), _("With commas between, for example 14, 28, 56.")),
        },
    ),
    (
        _("What it should show"),
        {
            "difference": (
                _("Difference from the reference"),
                _("On the primary day, in percentage points."),
            ),
            "goal_power": (_("Chance to show it"), _("For example 0.8: in 8 of 10 trials.")),
            "goal_half_width": (_("Difference known to ±"), _("In percentage points.")),
            "goal_factor": (
                _("Days to 90 % known within a factor of"),
                _("For example 1.3: about 30 % up or down."),
            ),
        },
    ),
    (
        _("What it costs"),
        {
            "cost_site": (_("A site"), _("In any one currency or unit; blank counts as 1.")),
            "cost_pile": (_("A pile"), ""),
            "cost_bag": (_("A bag with its laboratory work"), ""),
        },
    ),
)
TYPED: dict[str, tuple[str | Promise, str | Promise]] = {
    "rate_per_day": (_("Decay rate, per day"), ""),
    "lag_days": (_("Days before the loss begins"), ""),
    "decay_tau2_site": (_("Variance of the log rate between sites"), ""),
    "decay_tau2_pile": (_("Variance of the log rate between piles of a site"), ""),
    "decay_a": (_("Residual variance a"), _("Of the fraction left f, as a + b·f².")),
    "decay_b": (_("Residual variance b"), ""),
    "day_tau2_site": (_("Primary day: between sites"), _("In squared percentage points.")),
    "day_tau2_site_material": (_("Primary day: site and material together"), ""),
    "day_tau2_pile": (_("Primary day: between piles of a site"), ""),
    "day_tau2_pile_material": (_("Primary day: pile and material together"), ""),
    "day_residual": (_("Primary day: between bags"), ""),
}
# What the form opens with; how many materials there are is the trial's to say.
FIRST = {name: str(DEFAULTS[name]) for name in ("sites", "piles", "bags")}
INPUT_MODES = {"whole": "numeric", "number": "decimal"}


class PlanForm(forms.Form):
    """Reads what was asked; `question` and `assumed` are there once it is valid."""

    question: Question
    assumed: Assumed

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.actor = actor
        for _name, group in (*GROUPS, ("", TYPED)):
            for name, (label, help_text) in group.items():
                self.fields[name] = _field(name, label, help_text)

    def clean(self) -> dict[str, Any]:
        asked: dict[str, Any] = {}
        for name, text in list(self.cleaned_data.items()):
            try:
                asked |= read_asked({name: text})
            except InvalidValue as problem:
                self.add_error(name, _reworded(problem.message, name, self.fields[name].label))
        if not self.errors:
            self._ask(asked)
        return self.cleaned_data

    def _ask(self, asked: dict[str, Any]) -> None:
        try:
            self.assumed = assumed_by(asked, self.actor)
            self.question = question_of(asked, self.assumed)
        except NotFound as problem:
            self.add_error("trial", problem.message)
        except InvalidValue as problem:
            label = self.fields[problem.field].label
            self.add_error(problem.field, _reworded(problem.message, problem.field, label))

    def groups(self) -> list[tuple[str | Promise, list[forms.BoundField]]]:
        return [(title, [self[name] for name in names]) for title, names in GROUPS]

    def typed(self) -> list[forms.BoundField]:
        return [self[name] for name in TYPED]

    def is_typed(self) -> bool:
        """Whether the part for typed-in variances is in use, and so stands open."""
        return any(self[name].value() or self[name].errors for name in TYPED)


def _field(name: str, label: Any, help_text: Any) -> forms.Field:
    widget = forms.TextInput(attrs={"autocomplete": "off"})
    if mode := INPUT_MODES.get(BY_NAME[name].kind):
        widget.attrs["inputmode"] = mode
    return forms.CharField(
        label=label,
        help_text=help_text,
        required=False,
        max_length=300,
        initial=FIRST.get(name),
        widget=widget,
    )


def _reworded(message: str, name: str, label: str | Promise | None) -> str:
    """The same sentence with the field called as on the page."""
    return re.sub(rf"\b{name}\b(?= is | holds )", f"“{label}”", message)
