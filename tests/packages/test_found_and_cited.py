"""A release that can be found, cited, resumed and warned of, over HTTP and on its page."""

import hashlib
import json
import re
import zipfile
from datetime import timedelta
from xml.etree import ElementTree

import pytest
import yaml
from django.core.management import call_command
from django.test import Client, override_settings
from django.utils import timezone

from registry.errors import InvalidValue, NotAllowed, PackageUnreadable
from registry.models import Release, SiteMembership, User
from registry.permissions import ANYONE
from registry.services import access
from registry.services.orcid import canonical_orcid, check_digit, give_orcid
from registry.services.pooling import execute_run, open_run
from registry.services.releases import freeze_release, post_notice
from tests.packages.stored_trial import stored_trial

pytestmark = pytest.mark.django_db
PLACE = "/api/v1/trials/POTS-2026/releases/1/"
PAGE = "/trials/POTS-2026/releases/1/"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("releases")


@pytest.fixture(scope="module")
def _released_once(folder, django_db_setup, django_db_blocker):
    """Version 1 of the small trial, with its coordinator named by ORCID; pooled once for all."""
    # Committed, since a test's own transaction ends with the test; emptied at the end.
    with django_db_blocker.unblock(), override_settings(RELEASES_DIR=folder):
        trial, coordinator = stored_trial()
        coordinator.user.name = "Ada Grey"
        coordinator.user.save()
        give_orcid(user=coordinator.user, orcid="0000-0002-1825-0097", by=coordinator)
        run, _ = open_run(trial=trial, by=coordinator)
        assert execute_run(run.pk)
        release = freeze_release(trial=trial, by=coordinator, notes="First looks.")
        yield release.pk, coordinator
        call_command("flush", interactive=False, verbosity=0)


@pytest.fixture
def released(_released_once, db, settings, folder):
    """The release and its coordinator; what a test changes is undone after it."""
    settings.RELEASES_DIR = folder
    number, coordinator = _released_once
    return Release.objects.select_related("trial").get(pk=number), coordinator


def get(path, **headers):
    """The answer, with its whole body as `body`."""
    answer = Client().get(path, headers={k.replace("_", "-"): v for k, v in headers.items()})
    answer.body = answer.getvalue() if answer.streaming else answer.content
    return answer


def content(answer):
    return answer.body


def test_a_package_is_downloaded_whole_with_its_checksum_and_links(released, folder):
    release, _ = released

    answer = get(PLACE + "package/")

    whole = content(answer)
    assert hashlib.sha256(whole).hexdigest() == release.package_sha256
    assert answer["Content-Type"] == "application/zip"
    assert answer["Accept-Ranges"] == "bytes"
    assert answer["ETag"] == f'"{release.package_sha256}"'
    for relation in ("cite-as", "describedby", "license", "item"):
        assert f'rel="{relation}"' in answer["Link"]


def test_a_broken_download_goes_on_where_it_stopped(released):
    whole = content(get(PLACE + "package/"))
    etag = get(PLACE + "package/")["ETag"]

    rest = get(PLACE + "package/", Range="bytes=1000-", If_Range=etag)

    assert rest.status_code == 206
    assert rest["Content-Range"] == f"bytes 1000-{len(whole) - 1}/{len(whole)}"
    assert whole[:1000] + content(rest) == whole


@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [
        ("bytes=0-0", 0, 0),
        ("bytes=10-19", 10, 19),
        ("bytes=-5", -5, None),
        ("bytes=5-99999999", 5, None),
    ],
)
def test_parts_are_exactly_the_bytes_asked_for(released, asked, first, last):
    whole = content(get(PLACE + "package/"))

    part = get(PLACE + "package/", Range=asked)

    wanted = whole[first:] if last is None else whole[first : last + 1]
    assert part.status_code == 206
    assert content(part) == wanted
    assert part["Content-Length"] == str(len(wanted))


def test_a_range_beyond_the_end_is_416_and_another_versions_part_is_the_whole(released):
    release, _ = released

    beyond = get(PLACE + "package/", Range="bytes=99999999-")
    other = get(PLACE + "package/", Range="bytes=10-19", If_Range='"another"')
    several = get(PLACE + "package/", Range="bytes=0-1,5-6")
    known = get(PLACE + "package/", If_None_Match=f'"{release.package_sha256}"')

    assert beyond.status_code == 416
    assert beyond["Content-Range"] == f"bytes */{release.package_bytes}"
    assert (other.status_code, several.status_code) == (200, 200)
    assert known.status_code == 304


