"""Forms of the pages. They check form only; services check meaning."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.conf import settings
from django.contrib.auth.forms import AuthenticationForm
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from frontend.presenters import numbers
from frontend.presenters.rating_sentences import HALF_YEAR_DAYS, SEASON_DAYS
from frontend.presenters.vocabulary import (
    FLAG_DECISIONS,
    FLAG_KINDS,
    FORMS,
    HEATS,
    LOOK_FIELDS,
    ROLES,
    SITE_ROLES,
    Words,
)
from registry.models import Material
from registry.queries.across_trials import family_of
from registry.queries.flag_queue import QueueFilter
from registry.queries.ratings import MaterialFilter
from registry.services.members import INVITATION_DAYS, LONGEST_INVITATION_DAYS
from registry.services.quality import CORRECTABLE

WAITS = (SEASON_DAYS, HALF_YEAR_DAYS)
Choices = list[tuple[str, str | Promise]]


def _any_of(words: Words, *, any_word: str | Promise, without: Iterable[str] = ()) -> Choices:
    return [("", any_word), *((code, name) for code, name in words.items() if code not in without)]


def _waits() -> Choices:
    """In the reader's unit, so they are asked for with every form."""
    return [("", _("Any time")), *((str(days), numbers.days_as_weeks(days)) for days in WAITS)]


class PreferencesForm(forms.Form):
    """How a reader likes pages: language, weeks or days, degrees."""

    language = forms.ChoiceField(label=_("Language"), choices=settings.LANGUAGES)
    time = forms.ChoiceField(
        label=_("Time in the pile"), choices=[("weeks", _("in weeks")), ("days", _("in days"))]
    )
    heat = forms.ChoiceField(label=_("Temperature"), choices=[("c", _("in °C")), ("f", _("in °F"))])


class MaterialFilterForm(forms.Form):
    """What a reader looks for. An unknown value is ignored rather than scolded."""

    q = forms.CharField(
        label=_("Search"),
        required=False,
        max_length=100,
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
    )
    form = forms.ChoiceField(
        label=_("What is it?"), required=False, choices=_any_of(FORMS, any_word=_("Anything"))
    )
    heat = forms.ChoiceField(
        label=_("How hot is your pile?"),
        required=False,
        choices=_any_of(HEATS, any_word=_("All piles on trial"), without=("all", "unknown")),
    )
    wait = forms.ChoiceField(
        label=_("How long can you wait?"),
        required=False,
        choices=_waits,
    )
    role = forms.ChoiceField(
        label=_("Items or controls"), required=False, choices=_any_of(ROLES, any_word=_("Both"))
    )

    def wanted(self) -> MaterialFilter:
        self.is_valid()
        chosen = self.cleaned_data
        wait = chosen.get("wait")
        return MaterialFilter(
            search=chosen.get("q", ""),
            form=chosen.get("form", ""),
            role=chosen.get("role", ""),
            heat=chosen.get("heat") or "all",
            gone_within_days=int(wait) if wait else None,
        )


@dataclass(frozen=True, slots=True)
class Asked:
    """What to pool over trials: `name` is blank and `materials` empty when nothing was chosen."""

    materials: list[Material]
    name: str
    outcome: str
    heat_class: str
    query: str


class AcrossForm(forms.Form):
    """A material or a family of materials; a family given too is passed over."""

    material = forms.ChoiceField(label=_("Material"), required=False)
    family = forms.ChoiceField(label=_("Or all with the base"), required=False)
    outcome = forms.ChoiceField(
        label=_("What"),
        required=False,
        choices=[("days_to_90", _("Days until 90 % is gone")), ("decay_rate", _("Decay rate"))],
    )
    heat_class = forms.ChoiceField(label=_("Heat of the pile"), required=False)

    def __init__(self, data: Any, *, materials: list[Material], families: list[str]) -> None:
        super().__init__(data)
        self.by_code = {item.code: item for item in materials}
        shown = [(item.code, item.name) for item in materials]
        self._offer("material", [("", _("Choose one")), *shown])
        self._offer("family", [("", _("None")), *((name, name.capitalize()) for name in families)])
        self._offer("heat_class", list(HEATS.items()))

    def asked(self) -> Asked:
        self.is_valid()
        chosen = self.cleaned_data
        outcome, heat = chosen.get("outcome") or "days_to_90", chosen.get("heat_class") or "all"
        tail = {"outcome": outcome, "heat_class": heat}
        if code := chosen.get("material"):
            found = self.by_code[code]
            query = urlencode({"material": code, **tail})
            return Asked([found], found.name, outcome, heat, query)
        if family := chosen.get("family"):
            query = urlencode({"family": family, **tail})
            name = _("Materials of %(base)s") % {"base": family}
            return Asked(family_of(family), name, outcome, heat, query)
        return Asked([], "", outcome, heat, "")

    def _offer(self, name: str, choices: Choices) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)
        field.choices = choices


