"""Log-in, uploads with their faults, bags due, tokens."""

import pytest
import time_machine
from django.urls import reverse

from registry.intake import bodies
from registry.models import (
    AccessToken,
    Retrieval,
    SiteMembership,
    Trial,
    Upload,
    UploadFault,
    User,
)
from tests.frontend.small_trial import PASSWORD, log_in

pytestmark = pytest.mark.django_db


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


@pytest.fixture
def technician(client, pots):
    user = User.objects.create_user("lab@example.org", PASSWORD)
    SiteMembership.objects.create(user=user, site=pots.sites[0])
    log_in(client, user)
    return client


def upload_of(site, **values) -> Upload:
    return Upload.objects.create(
        **{
            "kind": "retrievals",
            "state": "rejected",
            "sha256": "b" * 64,
            "content_type": "text/csv",
            "size_bytes": 2048,
            "file_name": "week 4.csv",
            "rows": 40,
            "error_total": 2,
            "site": site,
            **values,
        }
    )


def test_a_refused_upload_shows_its_faults_on_their_rows(technician, pots):
    # Blank lines hold no row, and the note of the second row runs over two lines.
    body = (
        b'trial,bag_label,retrieved_on,outcome,notes\n\nT,A1,x,y,\n\n\nT,A2,x,y,"a\nb"\nT,A3,x,y,\n'
    )
    upload = upload_of(pots.sites[0], sha256=bodies.keep(body))
    UploadFault.objects.create(
        upload=upload,
        row=3,
        field="dry_mass_g",
        code="not_a_number",
        value="4,9",
        message="Write 4.9.",
    )
    UploadFault.objects.create(
        upload=upload, code="unknown_column", message="Column ph is unknown."
    )

    page = text_of(technician.get(reverse("frontend:upload", args=[upload.pk])))

    assert '<th scope="row" class="number">3</th><td class="number">8</td>' in page
    assert "4,9" in page
    assert "whole file" in page
    assert "Nothing of this file was stored." in page


def test_a_refused_file_can_be_downloaded_with_its_faults(technician, pots):
    by_row, as_a_whole = upload_of(pots.sites[0]), upload_of(pots.sites[0])
    UploadFault.objects.create(upload=by_row, row=3, code="not_a_number", message="Write 4.9.")
    UploadFault.objects.create(upload=as_a_whole, code="unknown_column", message="ph is unknown.")

    pages = [
        text_of(technician.get(reverse("frontend:upload", args=[upload.pk])))
        for upload in (by_row, as_a_whole)
    ]

    link = (
        f'<a href="/api/v1/uploads/{by_row.pk}/annotated/">Download your file with its faults</a>'
    )
    assert link in pages[0]
    assert "Download your file" not in pages[1], "no row to write the fault beside"


def test_a_stored_upload_says_whether_its_rows_are_reviewed(technician, pots):
    stored = {"state": "stored", "rows": 0, "error_total": 0}
    pile = pots.sites[0].piles.first().pk
    waiting = upload_of(pots.sites[0], **stored, review="waiting", review_piles=[pile])
    done = upload_of(pots.sites[0], **stored, review="done")

    pages = [
        text_of(technician.get(reverse("frontend:upload", args=[upload.pk])))
        for upload in (waiting, done)
    ]

    assert "Waiting: a large file is reviewed in the background" in pages[0]
    assert "Done: findings are flags" in pages[1]


def test_another_sites_upload_does_not_exist(technician, pots):
    mine, theirs = upload_of(pots.sites[0]), upload_of(pots.sites[1], file_name="theirs.csv")

    page = text_of(technician.get(reverse("frontend:uploads")))

    assert mine.file_name in page
    assert "theirs.csv" not in page
    assert technician.get(reverse("frontend:upload", args=[theirs.pk])).status_code == 404


def test_the_list_of_uploads_takes_the_same_queries_for_one_and_for_many(
    technician, pots, count_queries
):
    upload_of(pots.sites[0])
    few = count_queries(technician, reverse("frontend:uploads"))
    for _ in range(30):
        upload_of(pots.sites[0])

    assert count_queries(technician, reverse("frontend:uploads")) == few


@time_machine.travel("2026-05-25 09:00:00+00:00", tick=False)
def test_bags_due_are_those_still_buried_at_my_site(technician, pots, count_queries):
    url = reverse("frontend:bags")
    assert "No bag is due this week." in text_of(technician.get(url))

    # Day 84 of the trial is 25 May 2026.
    looks = Retrieval.objects.filter(bag__planned_days__in=[56, 84])
    _forget(looks)
    page = text_of(technician.get(url))

    assert "28 days over" in page
    assert "25 May 2026 (today)" in page
    assert "Low Meadow yard" in page
    assert "Harbour school garden" not in page


def _forget(looks) -> None:
    for look in looks:
        look.flags.all().delete()
    looks.delete()


def test_a_closed_trial_has_no_bags_due(technician, pots):
    _forget(Retrieval.objects.all())
    Trial.objects.update(state="closed")

    assert "No bag is due this week." in text_of(technician.get(reverse("frontend:bags")))


