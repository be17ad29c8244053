"""Growers' pages are whole in every language, and the compiled catalogue is that of the texts."""

import gettext
import re
from pathlib import Path

import pytest
from django.conf import settings
from django.utils import translation

from frontend import forms
from frontend.presenters import rating_sentences, vocabulary

HERE = settings.PROJECT_DIR
PAGES = ("home", "materials", "material", "compare", "glossary", "safety", "preferences")
PARTS = ("material_card", "limits", "safety_short", "words")
TEMPLATES = HERE / "frontend/templates"
FILES = {
    *(f"frontend/templates/frontend/public/{name}.html" for name in PAGES),
    *(f"frontend/templates/frontend/components/_{name}.html" for name in PARTS),
    "frontend/templates/frontend/base.html",
    *(f"frontend/templates/{name}.html" for name in ("403", "403_csrf", "404", "500")),
    *(f"frontend/presenters/{n}.py" for n in ("ratings", "rating_sentences", "comparing")),
    "frontend/presenters/glossary.py",
    "frontend/presenters/photos.py",
    "registry/figures/weeks.py",
}
WORDS = (
    "FORMS",
    "ROLES",
    "HEATS",
    "HEAT_MEANINGS",
    "BANDS",
    "CONFIDENCES",
    "FUNCTIONS",
    "SHORT_OUTCOMES",
)
LANGUAGES = [code for code, _ in settings.LANGUAGES if code != settings.LANGUAGE_CODE]
_STRING = re.compile(r'^"(.*)"$', re.MULTILINE)
_FIELD = re.compile(
    r'^(msgctxt|msgid|msgid_plural|msgstr(?:\[\d\])?) ((?:"(?:.*)"\n?)+)', re.MULTILINE
)


def entries(language: str) -> list[tuple[set[str], dict[str, str]]]:
    """Of the .po file: the files that use a text, and the text with its translations."""
    text = _catalogue(language, "po").read_text()
    found = []
    for block in text.split("\n\n")[1:]:
        places = {place for line in re.findall(r"^#: (.*)$", block, re.M) for place in line.split()}
        fields = {name: _joined(value) for name, value in _FIELD.findall(block)}
        assert "fuzzy" not in block.split("msgid")[0], block
        found.append((places, fields))
    return found


def _joined(value: str) -> str:
    raw = "".join(_STRING.findall(value))
    return raw.replace(r"\"", '"').replace(r"\n", "\n").replace(r"\\", "\\")


def _catalogue(language: str, ending: str) -> Path:
    return Path(settings.LOCALE_PATHS[0]) / language / "LC_MESSAGES" / f"django.{ending}"


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_text_of_the_growers_pages_is_translated(language):
    untold = [
        fields["msgid"]
        for places, fields in entries(language)
        if places & FILES and not all(v for k, v in fields.items() if k.startswith("msgstr"))
    ]
    assert untold == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_files_are_all_in_the_catalogue(language):
    """A file that moved would else be checked no more."""
    used = {place for places, _ in entries(language) for place in places}

    assert used >= FILES


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_word_and_label_is_translated(language):
    labels = [
        str(field.label)
        for form in (forms.MaterialFilterForm, forms.PreferencesForm)
        for field in form.base_fields.values()
    ]
    tables = [getattr(vocabulary, name) for name in WORDS]
    tables += [rating_sentences.PILES, rating_sentences.ACTIONS]
    english = [*labels, *(str(text) for table in tables for text in table.values())]

    with _catalogue(language, "mo").open("rb") as compiled:
        known = gettext.GNUTranslations(compiled)._catalog
    assert [text for text in english if text not in known] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_compiled_catalogue_is_that_of_the_texts(language):
    with _catalogue(language, "mo").open("rb") as compiled:
        known = gettext.GNUTranslations(compiled)._catalog
    for _, fields in entries(language):
        key = fields["msgid"]
        if "msgctxt" in fields:
            key = f"{fields['msgctxt']}\x04{key}"
        if fields.get("msgstr"):
            assert known[key] == fields["msgstr"], "run make messages"
        elif fields.get("msgstr[0]"):
            assert known[key, 0] == fields["msgstr[0]"], "run make messages"
            assert known[key, 1] == fields["msgstr[1]"], "run make messages"
        else:
            assert key not in known, "run make messages"


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_text_of_the_growers_templates_is_missing_from_the_catalogue(language):
    """A text added without `make messages` would be shown in English on a translated page."""
    known = {fields["msgid"] for _, fields in entries(language)}
    for name in FILES:
        if name.endswith(".html"):
            source = (HERE / name).read_text()
            for text in re.findall(r'{% translate "([^"]*)"', source):
                assert text in known, f"{name}: run make messages"


@pytest.mark.parametrize("language", LANGUAGES)
def test_place_holders_survive_translation(language):
    holder = re.compile(r"%\(\w+\)[sd]")
    for _, fields in entries(language):
        for name, text in fields.items():
            if name.startswith("msgstr") and text:
                english = fields["msgid_plural"] if name == "msgstr[1]" else fields["msgid"]
                assert sorted(holder.findall(text)) == sorted(holder.findall(english)), english


def test_the_source_language_is_shown_as_written():
    with translation.override(settings.LANGUAGE_CODE):
        assert translation.gettext("How hot is your pile?") == "How hot is your pile?"
