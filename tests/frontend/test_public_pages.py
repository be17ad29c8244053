"""Public pages: what they say, to whom, and in how many queries."""

import pytest
from django.urls import reverse

from registry.models import Material, Release, Trial
from registry.services.figures import draw_run
from tests.frontend.small_trial import small_trial

pytestmark = pytest.mark.django_db


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


def test_a_grower_finds_a_material_and_reads_its_rating(client, pots):
    page = text_of(client.get(reverse("frontend:materials"), {"q": "moulded fibre"}))

    assert "Moulded fibre pot, 8 cm" in page
    assert "Cellulose film" not in page
    assert "Still in pieces" in page


def test_a_search_looks_into_the_composition(client, pots):
    page = text_of(client.get(reverse("frontend:materials"), {"q": "cellulose clip"}))

    assert "Plant clip of polyester" in page


def test_materials_are_filtered_by_form_role_heat_and_wait(client, pots):
    url = reverse("frontend:materials")

    assert "1 material<" in text_of(client.get(url, {"form": "film"}))
    assert "2 materials" in text_of(client.get(url, {"role": "test"}))
    assert "1 material<" in text_of(client.get(url, {"wait": "180", "form": "film"}))
    assert "0 materials" in text_of(client.get(url, {"wait": "84", "form": "clip"}))
    cool = text_of(client.get(url, {"heat": "cool"}))
    assert cool.count("In cool piles, too few sites have looked so far.") == 3
    assert "says nothing against them" in cool


def test_an_unknown_filter_is_ignored_rather_than_an_error(client, pots):
    response = client.get(reverse("frontend:materials"), {"form": "spaceship", "wait": "x"})

    assert response.status_code == 200
    assert "3 materials" in text_of(response)


def test_one_material_has_sentence_picture_evidence_cautions_and_data(client, pots):
    page = text_of(client.get(reverse("frontend:material", args=["POTS-26-M1"])))

    said = "In about 2 of 10 piles like these, it is gone within 12 weeks; in about 8 of 10, within"
    assert said in page
    assert "Cut it up small first." in page
    assert "Fair confidence: 4 sites, 8 piles, 32 bags." in page
    assert "The last look was after 12 weeks." in page
    assert page.count('class="chart-drawing"') == 2
    assert "4 sites, 8 piles, 32 bags" in page
    assert "It is not a certificate." in page
    assert "polyester, one side" in page
    assert reverse("api:package", args=[pots.release.pk]) in page


def test_an_item_to_keep_out_of_the_pile_has_no_steps_for_putting_it_in(client, pots):
    page = text_of(client.get(reverse("frontend:material", args=["POTS-26-M2"])))

    assert "Keep it out of the pile" in page
    assert "Bury it in the middle" not in page
    assert "Read the safety page" in page


def test_a_table_can_be_asked_for_from_the_page_of_a_trial(client, pots):
    page = text_of(client.get(reverse("frontend:trial", args=["POTS-26"])))
    address = reverse("api:trial-export", args=["POTS-26"])

    assert f'<form class="filters" method="get" action="{address}">' in page
    for table in ("materials", "retrievals", "temperatures"):
        assert f'<option value="{table}">' in page
    assert client.get(address, {"table": "materials", "format": "csv"}).status_code == 200


def test_a_material_without_a_release_says_that_it_has_no_evidence(client, db):
    small_trial(released=False)

    page = text_of(client.get(reverse("frontend:material", args=["POTS-26-M1"])))

    assert "Not enough evidence yet" in page
    assert "chart-drawing" not in page


def test_an_embargoed_release_is_not_public(client, pots):
    Trial.objects.update(embargo_until="2999-01-01")

    assert "Not enough evidence yet" in text_of(
        client.get(reverse("frontend:material", args=["POTS-26-M1"]))
    )
    assert client.get(reverse("frontend:release", args=[pots.release.pk])).status_code == 404
    assert client.get(reverse("frontend:pooled", args=["POTS-26"])).status_code == 404


def test_a_draft_trial_and_its_materials_do_not_exist_for_the_public(client, db):
    small_trial(released=False)
    Trial.objects.update(state="draft")

    assert client.get(reverse("frontend:trial", args=["POTS-26"])).status_code == 404
    assert client.get(reverse("frontend:material", args=["POTS-26-M1"])).status_code == 404