@pytest.mark.parametrize("name", ["uploads", "bags", "tokens"])
def test_a_labs_pages_ask_for_a_log_in(client, db, name):
    response = client.get(reverse(f"frontend:{name}"))

    assert response.status_code == 302
    assert response["Location"].startswith(reverse("frontend:login"))


def test_a_token_is_shown_once_and_only_its_hash_is_kept(technician, pots):
    url = reverse("frontend:tokens")

    page = technician.post(
        url, {"owner": pots.sites[0].code, "name": "balance room", "days": 30}
    ).content.decode()
    secret = page.split('<pre tabindex="0"><code>')[1].split("<")[0]

    token = AccessToken.objects.get()
    assert token.digest == AccessToken.digest_of(secret)
    assert token.site == pots.sites[0]
    again = technician.get(url)
    assert secret not in again.content.decode()
    assert "no-store" in again["Cache-Control"]


def test_a_new_token_comes_with_a_line_to_paste(technician, pots, settings):
    page = technician.post(
        reverse("frontend:tokens"), {"owner": pots.sites[0].code, "name": "oven", "days": 30}
    ).content.decode()

    secret = page.split("export COHEAP_TOKEN=")[1].split()[0]
    assert AccessToken.objects.get().digest == AccessToken.digest_of(secret)
    assert f"curl -O {settings.BASE_URL}{reverse('api:client')}" in page
    assert "export COHEAP_TOKEN=…" in technician.get(reverse("frontend:tokens")).content.decode()


def test_a_token_for_another_site_cannot_be_issued(technician, pots):
    page = technician.post(
        reverse("frontend:tokens"), {"owner": pots.sites[1].code, "name": "x", "days": 30}
    )

    assert not AccessToken.objects.exists()
    assert "field-error" in page.content.decode()


def test_a_token_is_revoked_by_its_own_site_alone(technician, pots):
    def token_of(site, digest):
        return AccessToken.objects.create(site=site, name="old", digest=digest * 64, hint="ch_")

    mine, theirs = token_of(pots.sites[0], "1"), token_of(pots.sites[1], "2")

    technician.post(reverse("frontend:revoke-token", args=[mine.pk]))
    refused = technician.post(reverse("frontend:revoke-token", args=[theirs.pk]))

    mine.refresh_from_db()
    theirs.refresh_from_db()
    assert mine.revoked_at is not None
    assert theirs.revoked_at is None
    assert refused.status_code == 404


def test_logging_in_takes_the_address_in_any_case_and_leads_back(client, pots):
    response = client.post(
        reverse("frontend:login"),
        {"username": pots.coordinator.email.upper(), "password": PASSWORD, "next": "/bags/"},
    )

    assert response["Location"] == "/bags/"


def test_a_wrong_password_is_said_without_saying_who_exists(client, pots):
    url = reverse("frontend:login")

    known = client.post(url, {"username": pots.coordinator.email, "password": "wrong"})
    unknown = client.post(url, {"username": "nobody@example.org", "password": "wrong"})

    words = "This e-mail address and password do not belong together."
    assert words in known.content.decode()
    assert words in unknown.content.decode()


def test_guessing_is_locked_out_with_a_page_that_says_how_long(client, pots):
    url = reverse("frontend:login")
    for _ in range(6):
        response = client.post(url, {"username": pots.coordinator.email, "password": "wrong"})

    assert response.status_code == 429
    assert "Too many attempts" in response.content.decode()
    assert "quarter of an hour" in response.content.decode()


def test_logging_out_is_a_post(coordinator):
    assert coordinator.get(reverse("frontend:logout")).status_code == 405
    coordinator.post(reverse("frontend:logout"))
    assert "Log in" in coordinator.get("/").content.decode()


def test_labels_and_sheets_are_made_from_the_page(technician, pots):
    url = reverse("frontend:labels")
    page = text_of(technician.get(url))
    asked = {"trial": "POTS-26", "pile": "", "site": pots.sites[0].code}
    Retrieval.objects.filter(bag__pile__site=pots.sites[0], flags__isnull=True).delete()

    labels = technician.get(url, asked | {"what": "sheet"})
    sheets = technician.get(url, asked | {"what": "retrieval"})

    assert 'name="what"' in page
    for answer in (labels, sheets):
        assert answer["Content-Type"] == "application/pdf", text_of(answer)
        assert answer.content.startswith(b"%PDF")


def test_what_cannot_be_printed_is_said_on_the_page(technician, pots):
    url = reverse("frontend:labels")

    none = technician.get(url, {"what": "sheet", "trial": "POTS-26", "pile": "NO-SUCH"})
    wrong = technician.get(url, {"what": "poster", "trial": "POTS-26"})

    assert none.status_code == 400
    assert "No bag of yours fits that." in text_of(none)
    assert wrong.status_code == 400
    assert "Select a valid choice" in text_of(wrong)


def test_somebody_without_bags_is_told_whom_to_ask(client, pots):
    log_in(client, User.objects.create_user("new@example.org", PASSWORD))

    assert "You have no bags to print for" in text_of(client.get(reverse("frontend:labels")))
