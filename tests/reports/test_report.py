"""The printed report: everything a committee asks for, read back from the PDF."""

import io
import re
from dataclasses import asdict, replace

import pytest
from pypdf import PdfReader

from registry.packages.build import build_package, complete_tables
from registry.packages.looks import comparison_settings, looks_of, pooling_settings
from registry.reports.facts import ReportFacts, facts_of_release
from registry.reports.figures import for_paper
from registry.reports.numbers import between, sig
from registry.reports.report import report_blocks, report_pdf
from registry.science.pooling import pool_trial
from tests.packages.small_trial import EXCLUDED, LOST, META, small_trial
from tests.paper.reading import pages_of

SECTIONS = (
    *("Results in short", "Protocol", "Sites", "Materials", "Piles", "Heat of each pile"),
    *("Controls and gates", "Deviations from the plan", "Late and early", "Lost and damaged"),
    *("Excluded", "Findings of the quality rules", "Corrections", "Results of each material"),
    *("Comparison on day 84", "Models in words", "Limits", "Cautions", "Who decides", "Check it"),
)


@pytest.fixture(scope="module")
def raw():
    tables = small_trial()
    tables["trials"]["reference_material"] = "COIR-POT"
    return tables


@pytest.fixture(scope="module")
def report(raw):
    tables = complete_tables(raw, [])
    primary_day, schedule = pooling_settings(tables)
    window_days, reference = comparison_settings(tables)
    pooled = pool_trial(
        looks_of(tables),
        primary_day=primary_day,
        schedule_days=schedule,
        window_days=window_days,
        reference_material=reference,
    )
    return ReportFacts(
        trial="POTS-2026",
        title="Pots in working piles",
        standing="Release, version 1",
        dated="2026-09-01",
        licence="Creative Commons Attribution 4.0 International",
        model_version="test-1",
        software_version="0.1.0",
        input_digest="a" * 64,
        address="https://coheap.example/trials/POTS-2026/releases/1/",
        contributors=("Eastmoor Growers' College",),
        tables=tables,
        estimates=[asdict(found) for found in pooled],
    )


@pytest.fixture(scope="module")
def pdf(report):
    return report_pdf(report)


@pytest.fixture(scope="module")
def words(pdf):
    """All of it; a word parted at the end of a line is one word."""
    text = " ".join(pages_of(pdf)).replace("\u200b", "").replace("\u00a0", " ")
    return re.sub(r"(\w)[-\u00ad] (\w)", r"\1\2", text)


def rows_under(report, caption):
    return next(b["rows"] for b in report_blocks(report) if caption in b.get("caption", ""))


def test_every_section_of_a_report_is_there_in_order(words):
    places = [re.search(rf"\d {re.escape(title)}", words) for title in SECTIONS]

    assert all(places), [t for t, p in zip(SECTIONS, places, strict=True) if not p]
    starts = [place.start() for place in places]
    assert starts == sorted(starts)


def test_it_certifies_nothing_and_says_so_on_every_page(pdf, words):
    pages = pages_of(pdf)

    assert all("Coheap records and estimates. It does not certify." in page for page in pages)
    assert "They do not show biodegradation" in words
    assert "accredited laboratory" in words
    assert f"page 1 of {len(pages)}" in pages[0]


def test_cautions_name_heat_spores_and_turners(words):
    for word in ("scalds", "fire service", "respirator", "working turner", "food crops"):
        assert word in words


def test_version_and_digest_stand_in_the_report(words):
    for said in ("Model version", "test-1", "a" * 64, "0.1.0", "Release, version 1, 2026-09-01"):
        assert said in words.replace("a a", "aa")


def test_what_was_lost_and_excluded_is_listed_with_its_reason(raw, report, words):
    labels = raw["retrievals"]["bag_label"]

    (excluded,) = rows_under(report, "Looks left out of pooling")
    assert excluded[0] == labels[EXCLUDED]
    assert excluded[-1] == "above_105_pct: soil on the residue"
    lost = {row[0]: row[2:4] for row in rows_under(report, "Missing bags of each material")}
    assert lost == {"COIR-POT": ["1", "1"]}
    assert str(labels[LOST])
    assert "missing, never zero" in words