def test_the_datacite_record_has_what_the_schema_requires(released):
    record = get(PLACE + "datacite/").json()

    # Required and closed vocabularies of the DataCite Metadata Schema 4.5, JSON form, as read in
    # the schema file datacite-v4.5.json of the `datacite` Python package.
    for name in ("creators", "titles", "publisher", "publicationYear", "types", "schemaVersion"):
        assert record[name]
    assert record["schemaVersion"] == "http://datacite.org/schema/kernel-4"
    assert record["types"]["resourceTypeGeneral"] == "Dataset"
    assert re.fullmatch(r"[0-9]{4}", record["publicationYear"])
    assert record["publisher"]["name"]
    assert all(title["title"] for title in record["titles"])
    assert {creator["nameType"] for creator in record["creators"]} == {"Organizational", "Personal"}
    assert {date["dateType"] for date in record["dates"]} <= {"Issued", "Created"}
    assert record["descriptions"][0]["descriptionType"] == "Abstract"
    # The schema allows no property of its own at the top beyond these.
    assert record.keys() <= DATACITE_PROPERTIES


DATACITE_PROPERTIES = {
    *("doi", "types", "creators", "titles", "publisher", "publicationYear", "subjects"),
    *("contributors", "dates", "language", "alternateIdentifiers", "relatedIdentifiers"),
    *("relatedItems", "sizes", "formats", "version", "rightsList", "descriptions"),
    *("geoLocations", "fundingReferences", "schemaVersion", "container", "identifiers"),
}


def test_a_person_who_gave_an_orcid_is_named_and_nobody_else(released):
    release, _ = released
    silent = User.objects.create_user("silent@example.org", "x", name="Not Named")
    SiteMembership.objects.create(user=silent, site=release.trial.sites.first())

    record = get(PLACE + "datacite/").json()

    (person,) = [item for item in record["creators"] if item["nameType"] == "Personal"]
    assert person["name"] == "Grey, Ada"
    assert person["nameIdentifiers"][0]["nameIdentifier"] == "https://orcid.org/0000-0002-1825-0097"
    assert "Not Named" not in json.dumps(record)
    assert "@example.org" not in json.dumps(record)


def test_the_citation_file_is_yaml_with_what_the_format_requires(released, folder):
    release, _ = released
    with zipfile.ZipFile(folder / release.package_name) as package:
        cited = yaml.safe_load(package.read("CITATION.cff"))

    # Required by the Citation File Format 1.2.0: these four; authors are persons or entities.
    assert cited["cff-version"] == "1.2.0"
    assert cited["message"]
    assert cited["title"]
    assert {"name": "Eastmoor", "country": "NL"} in cited["authors"]
    person = cited["authors"][-1]
    assert (person["given-names"], person["family-names"]) == ("Ada", "Grey")
    assert cited["type"] == "dataset"


def test_the_page_carries_the_dataset_in_schema_orgs_words_and_the_same_links(released):
    page = get(PAGE)

    text = page.content.decode()
    (script,) = re.findall(r'<script type="application/ld\+json">(.*?)</script>', text, re.S)
    described = json.loads(script)
    # What dataset search needs: name, and a description of 50 to 5000 characters.
    assert described["@type"] == "Dataset"
    assert 50 <= len(described["description"]) <= 5000
    assert described["license"] == "https://creativecommons.org/licenses/by/4.0/"
    assert described["distribution"][0]["contentUrl"].endswith(PLACE + "package/")
    assert described == get(PLACE + "dataset/").json()
    assert page["Link"] == get(PLACE + "package/")["Link"]
    assert '<link rel="cite-as"' in text


def test_the_page_by_number_is_the_page_by_trial_and_version(released):
    release, _ = released

    assert get(f"/releases/{release.pk}/").status_code == 200
    canonical = re.search(r'rel="canonical" href="([^"]+)"', get(PAGE).content.decode())
    assert canonical[1].endswith(PAGE)


def test_a_notice_is_shown_wherever_the_release_is_and_leaves_its_bytes_alone(released):
    release, coordinator = released
    before = content(get(PLACE + "package/"))

    post_notice(release=release, message="Balance 2 read 1 g too much.", by=coordinator)

    assert content(get(PLACE + "package/")) == before
    assert get(PLACE).json()["notices"][0]["message"] == "Balance 2 read 1 g too much."
    assert "Balance 2 read 1 g too much." in get(PAGE).content.decode()


def test_a_notice_is_for_the_coordinator_and_says_something(released):
    release, coordinator = released
    _, token = access.issue_coordinator_token(user=coordinator.user, name="script")
    body = {"data": json.dumps({"message": "x"}), "content_type": "application/json"}

    assert Client().post(PLACE + "notices/", **body).status_code == 401
    bearer = {"Authorization": f"Bearer {token}"}
    assert Client().post(PLACE + "notices/", headers=bearer, **body).status_code == 201
    with pytest.raises(NotAllowed):
        post_notice(release=release, message="x", by=ANYONE)
    with pytest.raises(InvalidValue):
        post_notice(release=release, message="  ", by=coordinator)