def test_the_newest_release_of_a_trial_is_the_one_that_is_read(client, pots):
    newer = Release.objects.get(pk=pots.release.pk)
    ratings = list(newer.ratings.all())
    newer.pk, newer.version, newer.package_name = None, 2, "v2.zip"
    newer.save()
    for rating in ratings:
        rating.pk, rating.release, rating.chance_84 = None, newer, 0.9
        rating.save()

    page = text_of(client.get(reverse("frontend:material", args=["POTS-26-M1"])))

    assert "In about 9 of 10 piles like these, it is gone within 12 weeks." in page
    assert "version 2" in page
    assert "In about 2 of 10 piles" not in page


def test_a_page_kept_for_anyone_follows_a_new_release(client, pots):
    before = client.get(reverse("frontend:materials"))
    small_trial("FILMS-26")

    after = client.get(reverse("frontend:materials"))

    assert "3 materials" in text_of(before)
    assert "6 materials" in text_of(after)


def test_a_kept_page_costs_one_query(client, pots, django_assert_num_queries):
    url = reverse("frontend:materials")
    first = client.get(url)

    with django_assert_num_queries(1):
        again = client.get(url)

    assert again.content == first.content
    assert "Cookie" in again["Vary"]


@pytest.mark.parametrize("name", ["home", "materials", "trials", "releases"])
def test_a_list_takes_the_same_queries_for_one_trial_and_for_many(client, db, name, count_queries):
    small_trial("ONE-26", n_sites=2, n_materials=1)
    few = count_queries(client, reverse(f"frontend:{name}"))
    for i in range(3):
        small_trial(f"MORE-{i}", n_sites=3, n_materials=6)

    assert count_queries(client, reverse(f"frontend:{name}")) == few


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("trial", "code"),
        ("pooled", "code"),
        ("release", "release"),
        ("material", "material"),
        ("pooled-material", "both"),
    ],
)
def test_a_single_page_takes_the_same_queries_for_a_small_and_a_large_trial(
    client, db, name, key, count_queries
):
    counts = []
    for code, sites, materials in (("SMALL-26", 2, 2), ("LARGE-26", 6, 9)):
        made = small_trial(code, n_sites=sites, n_materials=materials)
        draw_run(made.run.pk)
        keys = {
            "code": [code],
            "release": [made.release.pk],
            "material": [f"{code}-M1"],
            "both": [code, f"{code}-M1"],
        }
        counts.append(count_queries(client, reverse(f"frontend:{name}", args=keys[key])))

    assert counts[0] == counts[1]
    assert counts[0] <= 22


def test_names_from_outside_are_escaped(client, pots):
    Material.objects.filter(code="POTS-26-M1").update(name="<script>alert(1)</script>")

    for url in (
        reverse("frontend:materials"),
        reverse("frontend:material", args=["POTS-26-M1"]),
        reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]),
    ):
        assert "<script>alert" not in client.get(url).content.decode()


def test_a_missing_page_helps_on(client, pots):
    response = client.get("/materials/NO-SUCH/")

    assert response.status_code == 404
    assert "Find a material" in text_of(response)


@pytest.mark.parametrize("name", ["methods", "glossary", "safety", "login"])
def test_plain_pages_stand_by_themselves(client, db, name):
    assert client.get(reverse(f"frontend:{name}")).status_code == 200


def test_every_page_has_a_strict_policy_and_nothing_inline(client, pots):
    for url in (
        reverse("frontend:home"),
        reverse("frontend:material", args=["POTS-26-M1"]),
        reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]),
    ):
        response = client.get(url)
        page = response.content.decode()
        assert "unsafe-inline" not in response["Content-Security-Policy"]
        assert " style=" not in page
        assert "<style" not in page
        assert " onclick=" not in page


def test_the_header_says_where_the_reader_is(client, pots):
    listed = client.get(reverse("frontend:materials")).content.decode()
    single = client.get(reverse("frontend:material", args=["POTS-26-M1"])).content.decode()

    assert '<a href="/materials/" aria-current="page">Materials</a>' in listed
    assert '<a href="/materials/" aria-current="true">Materials</a>' in single
    assert listed.count("aria-current") == 1
