"""What a kind of figure is: from an estimate to a drawing that still has to be drawn."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

from registry.charts.svg import Caption
from registry.models import PooledEstimate
from registry.queries.pile_means import PileDayMean, pile_means


class Draw(Protocol):
    """A chart function with everything filled in but who it is for."""

    def __call__(self, *, caption: Caption, width: str) -> str: ...


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure before it is drawn: `title` and `about` are for those who cannot see it."""

    title: str
    about: str
    draw: Draw


@dataclass(frozen=True)
class Source:
    """An estimate with its sites and curve fetched, and the pile means once they are needed."""

    estimate: PooledEstimate

    @cached_property
    def pile_means(self) -> list[PileDayMean]:
        return pile_means(self.estimate.run.trial, self.estimate.material)

    @cached_property
    def fitted_means(self) -> list[PileDayMean]:
        """Of the looks that are in the fit."""
        return pile_means(self.estimate.run.trial, self.estimate.material, fitted_only=True)


@dataclass(frozen=True, slots=True)
class FigureKind:
    """One figure of the pages. `plan` returns None where the estimate does not carry it.

    for_growers : drawn in every language and for every class of heat; the others for people who
        read English tables, over all piles.
    """

    name: str
    plan: Callable[[Source], Drawing | None]
    for_growers: bool = False
