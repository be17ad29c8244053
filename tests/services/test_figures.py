"""Figures are drawn once, by the workers where they can, and read in one query."""

import pytest
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import translation

from registry.figures import listed
from registry.jobs.figures import draw_figures, ring_for_undrawn_runs
from registry.jobs.pooling import run_pooling
from registry.models import Figure, PoolingRun
from registry.services import figures
from tests.frontend.small_trial import small_trial

pytestmark = pytest.mark.django_db
NAMES = ("weeks", "forest", "curve", "panels")


@pytest.fixture
def pots():
    return small_trial()


def rate_of(pots) -> int:
    return pots.run.estimates.get(material=pots.materials[1], outcome="decay_rate").pk


def test_a_finished_run_is_drawn_for_every_material_language_and_width(pots) -> None:
    assert figures.undrawn_runs() == [pots.run.pk]

    assert figures.draw_run(pots.run.pk) == 3

    growers = sum(kind.for_growers for kind in listed.FIGURES.values())
    others = len(listed.FIGURES) - growers
    each = growers * len(settings.LANGUAGES) + others
    assert (
        Figure.objects.filter(drawing=listed.DRAWING_VERSION).exclude(wide="").count() == 3 * each
    )
    assert figures.undrawn_runs() == []
    assert figures.draw_run(pots.run.pk) == 0


def test_kept_figures_are_read_in_one_query_and_never_drawn(pots, monkeypatch) -> None:
    figures.draw_run(pots.run.pk)
    monkeypatch.setattr(figures, "drawn", lambda *_: pytest.fail("drew in a request"))

    rate = rate_of(pots)
    with CaptureQueriesContext(connection) as queries:
        found = figures.figures_of([(rate, name) for name in NAMES])

    assert len(queries) == 1
    for name in NAMES:
        kept = found[name]
        assert kept is not None
        assert kept.wide.startswith("<svg")
        assert kept.wide != kept.narrow


def test_a_missing_figure_is_drawn_once_and_kept(pots, monkeypatch) -> None:
    first = figures.figures_of([(rate_of(pots), "weeks")])
    monkeypatch.setattr(figures, "drawn", lambda *_: pytest.fail("drew again"))

    assert figures.figures_of([(rate_of(pots), "weeks")]) == first
    assert Figure.objects.count() == 1


def test_a_figure_of_an_earlier_drawing_is_drawn_again(pots, monkeypatch) -> None:
    figures.draw_run(pots.run.pk)
    monkeypatch.setattr(figures, "DRAWING_VERSION", listed.DRAWING_VERSION + 1)

    assert figures.undrawn_runs() == [pots.run.pk]
    assert figures.draw_run(pots.run.pk) == 3
    assert not Figure.objects.filter(drawing=listed.DRAWING_VERSION).exists()
    assert figures.undrawn_runs() == []


def test_an_estimate_that_carries_no_figure_says_so_and_is_not_asked_again(pots) -> None:
    bare = pots.run.estimates.get(material=pots.materials[0], outcome="days_to_90")

    assert figures.figures_of([(bare.pk, "curve")]) == {"curve": None}
    assert Figure.objects.get().wide == ""


def test_a_run_whose_figures_another_worker_draws_is_left_alone(pots) -> None:
    lock = [figures.DRAWING_LOCK, pots.run.pk]
    other = connection.copy()
    with other.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_lock(%s, %s)", lock)
        assert figures.draw_run(pots.run.pk) == 0

        cursor.execute("SELECT pg_advisory_unlock(%s, %s)", lock)
        assert figures.draw_run(pots.run.pk) == 3
    other.close()


def test_the_bell_rings_after_pooling_and_from_the_sweep(pots, monkeypatch) -> None:
    rung: list[int] = []
    monkeypatch.setattr(draw_figures, "delay", rung.append)
    monkeypatch.setattr("registry.services.pooling.execute_run", lambda run_id: True)

    run_pooling(pots.run.pk)
    assert rung == [pots.run.pk]

    assert ring_for_undrawn_runs() == 1
    draw_figures(pots.run.pk)
    assert ring_for_undrawn_runs() == 0


def test_a_run_that_no_page_shows_is_not_drawn(pots) -> None:
    newer = PoolingRun.objects.get(pk=pots.run.pk)
    newer.pk, newer.input_digest = None, "d" * 64
    newer.save()
    assert figures.undrawn_runs() == [pots.run.pk]  # still shown: it is released

    unreleased = small_trial("OLD-26", released=False)
    newer.pk, newer.trial, newer.input_digest = None, unreleased.trial, "c" * 64
    newer.save()

    assert figures.undrawn_runs() == [pots.run.pk]


def test_figures_speak_the_readers_language(pots) -> None:
    for code, _ in settings.LANGUAGES:
        with translation.override(code):
            found = figures.figures_of([(rate_of(pots), "weeks")])["weeks"]
            words = translation.gettext("Weeks in the pile")
        assert found is not None
        assert words in found.wide
