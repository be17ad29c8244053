"""Bag labels: what they say, that a phone reads them, and that odd words break nothing."""

import io
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from pypdf import PdfReader

from registry.columns import CODE_PATTERN
from registry.paper.labels import (
    LONGEST_LINE,
    QR_MM,
    BagLabel,
    bag_labels,
    labels_data,
    lines,
    look_address,
)
from registry.paper.qr import modules_across
from registry.paper.typeset import typeset
from tests.paper.reading import codes_on, pages_of

BASE = "https://coheap.example"
MARKUP = '#panic("no") *bold* _it_ $x^2$ <label> @ref `raw` \\ [x] // /* "'


def label(**changes):
    plain = {
        "trial": "POTS-2026",
        "bag_label": "N1-COIR-28-3",
        "site": "NORTHFIELD",
        "pile": "P1",
        "material": "COIR-POT",
        "purpose": "sample",
        "planned_days": 28,
        "due_on": date(2026, 5, 5),
    }
    return BagLabel(**(plain | changes))


def picture_of(labels, **options):
    return typeset("labels", labels_data(labels, base_url=BASE, **options), form="png")


def test_a_label_names_bag_pile_material_and_planned_day():
    (page,) = pages_of(bag_labels([label()], base_url=BASE))

    for words in ("N1-COIR-28-3", "NORTHFIELD · P1", "COIR-POT", "lift on day 28: 2026-05-05"):
        assert words in page


def test_the_code_on_a_printed_label_opens_the_form_of_its_bag():
    bags = [label(bag_label=f"N1-COIR-28-{n}") for n in range(14)]

    codes = codes_on(picture_of(bags, size="sheet"))

    assert sorted(codes) == sorted(
        f"{BASE}/trials/POTS-2026/bags/{bag.bag_label}/look/" for bag in bags
    )


def test_the_code_still_reads_with_a_thumb_of_mud_on_it():
    pixels = np.array(Image.open(io.BytesIO(picture_of([label()], size="strip"))).convert("L"))
    side = round(QR_MM / 25.4 * 200)
    top = round(0.55 * side)
    pixels[top : top + side // 5, side // 2 : side // 2 + side // 4] = 60
    smeared = io.BytesIO()
    Image.fromarray(pixels).save(smeared, format="PNG")

    assert codes_on(smeared.getvalue()) == [look_address(BASE, "POTS-2026", "N1-COIR-28-3")]


def test_a_module_of_the_longest_address_is_wide_enough_for_a_phone():
    longest = look_address("https://registry.institute.example", "T" * 40, "B" * 40)

    # Four dots of a common 203 dpi label printer.
    assert QR_MM / modules_across(longest) > 4 * 25.4 / 203


def test_a_strip_has_a_label_a_page_and_a_sheet_fourteen():
    bags = [label(bag_label=f"B-{n}") for n in range(15)]

    strip = PdfReader(io.BytesIO(bag_labels(bags, base_url=BASE, size="strip")))
    sheet = PdfReader(io.BytesIO(bag_labels(bags, base_url=BASE)))

    assert (len(strip.pages), len(sheet.pages)) == (15, 2)
    assert float(strip.pages[0].mediabox.width) == pytest.approx(102 / 25.4 * 72, abs=0.1)
    assert float(sheet.pages[0].mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=0.1)


def test_travel_and_empty_bags_and_bags_without_a_plan_say_so():
    bags = [label(purpose="travel", planned_days=0, due_on=date(2026, 4, 7))]
    bags += [label(purpose="empty", planned_days=None, due_on=None)]

    (page,) = pages_of(bag_labels(bags, base_url=BASE))

    assert "TRAVEL BAG: bury and lift on day 0" in page
    assert "EMPTY BAG" in page
    assert "no day planned" in page


def test_the_longest_codes_stay_within_their_label():
    longest = label(
        bag_label="A" * 40, site="S" * 40, pile="P" * 40, material="M_" * 20, trial="T" * 40,
        purpose="travel",
    )  # fmt: skip

    pdf = bag_labels([longest], base_url=BASE, size="strip")
    pixels = np.array(Image.open(io.BytesIO(picture_of([longest], size="strip"))).convert("L"))

    assert len(pages_of(pdf)) == 1
    # White all around: nothing runs over the edge.
    assert min(pixels[:4].min(), pixels[-4:].min(), pixels[:, -4:].min()) == 255
    assert pixels.min() == 0


@given(st.from_regex(CODE_PATTERN, fullmatch=True))
def test_a_code_is_broken_without_losing_a_letter(code):
    broken = lines(code)

    assert "".join(broken) == code
    assert max(len(line) for line in broken) <= LONGEST_LINE


def test_what_people_wrote_is_text_and_never_markup():
    (page,) = pages_of(bag_labels([label(material=MARKUP, site=MARKUP)], base_url=BASE))

    for piece in ('#panic("no")', "*bold*", "$x^2$", "<label>", "@ref", "`raw`"):
        assert piece in page


@settings(max_examples=25, deadline=None)
@given(st.text(min_size=1, max_size=60))
def test_any_text_makes_a_label(text):
    assert bag_labels([label(bag_label="B-1", material=text, pile=text)], base_url=BASE)[:4] == (
        b"%PDF"
    )


def test_the_same_labels_are_the_same_bytes():
    bags = [label(bag_label=f"B-{n}") for n in range(3)]

    assert bag_labels(bags, base_url=BASE) == bag_labels(bags, base_url=BASE)


def test_labels_are_tagged_with_words_for_the_code():
    reader = PdfReader(io.BytesIO(bag_labels([label()], base_url=BASE)))

    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader.trailer["/Root"]["/Lang"].startswith("en")
    assert b"pdfuaid" in reader.trailer["/Root"]["/Metadata"].get_data()
    alternatives = [
        reader.get_object(n + 1).get("/Alt")
        for n in range(len(reader.xref_objStm) + sum(map(len, reader.xref.values())))
        if isinstance(reader.get_object(n + 1), dict)
    ]
    assert "QR code of the form for bag N1-COIR-28-3" in alternatives
