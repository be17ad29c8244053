"""A figure of an estimate as a file: SVG, PNG, or the numbers behind it."""

import csv
import io

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from frontend.people import actor_of
from registry.csv_text import guarded
from registry.figures.files import png_file, svg_file
from registry.figures.listed import FIGURES
from registry.figures.numbers import numbers_behind
from registry.models import PooledEstimate
from registry.permissions import visible_to
from registry.services.figures import figures_of, source_of

MEDIA = {"svg": "image/svg+xml", "png": "image/png", "csv": "text/csv; charset=utf-8"}


@require_safe
def figure(request: HttpRequest, pk: int, name: str, ending: str) -> HttpResponse:
    rows = visible_to(actor_of(request), PooledEstimate).select_related("run__trial", "material")
    estimate = get_object_or_404(rows, pk=pk)
    if name not in FIGURES or ending not in MEDIA:
        raise Http404
    body = _numbers(pk, name) if ending == "csv" else _drawing(pk, name, ending)
    answer = HttpResponse(body, content_type=MEDIA[ending])
    called = f"{estimate.run.trial.code}-{estimate.material.code}-{name}.{ending}"
    answer["Content-Disposition"] = f'attachment; filename="{called}"'
    return answer


def _drawing(pk: int, name: str, ending: str) -> bytes:
    kept = figures_of([(pk, name)])[name]
    if kept is None:
        raise Http404
    return svg_file(kept.wide) if ending == "svg" else png_file(kept.wide)


def _numbers(pk: int, name: str) -> str:
    """A code may begin with a hyphen, which a spreadsheet would take for a formula."""
    found = numbers_behind(name, source_of(pk))
    if found is None:
        raise Http404
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(found.columns)
    for row in found.rows:
        writer.writerow([guarded(cell) if isinstance(cell, str) else cell for cell in row])
    return text.getvalue()
