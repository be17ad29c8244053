"""One look for every chart: colours of the design tokens, type no smaller than 12 pixels.

Colours are CSS variables with a fallback. Inline in a page they follow its light or dark theme;
in a downloaded file the fallback (the light theme) is drawn.
"""

from typing import Any

INK = "var(--ink, #2b261f)"
QUIET = "var(--ink-soft, #5b5246)"
GRID = "var(--line, #d8cfbf)"
PAPER = "var(--paper, #fbf8f2)"
MOSS = "var(--moss, #3d5a34)"
CLAY = "var(--clay, #8c4a2b)"
BAND = "var(--chart-band, #c9d4ba)"
BAND_WIDE = "var(--chart-band-wide, #e7e8d8)"

TEXT_PX = 13
SMALL_TEXT_PX = 12

CONFIG: dict[str, Any] = {
    "background": None,
    "font": "sans-serif",
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK,
        "labelFontSize": SMALL_TEXT_PX,
        "titleColor": INK,
        "titleFontSize": TEXT_PX,
        "titleFontWeight": "normal",
        "titlePadding": 8,
        "domainColor": QUIET,
        "tickColor": QUIET,
        "gridColor": GRID,
    },
    "header": {
        "labelColor": INK,
        "labelFontSize": SMALL_TEXT_PX,
        "labelFontWeight": "bold",
        "labelAnchor": "start",
        "title": None,
    },
    "text": {"color": INK, "fontSize": SMALL_TEXT_PX},
}