def test_an_old_release_says_that_it_is_superseded(released):
    release, coordinator = released
    freeze_release(trial=release.trial, by=coordinator, notes="A word more.")

    assert get(PLACE).json()["superseded_by"] == 2
    assert get(PLACE.replace("/1/", "/2/")).json()["superseded_by"] is None
    assert "There is a newer release of this trial: version 2." in get(PAGE).content.decode()
    changes = get(PLACE.replace("releases/1", "releases/2") + "changes/").json()
    assert changes["previous_version"] == 1
    assert changes["estimates"]["moved"] == []
    record = get(PLACE.replace("releases/1", "releases/2") + "datacite/").json()
    assert record["relatedIdentifiers"][0]["relatedIdentifier"].endswith(PAGE)


def test_harvesters_find_every_public_release_in_the_listing_and_the_sitemap(released):
    listed = get("/api/v1/datacite/").json()
    sitemap = ElementTree.fromstring(get("/sitemap.xml").content)

    assert [record["version"] for record in listed["results"]] == ["1"]
    places = [entry.text for entry in sitemap.iter() if entry.tag.endswith("loc")]
    assert any(place.endswith(PAGE) for place in places)
    assert any(place.endswith("/materials/COIR-POT/") for place in places)
    assert "/sitemap.xml" in get("/robots.txt").content.decode()


@pytest.mark.parametrize(
    "path",
    [PLACE, PAGE, *(PLACE + word + "/" for word in ("package", "datacite", "dataset", "changes"))],
)
def test_an_embargoed_release_does_not_exist_for_anyone(released, path):
    release, _ = released
    assert get(path).status_code == 200
    release.trial.embargo_until = timezone.localdate() + timedelta(days=1)
    release.trial.save()

    assert get(path).status_code == 404


def test_an_embargoed_release_is_in_no_listing(released):
    release, _ = released
    release.trial.embargo_until = timezone.localdate() + timedelta(days=1)
    release.trial.save()

    for path in ("/api/v1/datacite/", "/api/v1/releases/", "/api/v1/ratings/"):
        assert get(path).json()["results"] == []
    assert PAGE not in get("/sitemap.xml").content.decode()
    assert "POTS-2026, version 1" not in get("/releases/").content.decode()


def test_a_package_that_is_gone_from_the_server_is_a_404_not_a_500(released, folder):
    release, _ = released
    (folder / release.package_name).rename(folder / "elsewhere.zip")

    answers = [get(path).status_code for path in (PLACE + "package/", PLACE + "datacite/", PAGE)]

    (folder / "elsewhere.zip").rename(folder / release.package_name)
    assert answers == [404, 404, 200]


@pytest.mark.parametrize("damage", ["cut short", "not a zip", "another byte"])
def test_a_damaged_package_is_a_503_that_says_what_to_do(released, folder, damage):
    release, coordinator = released
    path = folder / release.package_name
    whole = path.read_bytes()
    middle = len(whole) // 2
    damaged = {
        "cut short": whole[:middle],
        "not a zip": b"x" * len(whole),
        "another byte": bytes(byte ^ 0xFF for byte in whole[:-2000]) + whole[-2000:],
    }
    path.write_bytes(damaged[damage])
    try:
        answers = [get(PLACE + "datacite/"), get("/api/v1/datacite/"), get(PLACE + "package/")]
        page = get(PAGE)
        with pytest.raises(PackageUnreadable):
            freeze_release(trial=release.trial, by=coordinator, notes="Next.")
    finally:
        path.write_bytes(whole)

    # The download of a file of the right size is not read through: its checksum stands beside it.
    told = answers if damage == "cut short" else answers[:2]
    for answer in told:
        assert (answer.status_code, answer.json()["code"]) == (503, "package_unreadable")
        assert "operator" in answer.json()["detail"]
        assert int(answer["Retry-After"]) > 0
    assert page.status_code == 200


@pytest.mark.parametrize(
    "text",
    [
        "0000-0002-1825-0097",
        "https://orcid.org/0000-0002-1825-0097",
        "000000021825009 7".replace(" ", ""),
        " http://orcid.org/0000-0002-1825-0097/ ",
    ],
)
def test_an_orcid_is_kept_in_one_form(text):
    # The example of ORCID's own documentation, from memory.
    assert canonical_orcid(text) == "https://orcid.org/0000-0002-1825-0097"


@pytest.mark.parametrize(
    "text", ["0000-0002-1825-0098", "0000-0002-1825-009", "ada", "0000-0002-1825-009X"]
)
def test_an_orcid_with_a_wrong_check_digit_is_refused(text):
    with pytest.raises(InvalidValue):
        canonical_orcid(text)


def test_the_check_digit_may_be_an_x():
    # 0000-0002-1694-233X, in ORCID's documentation, from memory.
    assert check_digit("000000021694233") == "X"
