"""Up to four materials side by side, question by question."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from frontend.pictures import Picture, picture_of_each
from frontend.presenters.rating_sentences import HOTTEST_FIRST, sentence, verdict
from frontend.presenters.ratings import RatingView, rating_view, shown_rating
from frontend.presenters.vocabulary import HEATS, word
from registry.models import Material
from registry.queries.ratings import RatingRow

AT_MOST = 4


@dataclass(frozen=True, slots=True)
class Answer:
    """What one material says to one question."""

    name: str
    code: str
    text: str
    picture: Picture | None = None


@dataclass(frozen=True, slots=True)
class Question:
    title: str
    answers: tuple[Answer, ...]


def compared(found: list[tuple[Material, list[RatingRow]]], *, picture_name: str) -> list[Question]:
    """The questions in a grower's order; a heat that no material was tried in is left out."""
    views = [
        (material, rows, shown_rating([rating_view(row) for row in rows], "all"))
        for material, rows in found
    ]
    told = [(m, verdict(rows) if rows else "") for m, rows, _view in views]
    questions = [
        _asked(_("What happens to it?"), told),
        _pictures(views, picture_name),
        *(
            _asked(word(HEATS, heat), [(m, _in_heat(rows, heat)) for m, rows, _view in views])
            for heat in HOTTEST_FIRST
        ),
        _asked(_("How long does it take?"), [(m, v.typical if v else "") for m, _r, v in views]),
        _asked(_("What to do"), [(m, v.action if v else "") for m, _r, v in views]),
        _asked(_("How sure are we?"), [(m, _footing(v)) for m, _r, v in views]),
    ]
    return [question for question in questions if question]


def _asked(title: str, answers: list[tuple[Material, str]]) -> Question | None:
    if not any(text for _m, text in answers):
        return None
    unknown = _("Not enough evidence yet.")
    return Question(title, tuple(Answer(m.name, m.code, text or unknown) for m, text in answers))


def _pictures(
    views: list[tuple[Material, list[RatingRow], RatingView | None]], name: str
) -> Question | None:
    shown = {m.pk: view.pooled_id for m, _r, view in views if view and view.pooled_id}
    drawn = picture_of_each(shown.values(), name)
    answers = tuple(
        Answer(m.name, m.code, "", drawn[shown[m.pk]] if m.pk in shown else None)
        for m, _r, _view in views
    )
    if not any(answer.picture for answer in answers):
        return None
    return Question(_("When is it gone?"), answers)


def _in_heat(rows: list[RatingRow], heat: str) -> str:
    return next((sentence(row) for row in rows if row.heat_class == heat), "")


def _footing(view: RatingView | None) -> str:
    return f"{view.confidence[:1].upper()}{view.confidence[1:]}: {view.evidence}." if view else ""
