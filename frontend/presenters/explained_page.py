"""The page of a run's exploratory part, put together once."""

from collections.abc import Mapping
from dataclasses import dataclass

from frontend import pictures
from frontend.presenters import explained
from registry.models import Explanation


@dataclass(frozen=True, slots=True)
class ExplainedPart:
    """One question: heading, answer in a sentence, share explained, what it rests on, a figure."""

    pk: int
    kind: str
    heading: str
    sentence: str
    share: str
    evidence: str
    picture: pictures.Picture | None
    table: list[tuple[str, str, str, str]]
    axis: str


def parts(
    found: list[Explanation], stored: Mapping[str, pictures.Picture | None] | None = None
) -> list[ExplainedPart]:
    """Questions with their figure; `stored` ones by kind, the others drawn here and kept."""
    return [
        ExplainedPart(
            pk=item.pk,
            kind=item.kind,
            heading=explained.heading(item),
            sentence=explained.sentence(item),
            share=explained.share(item),
            evidence=explained.evidence(item),
            picture=pictures.explained_picture(item) if stored is None else stored[item.kind],
            table=explained.point_rows(item),
            axis=explained.axis_words(item),
        )
        for item in found
    ]