def test_late_and_early_bags_are_counted_by_pile_and_day(raw, report):
    looks = raw["retrievals"].copy()
    moved = looks["bag_label"].str.startswith("WEST-P2-WOOL-MAT-28-")
    looks.loc[moved, "retrieved_on"] = [
        day.replace(day=day.day + 6) for day in looks.loc[moved, "retrieved_on"]
    ]
    tables = complete_tables(raw | {"retrievals": looks}, [])

    rows = rows_under(replace(report, tables=tables), "Bags lifted outside the window")

    assert rows == [["WEST\u00a0P2", "28", "3", "+6"]]
    by_site = rows_under(replace(report, tables=tables), "Bags of each site")
    assert {row[0]: row[8] for row in by_site} == {
        "EAST": "0",
        "NORTH": "0",
        "WEST": "3",
        "All": "3",
    }


def test_numbers_are_those_of_the_estimates(report, words):
    days = next(
        r
        for r in report.estimates
        if (r["material"], r["outcome"], r["model"], r["heat_class"])
        == ("WOOL-MAT", "days_to_90", "one_stage", "all")
    )

    assert f"90 % is gone after {sig(days['estimate'])} days" in words
    assert f"95 % interval {between(days['ci_low'], days['ci_high'])}" in words
    (row,) = (r for r in rows_under(report, "Primary answers") if "(WOOL-MAT)" in r[0])
    assert row[3] == between(days["pi_low"], days["pi_high"])


def test_the_comparison_names_the_reference_and_its_difference(report):
    caption = next(
        b["caption"] for b in report_blocks(report) if "Kenward–Roger" in b.get("caption", "")
    )
    rows = {row[0]: row for row in rows_under(report, "Kenward–Roger")}
    found = next(r for r in report.estimates if r["against_reference"])

    assert "Reference: COIR-POT" in caption
    assert rows["WOOL-MAT"][4] == sig(found["against_reference"]["difference"])
    assert rows["COIR-POT"][4] == "–"


def test_figures_are_described_for_those_who_cannot_see_them(pdf, report):
    reader = PdfReader(io.BytesIO(pdf))
    drawn = [d for b in report_blocks(report) if b["kind"] == "figures" for d in b["figures"]]

    assert len(drawn) == 4
    assert any("Pooled mean" in one["alt"] for one in drawn)
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert b"pdfuaid" in reader.trailer["/Root"]["/Metadata"].get_data()
    assert reader.metadata.title == "Pots in working piles: report"
    assert float(reader.pages[0].mediabox.width) == pytest.approx(595.28, abs=0.1)


def test_the_same_facts_are_the_same_bytes(report, pdf):
    assert report_pdf(report) == pdf


def test_a_release_read_from_its_package_gives_its_report(raw, report, tmp_path):
    build_package(raw, report.estimates, META, tmp_path / "p.zip")

    facts = facts_of_release(tmp_path / "p.zip")

    assert facts.standing == "Release, version 1"
    assert facts.contributors[0] == "Eastmoor Growers' College"
    same = replace(facts, **{n: getattr(report, n) for n in ("contributors", "address", "dated")})
    assert report_blocks(same)[1] == report_blocks(report)[1]
    assert rows_under(facts, "Heat as logged") == rows_under(report, "Heat as logged")


def test_what_people_wrote_is_text(report):
    odd = '#panic("x") *b* $ <a> @r `c` \\ 日本'
    tables = dict(report.tables)
    tables["sites"] = tables["sites"].assign(name=odd)
    tables["materials"] = tables["materials"].assign(name=odd, coating=odd)

    words = " ".join(pages_of(report_pdf(replace(report, title=odd, tables=tables))))

    assert '#panic("x") *b* $ <a> @r `c`' in words


def test_a_trial_without_estimates_or_temperatures_still_prints(raw):
    empty = raw | {"temperatures": raw["temperatures"].iloc[:0], "flags": raw["flags"].iloc[:0]}
    tables = complete_tables(empty, [])
    facts = ReportFacts(
        *("T-1", "Pots", "Run 1", "2026-01-01", "CC", "1", "1", "d", ""), (), tables, []
    )

    words = " ".join(pages_of(report_pdf(facts)))

    assert "The materials could not be compared on one day." in words
    assert "no log" in words


def test_colours_of_a_page_become_those_of_paper():
    themed = '<svg><rect fill="var(--ink, #2b261f)" font-family="sans-serif"/></svg>'

    assert for_paper(themed) == '<svg><rect fill="#2b261f" font-family="Libertinus Serif"/></svg>'
