"""Figures as files, and the numbers behind them."""

import csv
import io
from xml.etree import ElementTree

import pytest
from django.urls import reverse

from registry.charts.svg import SVG
from registry.figures.listed import FIGURES
from registry.figures.numbers import numbers_behind
from registry.models import PooledEstimate
from registry.services.figures import source_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def estimate(pots) -> PooledEstimate:
    rows = PooledEstimate.objects.filter(run=pots.run, material=pots.materials[1])
    return rows.get(outcome="decay_rate", heat_class="all")


def address(estimate: PooledEstimate, name: str, ending: str) -> str:
    return reverse("frontend:figure", args=[estimate.pk, name, ending])


def test_every_figure_has_its_numbers(estimate):
    assert [name for name in FIGURES if numbers_behind(name, source_of(estimate.pk)) is None] == []


def test_a_figure_file_stands_without_the_page(coordinator, estimate):
    answer = coordinator.get(address(estimate, "forest", "svg"))

    text = answer.content.decode()
    assert answer["Content-Type"] == "image/svg+xml"
    assert 'filename="POTS-26-POTS-26-M1-forest.svg"' in answer["Content-Disposition"]
    assert "var(" not in text
    root = ElementTree.fromstring(text)
    paper = root.find(f"{{{SVG}}}rect")
    box = [float(part) for part in root.get("viewBox").split()]
    assert [float(paper.get(side)) for side in ("x", "y", "width", "height")] == box
    assert root.find(f"{{{SVG}}}title").text


def test_a_figure_as_png_has_the_proportions_of_the_svg(coordinator, estimate):
    body = coordinator.get(address(estimate, "curve", "png")).content
    drawn = ElementTree.fromstring(coordinator.get(address(estimate, "curve", "svg")).content)

    assert body[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = int.from_bytes(body[16:20]), int.from_bytes(body[20:24])
    assert width == pytest.approx(3 * float(drawn.get("width")), abs=3)
    assert height == pytest.approx(3 * float(drawn.get("height")), abs=3)


def test_the_numbers_of_the_forest_plot_are_those_of_the_estimate(coordinator, estimate):
    text = coordinator.get(address(estimate, "forest", "csv")).content.decode()
    rows = list(csv.DictReader(io.StringIO(text)))

    assert [row["row"] for row in rows] == ["site"] * 4 + ["pooled_mean", "new_pile"]
    mean = rows[4]
    assert float(mean["rate_per_day"]) == estimate.estimate
    assert float(mean["low_per_day"]) == estimate.ci_low
    assert float(rows[5]["high_per_day"]) == estimate.pi_high
    first = estimate.sites.order_by("site__code")[0]
    assert (rows[0]["site"], float(rows[0]["rate_per_day"])) == (first.site.code, first.estimate)


def test_the_numbers_of_the_panels_hold_each_pile(coordinator, estimate):
    text = coordinator.get(address(estimate, "panels", "csv")).content.decode()
    rows = list(csv.DictReader(io.StringIO(text)))

    piles = {(row["site"], row["pile"]) for row in rows if row["series"] == "pile_mean"}
    assert len(piles) == 8


@pytest.mark.parametrize("what", ["nothing.svg", "forest.pdf", "forest.exe"])
def test_what_is_no_figure_is_not_found(coordinator, estimate, what):
    assert coordinator.get(f"/figures/{estimate.pk}/{what}").status_code == 404


def test_the_page_offers_every_figure(coordinator, estimate):
    page = coordinator.get(reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]))

    for name in ("forest", "curve", "panels"):
        for ending in ("svg", "png", "csv"):
            assert f"/{name}.{ending}" in page.content.decode()