class LogInForm(AuthenticationForm):
    """E-mail and password."""

    error_messages = {
        "invalid_login": _("This e-mail address and password do not belong together."),
        "inactive": _("This account is closed."),
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = _("E-mail address")
        self.fields["username"].widget.attrs.update(
            {"type": "email", "autocomplete": "username", "inputmode": "email"}
        )


class ReleaseForm(forms.Form):
    """Notes, and the word that freezing cannot be undone is meant."""

    notes = forms.CharField(
        label=_("What is new in this version"),
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    sure = forms.BooleanField(
        label=_("Freeze it: it becomes public and can never be changed or taken away")
    )


class NoticeForm(forms.Form):
    message = forms.CharField(
        label=_("What is wrong, and what a reader should do"),
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class PaperForm(forms.Form):
    """Which bags to print, and what. `trials` and `sites` are the person's own."""

    what = forms.ChoiceField(
        label=_("Print"),
        choices=[
            ("sheet", _("Labels, 14 on a sheet of A4")),
            ("strip", _("Labels, one after another on a roll")),
            ("retrieval", _("Retrieval sheets for bags still buried")),
        ],
    )
    trial = forms.ChoiceField(label=_("Trial"))
    site = forms.ChoiceField(label=_("Site"), required=False)
    pile = forms.CharField(
        label=_("Pile"), required=False, max_length=40, help_text=_("Its code; empty for all.")
    )
    planned_days = forms.IntegerField(
        label=_("Planned day"),
        required=False,
        min_value=0,
        max_value=36_500,
        help_text=_("Days after burial; empty for all."),
    )
    bag_label = forms.CharField(
        label=_("Chosen bags"),
        required=False,
        max_length=5000,
        help_text=_("Their labels, with commas between; empty for all."),
    )

    def __init__(self, data: Any, *, trials: Choices, sites: Choices) -> None:
        super().__init__(data)
        self.fields["trial"].choices = trials  # type: ignore[attr-defined]
        anywhere = [("", _("All my sites")), *sites]
        self.fields["site"].choices = anywhere  # type: ignore[attr-defined]


class TokenForm(forms.Form):
    """Whose token, its name and its life. `owners` are those the person may issue tokens for."""

    owner = forms.ChoiceField(label=_("For"))
    name = forms.CharField(
        label=_("Name of the token"),
        max_length=100,
        help_text=_("Where it will be used, for example: balance room."),
    )
    days = forms.IntegerField(
        label=_("Days until it expires"), min_value=1, max_value=3660, initial=365
    )

    def __init__(self, *args: Any, owners: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["owner"].choices = owners  # type: ignore[attr-defined]


class InvitationForm(forms.Form):
    """Whom to invite; `role` is left out for a trial, which has coordinators alone."""

    email = forms.EmailField(
        label=_("E-mail address"),
        help_text=_("Only the person with this address can accept."),
        widget=forms.EmailInput(attrs={"autocomplete": "off"}),
    )
    role = forms.ChoiceField(
        label=_("Role"),
        choices=list(SITE_ROLES.items()),
        help_text=_("A lead also says who belongs to the site."),
    )
    days = forms.IntegerField(
        label=_("Days until the link expires"),
        min_value=1,
        max_value=LONGEST_INVITATION_DAYS,
        initial=INVITATION_DAYS,
    )

    def __init__(self, *args: Any, with_role: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not with_role:
            del self.fields["role"]


class NewPersonForm(forms.Form):
    """Name and password of an account that an invitation makes."""

    name = forms.CharField(
        label=_("Your name"),
        max_length=200,
        help_text=_("Shown to the people of your site and trials, beside what you did."),
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )
    password = forms.CharField(
        label=_("A new password"),
        max_length=1000,
        strip=False,
        help_text=_("At least 12 characters; a sentence is easy to remember."),
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


class QueueForm(forms.Form):
    """What part of the quality queue to show. An unknown value is ignored rather than scolded."""

    decision = forms.ChoiceField(
        label=_("Show"), required=False, choices=list(FLAG_DECISIONS.items())
    )
    code = forms.ChoiceField(label=_("Finding"), required=False)
    site = forms.ChoiceField(label=_("Site"), required=False)

    def __init__(self, *args: Any, sites: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].choices = _any_of(FLAG_KINDS, any_word=_("Every finding"))  # type: ignore[attr-defined]
        self.fields["site"].choices = [("", _("Every site")), *sites]  # type: ignore[attr-defined]

    def wanted(self) -> QueueFilter:
        self.is_valid()
        chosen = self.cleaned_data
        return QueueFilter(
            decision=chosen.get("decision") or "waiting",
            code=chosen.get("code", ""),
            site=chosen.get("site", ""),
        )


class DecisionForm(forms.Form):
    """Accept or exclude, with a reason."""

    decision = forms.ChoiceField(choices=[("accept", _("Accept")), ("exclude", _("Exclude"))])
    reason = forms.CharField(max_length=500)


class CorrectionForm(forms.Form):
    """One value of a look, the reason, and the revision that the person has read."""

    field = forms.ChoiceField(
        label=_("What to correct"),
        choices=[(name, LOOK_FIELDS[name]) for name in CORRECTABLE],
    )
    value = forms.CharField(
        label=_("Right value"),
        required=False,
        max_length=2000,
        help_text=_("As it would stand in a file: 4.912, or yes. Blank empties the field."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    reason = forms.CharField(
        label=_("Reason"), max_length=500, help_text=_("What was wrong, and how you know.")
    )
    revision = forms.IntegerField(min_value=1, widget=forms.HiddenInput)
