"""From plain records to PDF: one template, one JSON document, the same bytes every time.

What people wrote reaches a template as JSON, so it is text there and can never be markup. Pages are
tagged and held to PDF/UA-1 (ISO 14289-1), with the fonts that the typesetter brings along. Letters
that these lack are taken from the machine's fonts; the few that no font has cost the file its
PDF/UA mark, since that standard refuses a missing letter, but not its tags.
"""

import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Literal

import typst

TEMPLATES = Path(__file__).parent / "templates"
Form = Literal["pdf", "png"]
Standard = Literal["ua-1"]
PDF_UA: Standard = "ua-1"
# Control characters have no shape; what stays of them is the mark for an unknown letter.
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffe\uffff\ud800-\udfff]")
MISSING_LETTER = "could not be displayed"


def typeset(template: str, data: Mapping[str, Any], *, form: Form = "pdf", ppi: int = 200) -> bytes:
    """The template of this name filled with `data`, as PDF.

    Parameters
    ----------
    template : a file in `templates/`, without its ending.
    data : what the template reads; anything JSON can say.
    form, ppi : "png" gives the first page as a picture at so many dots an inch.

    Raises typst.TypstError when the template is at fault.
    """
    sent = {"data": json.dumps(_shapely(data), ensure_ascii=False, allow_nan=False)}
    path = str(TEMPLATES / f"{template}.typ")
    for machine_fonts in (False, True):
        try:
            return _compiled(path, sent, form, ppi, machine_fonts, PDF_UA)
        except typst.TypstError as error:
            if MISSING_LETTER not in str(error):
                raise
    return _compiled(path, sent, form, ppi, True, None)


def _compiled(
    path: str,
    sent: dict[str, str],
    form: Form,
    ppi: int,
    machine_fonts: bool,
    standard: Standard | None,
) -> bytes:
    made = typst.compile(
        path,
        root=str(TEMPLATES),
        font_paths=_fonts(machine_fonts),
        format=form,
        ppi=ppi,
        sys_inputs=sent,
        pdf_standards=standard if form == "pdf" else None,
    )
    return bytes(made[0] if isinstance(made, list) else made)


@cache
def _fonts(machine_fonts: bool) -> typst.Fonts:
    return typst.Fonts(include_system_fonts=machine_fonts, include_embedded_fonts=True)


def _shapely(value: Any) -> Any:
    """The same without control characters, whatever is nested in what."""
    if isinstance(value, str):
        return CONTROL.sub("\ufffd", value)
    if isinstance(value, Mapping):
        return {key: _shapely(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_shapely(item) for item in value]
    return value
