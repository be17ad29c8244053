"""Contrast of the design tokens: WCAG 2.2, 1.4.3 (text 4.5 : 1) and 1.4.11 (graphics 3 : 1)."""

import re
from pathlib import Path

import pytest

CSS = Path(__file__).resolve().parents[2] / "frontend/static/frontend"
TOKENS = (CSS / "tokens.css").read_text(encoding="utf-8")
HEX = re.compile(r"--([\w-]+):\s*(#[0-9a-f]{6})\b")
LIGHT, DARK = TOKENS.split("@media (prefers-color-scheme: dark)")
THEMES = {"light": dict(HEX.findall(LIGHT)), "dark": dict(HEX.findall(DARK))}

PAPERS = ("paper", "paper-raised", "paper-sunk", "note")
TEXT = [(ink, paper) for ink in ("ink", "ink-soft", "moss", "clay") for paper in PAPERS]
TEXT += [("on-moss", "moss"), ("ink", "chart-band"), ("ink", "chart-band-wide")]
GRAPHICS = [("line-strong", paper) for paper in PAPERS]
GRAPHICS += [("moss", "chart-band"), ("clay", "chart-band-wide"), ("ink-soft", "chart-band")]


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (from memory; checked on black and white below)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_black_on_white_is_twenty_one_to_one():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("ink", "paper"), TEXT)
def test_text_can_be_read(theme, ink, paper):
    assert contrast(THEMES[theme][ink], THEMES[theme][paper]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("mark", "paper"), GRAPHICS)
def test_marks_can_be_seen(theme, mark, paper):
    assert contrast(THEMES[theme][mark], THEMES[theme][paper]) >= 3


def test_both_themes_name_the_same_colours():
    assert THEMES["light"].keys() == THEMES["dark"].keys()


@pytest.mark.parametrize("name", ["base.css", "components.css"])
def test_colours_are_written_in_the_tokens_alone(name):
    on_screen = re.sub(r"@media print \{.*?\n\}", "", (CSS / name).read_text("utf-8"), flags=re.S)

    assert not re.search(r"#[0-9a-f]{3,8}\b|rgba?\(|hsla?\(", on_screen)


def test_every_token_that_is_used_exists():
    known = set(re.findall(r"(--[\w-]+):", TOKENS))
    used = {
        name
        for sheet in ("base.css", "components.css")
        for name in re.findall(r"var\((--[\w-]+)", (CSS / sheet).read_text("utf-8"))
    }

    assert used <= known
