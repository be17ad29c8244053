"""Who may: every address of the API and of the pages, and what each person gets.

A row is a verb, an address as the URL table writes it, the address that is asked, and the statuses
for: a stranger, the lab of the rows (NORTH), the lab of another site in the trial (SOUTH), the
trial's coordinator, and a coordinator of another trial in which NORTH takes part too. Rows are
about NORTH's data, which no release has made public, unless the address says otherwise.
In the API NORTH and SOUTH are tokens, and a technician of NORTH who is signed in gets what NORTH's
token gets; in the pages they are technicians. A lead of NORTH gets what its technician gets, but
where a row says `lead`.
An expired or a revoked token is 401 wherever a
token is read; `OPEN_TO_BAD_TOKENS` lists where none is.
"""

from dataclasses import dataclass
from typing import Any

from registry.packages.stored import DOCUMENTS
from tests.pictures import encoded, two_colours

PEOPLE = ("stranger", "NORTH", "SOUTH", "coordinator", "other coordinator")


@dataclass(frozen=True)
class Row:
    verb: str
    route: str
    statuses: tuple[int, ...]
    path: str = ""
    body: Any = None
    query: str = ""
    lead: int | None = None

    @property
    def of_lead(self) -> int:
        return self.statuses[PEOPLE.index("NORTH")] if self.lead is None else self.lead

    @property
    def address(self) -> str:
        return (self.path or self.route) + self.query


def get(route: str, *statuses: int, path: str = "", query: str = "") -> Row:
    return Row("GET", route, statuses, path, query=query)


def post(
    route: str,
    *statuses: int,
    body: Any = None,
    path: str = "",
    query: str = "",
    lead: int | None = None,
) -> Row:
    return Row("POST", route, statuses, path, body, query, lead)


ALL = (200,) * 5
DRY = "?dry_run=true"
PILE = {
    "site": "NORTH",
    "pile": "P9",
    "trial": "TRIAL-1",
    "kind": "bin",
    "started_on": "2026-04-07",
}
OF_PILE = {"site": "NORTH", "pile": "P1"}
BAG = {
    **OF_PILE,
    "trial": "TRIAL-1",
    "bag_label": "N-NEW",
    "material": "PAPER",
    "buried_on": "2026-04-07",
    "initial_mass_g": 10,
}
LOOK = {
    "trial": "TRIAL-1",
    "bag_label": "N-UNSEEN",
    "retrieved_on": "2026-04-20",
    "outcome": "bag_lost",
}
SITE = {
    "site": "NEW-SITE",
    "institution": "INST",
    "name": "New",
    "country": "DK",
    "time_zone": "Europe/Copenhagen",
}
TRIAL = {
    "trial": "TRIAL-NEW",
    "title": "New",
    "schedule_days": [14],
    "primary_day": 14,
    "sites": ["NORTH"],
    "materials": ["PAPER"],
}
MATERIAL = {"material": "NEW-MAT", "name": "New", "form": "pot", "role": "test"}
COMPOSITION = {
    "material": "PAPER",
    "component": "cellulose",
    "function": "fibre",
    "mass_pct": 100,
}
PHOTO = encoded(two_colours())
DECISION = {"decision": "accept", "reason": "seen"}
CORRECTION = {"field": "notes", "value": "seen again", "reason": "forgotten"}
STATE = {"state": "closed", "reason": "done"}
STUDY = {
    "study": "STUDY-NEW",
    "title": "New",
    "citation": "Author A (2020) New. Journal 1:1-10.",
    "effects": [
        {
            "material": "PAPER",
            "site": "Plot",
            "measure": "log_decay_rate",
            "effect": -4,
            "variance": 0.01,
        }
    ],
}

# A release by its id and by its trial and version: a public one, and one that waits for its day.
RELEASES = (
    ("releases/<int:pk>/", "releases/{release}/", "releases/{embargoed}/"),
    (
        "trials/<str:trial>/releases/<int:version>/",
        "trials/RELEASED/releases/1/",
        "trials/LATER/releases/1/",
    ),
)
OF_A_RELEASE = ("", "package/", *(f"{word}/" for word in DOCUMENTS))


def _of_releases() -> list[Row]:
    rows = []
    for route, public, embargoed in RELEASES:
        for part in OF_A_RELEASE:
            rows.append(get(route + part, *ALL, path=public + part))
            rows.append(get(route + part, 404, 404, 404, 200, 404, path=embargoed + part))
        # Made by the workers: asked for now, there in some seconds.
        report = f"{route}report/"
        rows.append(get(report, *(202,) * 5, path=f"{public}report/"))
        rows.append(get(report, 404, 404, 404, 202, 404, path=f"{embargoed}report/"))
        told = {"message": "The probes of one pile were swapped."}
        notices = f"{route}notices/"
        rows += [
            post(notices, 401, 403, 403, 201, 403, path=f"{public}notices/", body=told),
            post(notices, 401, 404, 404, 201, 404, path=f"{embargoed}notices/", body=told),
        ]
    return rows


API = [
    # Registered by coordinators, read by anyone.
    get("institutions/", *ALL),
    post(
        "institutions/",
        *(401, 403, 403, 201, 201),
        body={"institution": "NEW", "name": "New", "country": "DK"},
    ),
    get("sites/", *ALL),
    post("sites/", 401, 403, 403, 201, 201, body=SITE),
    get("trials/", *ALL),
    post("trials/", 401, 403, 403, 201, 201, body=TRIAL),
    get("trials/<str:trial>/", *ALL, path="trials/TRIAL-1/"),
    get("trials/<str:trial>/", 404, 200, 404, 200, 404, path="trials/DRAFT/"),
    Row(
        "PATCH",
        "trials/<str:trial>/",
        (401, 403, 403, 200, 403),
        "trials/TRIAL-1/",
        {"materials": ["PAPER"]},
    ),
    Row(
        "PATCH",
        "trials/<str:trial>/",
        (401, 403, 404, 200, 404),
        "trials/DRAFT/",
        {"materials": ["PAPER"]},
    ),
    post(
        "trials/<str:trial>/state/",
        *(401, 403, 403, 200, 403),
        path="trials/TRIAL-1/state/",
        body=STATE,
    ),
    post(
        "trials/<str:trial>/state/",
        *(401, 403, 404, 200, 404),
        path="trials/DRAFT/state/",
        body=STATE,
    ),
    post(
        "trials/<str:trial>/pooling-runs/",
        *(401, 403, 403, 200, 403),
        path="trials/TRIAL-1/pooling-runs/",
    ),
    post(
        "trials/<str:trial>/releases/",
        *(401, 403, 403, 201, 403),
        path="trials/TRIAL-1/releases/",
        body={},
    ),
    get(
        "trials/<str:trial>/export/",
        *ALL,
        path="trials/TRIAL-1/export/",
        query="?table=retrievals",
    ),
    get(
        "trials/<str:trial>/export/",
        *(404, 200, 404, 200, 404),
        path="trials/DRAFT/export/",
        query="?table=bags",
    ),
    get("export/", *ALL, query="?table=bags"),
    # Sent by labs for their own site.
    get("materials/", *ALL),
    post("materials/", 401, 201, 201, 201, 201, body=MATERIAL, query=DRY),
    get("materials/<str:code>/", *ALL, path="materials/PAPER/"),
    get("materials/<str:code>/", 404, 200, 200, 200, 200, path="materials/SECRET/"),
    get("compositions/", *ALL),
    post("compositions/", 401, 201, 201, 201, 201, body=COMPOSITION, query=DRY),
    get("piles/", *ALL),
    post("piles/", 401, 201, 403, 201, 403, body=PILE, query=DRY),
    get("piles/<int:pk>/", 404, 200, 404, 200, 404, path="piles/{pile}/"),
    get("piles/<int:pk>/heat/", 404, 200, 404, 200, 404, path="piles/{pile}/heat/"),
    get("piles/<int:pk>/curves/", 404, 200, 404, 200, 404, path="piles/{pile}/curves/"),
    get("pile-curves/", *ALL),
    get("piles/<int:pk>/recipe/", 404, 200, 404, 200, 404, path="piles/{pile}/recipe/"),
    get("feedstocks/", *ALL),
    post(
        "feedstocks/",
        *(401, 201, 422, 201, 422),
        body={**OF_PILE, "ingredient": "straw", "wet_mass_kg": 5},
        query=DRY,
    ),
    get("turnings/", *ALL),
    post(
        "turnings/",
        *(401, 201, 422, 201, 422),
        body={**OF_PILE, "turned_at": "2026-04-20T10:00:00Z"},
        query=DRY,
    ),
    get("temperatures/", *ALL),
    post(
        "temperatures/",
        *(401, 201, 422, 201, 422),
        body={
            **OF_PILE,
            "probe": "CORE",
            "measured_at": "2026-04-20T10:00:00Z",
            "temperature_c": 55,
        },
        query=DRY,
    ),
    get("bags/", *ALL),
    post("bags/", 401, 201, 422, 201, 422, body=BAG, query=DRY),
    get("bags/<int:pk>/", 404, 200, 404, 200, 404, path="bags/{bag}/"),
    get("retrievals/", *ALL),
    post("retrievals/", 401, 201, 422, 201, 422, body=LOOK, query=DRY),
    get("retrievals/<int:pk>/", 404, 200, 404, 200, 404, path="retrievals/{look}/"),
    post(
        "retrievals/<int:pk>/corrections/",
        *(401, 201, 404, 201, 404),
        path="retrievals/{look}/corrections/",
        body=CORRECTION,
    ),
    get("uploads/", *ALL),
    get("uploads/<int:pk>/", 404, 200, 404, 200, 404, path="uploads/{upload}/"),
    get(
        "uploads/<int:pk>/original/",
        *(404, 200, 404, 200, 404),
        path="uploads/{upload}/original/",
    ),
    get(
        "uploads/<int:pk>/annotated/",
        *(404, 200, 404, 200, 404),
        path="uploads/{upload}/annotated/",
    ),
    # Refused: of no trial, so for the site's own people and who is in charge of all it does.
    get("uploads/<int:pk>/", 404, 200, 404, 404, 404, path="uploads/{refused}/"),
    # Quality.
    get("photos/", *ALL),
    get("photos/<int:pk>/", 404, 200, 404, 200, 404, path="photos/{photo}/"),
    get("photos/<int:pk>/file/", 404, 200, 404, 200, 404, path="photos/{photo}/file/"),
    get("photos/<int:pk>/thumbnail/", 404, 200, 404, 200, 404, path="photos/{photo}/thumbnail/"),
    post(
        "retrievals/<int:pk>/photos/",
        *(401, 201, 404, 201, 404),
        path="retrievals/{look}/photos/",
        body=PHOTO,
    ),
    post(
        "photos/<int:pk>/withdrawal/",
        *(401, 200, 404, 200, 404),
        path="photos/{photo}/withdrawal/",
        body={"reason": "blurred"},
    ),
    get("flags/", *ALL),
    get("flags/<int:pk>/", 404, 200, 404, 200, 404, path="flags/{flag}/"),
    post(
        "flags/<int:pk>/decision/",
        *(401, 403, 404, 200, 404),
        path="flags/{flag}/decision/",
        body=DECISION,
    ),
    get("corrections/", *ALL),
    get("labels/", 401, 200, 404, 200, 404, query="?trial=TRIAL-1&site=NORTH"),
    get("retrieval-sheets/", 401, 200, 404, 200, 404, query="?trial=TRIAL-1&site=NORTH"),
    get("history/", 401, 200, 200, 200, 200, query="?noun=bags"),
    # Pooled by the coordinator, read by the labs of the trial.
    get("pooling-runs/", *ALL),
    get("pooling-runs/<int:pk>/", 404, 200, 200, 200, 404, path="pooling-runs/{run}/"),
    get(
        "pooling-runs/<int:pk>/report/",
        *(404, 403, 403, 202, 404),
        path="pooling-runs/{run}/report/",
    ),
    get("plan/", *ALL, query="?rate_per_day=0.03&decay_tau2_site=0.1&decay_a=0.001"),
    get("plan/", 404, 200, 200, 200, 404, query="?run={run}&material=PAPER"),
    get("outside-studies/", *ALL),
    post("outside-studies/", 401, 403, 403, 201, 201, body=STUDY),
    post(
        "outside-studies/<str:study>/withdrawal/",
        *(401, 403, 403, 200, 200),
        path="outside-studies/STUDY-1/withdrawal/",
        body={"reason": "retracted"},
    ),
    get("estimates/across/", 404, 404, 404, 404, 404, query="?material=SECRET"),
    get("estimates/", *ALL),
    get("explanations/", *ALL),
    get("explanations/<int:pk>/", 404, 200, 200, 200, 404, path="explanations/{explanation}/"),
    get("estimates/<int:pk>/", 404, 200, 200, 200, 404, path="estimates/{estimate}/"),
    # Released: for anyone.
    get("releases/", *ALL),
    get("datacite/", *ALL),
    *_of_releases(),
    get("ratings/", *ALL),
    # About the API itself.
    get("client/coheap_client.py", *ALL),
    get("schema/", *ALL),
    get("docs/", *ALL),
    get("docs/errors/", *ALL),
]
OPEN_TO_BAD_TOKENS = {"docs/errors/"}

LOG_IN = 302
PAGES = [
    get("", *ALL),
    get("materials/", *ALL),
    get("materials/<str:code>/", *ALL, path="materials/PAPER/"),
    # Public pages are the same for everyone.
    get("materials/<str:code>/", *(404,) * 5, path="materials/SECRET/"),
    get("methods/", *ALL),
    get("glossary/", *ALL),
    get("safety/", *ALL),
    get("trials/", *ALL),
    get("trials/<str:code>/", *ALL, path="trials/TRIAL-1/"),
    get("trials/<str:code>/", 404, 200, 404, 200, 404, path="trials/DRAFT/"),
    get("releases/", *ALL),
    get("releases/<int:pk>/", *ALL, path="releases/{release}/"),
    get("releases/<int:pk>/", 404, 404, 404, 200, 404, path="releases/{embargoed}/"),
    get(
        "trials/<str:code>/releases/<int:version>/",
        *ALL,
        path="trials/RELEASED/releases/1/",
    ),
    get(
        "trials/<str:code>/releases/<int:version>/",
        *(404, 404, 404, 200, 404),
        path="trials/LATER/releases/1/",
    ),
    get("across/", *ALL),
    get("compare/", *ALL),
    get("preferences/", *ALL),
    get("components/", *ALL),
    get("sitemap.xml", *ALL),
    get("robots.txt", *ALL),
    get("trials/<str:code>/explained/", 404, 200, 200, 200, 404, path="trials/TRIAL-1/explained/"),
    get("trials/<str:code>/pooled/", 404, 200, 200, 200, 404, path="trials/TRIAL-1/pooled/"),
    get(
        "trials/<str:code>/pooled/<str:material>/",
        *(404, 200, 200, 200, 404),
        path="trials/TRIAL-1/pooled/PAPER/",
    ),
    get(
        "trials/<str:code>/completeness/",
        *(LOG_IN, 403, 403, 200, 403),
        path="trials/TRIAL-1/completeness/",
    ),
    post("trials/<str:code>/pool/", *(LOG_IN,) * 5, path="trials/TRIAL-1/pool/"),
    # Asked again for the word that it is meant.
    post(
        "trials/<str:code>/freeze/",
        *(LOG_IN, 403, 403, 200, 403),
        path="trials/TRIAL-1/freeze/",
    ),
    post(
        "releases/<int:pk>/notices/",
        *(LOG_IN, 403, 403, 302, 403),
        path="releases/{release}/notices/",
    ),
    get("trials/<str:code>/story/", LOG_IN, 403, 403, 200, 403, path="trials/TRIAL-1/story/"),
    get("trials/<str:code>/glance/", LOG_IN, 403, 403, 200, 403, path="trials/TRIAL-1/glance/"),
    # Each sees the findings of its own rows there.
    get(
        "trials/<str:code>/queue/",
        *(LOG_IN, 200, 200, 200, 403),
        path="trials/TRIAL-1/queue/",
    ),
    get(
        "trials/<str:code>/queue/<int:pk>/",
        *(LOG_IN, 200, 404, 200, 403),
        path="trials/TRIAL-1/queue/{flag}/",
    ),
    get(
        "figures/<int:pk>/<slug:name>.<slug:ending>",
        *(404, 200, 200, 200, 404),
        path="figures/{estimate}/forest.csv",
    ),
    get("looks/<int:pk>/", LOG_IN, 200, 404, 200, 404, path="looks/{look}/"),
    get("bags/<int:pk>/", LOG_IN, 200, 404, 200, 404, path="bags/{bag}/"),
    get(
        "trials/<str:code>/members/",
        *(LOG_IN, 403, 403, 200, 403),
        path="trials/TRIAL-1/members/",
    ),
    post(
        "trials/<str:code>/members/<int:pk>/remove/",
        *(LOG_IN, 404, 404, 302, 404),
        path="trials/TRIAL-1/members/{second}/remove/",
    ),
    # NORTH is in a trial of somebody else too, so its own people answer for who belongs to it.
    get("sites/<str:code>/members/", LOG_IN, 200, 403, 403, 403, path="sites/NORTH/members/"),
    post(
        "sites/<str:code>/members/<int:pk>/role/",
        *(LOG_IN, 302, 404, 404, 404),
        path="sites/NORTH/members/{member}/role/",
    ),
    post(
        "sites/<str:code>/members/<int:pk>/remove/",
        *(LOG_IN, 302, 404, 404, 404),
        path="sites/NORTH/members/{member}/remove/",
    ),
    post(
        "invitations/<int:pk>/revoke/",
        *(LOG_IN, 404, 404, 404, 404),
        path="invitations/{invitation}/revoke/",
        lead=302,
    ),
    get("join/<str:secret>/", *(410,) * 5, path="join/made-up/"),
    get("account/", LOG_IN, 200, 200, 200, 200),
    get("runs/<int:pk>/report/", LOG_IN, 403, 403, 200, 404, path="runs/{run}/report/"),
    get("releases/<int:pk>/report/", *ALL, path="releases/{release}/report/"),
    get("releases/<int:pk>/report/", 404, 404, 404, 200, 404, path="releases/{embargoed}/report/"),
    get("runs/<int:pk>/", 404, 200, 200, 200, 404, path="runs/{run}/"),
    get("log-in/", 200, 302, 302, 302, 302),
    get("set-password/<uidb64>/<token>/", *ALL, path="set-password/MQ/wrong-token/"),
    get("uploads/", LOG_IN, 200, 200, 200, 200),
    get("uploads/<int:pk>/", LOG_IN, 200, 404, 200, 404, path="uploads/{upload}/"),
    get(
        "sites/<str:site>/piles/<str:code>/",
        *(404, 200, 404, 200, 404),
        path="sites/NORTH/piles/P1/",
    ),
    get("labels/", LOG_IN, 200, 200, 200, 200),
    get("plan/", LOG_IN, 200, 200, 200, 200),
    get("today/", LOG_IN, 200, 200, 200, 200),
    get("bags/", LOG_IN, 200, 200, 200, 200),
    post("looks/<int:pk>/photos/", LOG_IN, 302, 404, 302, 404, path="looks/{look}/photos/"),
    post("photos/<int:pk>/withdraw/", LOG_IN, 302, 404, 302, 404, path="photos/{photo}/withdraw/"),
    get("look/", LOG_IN, 200, 200, 200, 200),
    get(
        "trials/<str:trial>/bags/<str:label>/",
        *(404, 200, 404, 200, 404),
        path="trials/TRIAL-1/bags/N-UNSEEN/",
    ),
    get(
        "trials/<str:trial>/bags/<str:label>/look/",
        *(LOG_IN, 200, 404, 200, 404),
        path="trials/TRIAL-1/bags/N-UNSEEN/look/",
    ),
    get("tokens/", LOG_IN, 200, 200, 200, 200),
    # The site is in another trial too, so its token is for its own people.
    post("tokens/<int:pk>/revoke/", LOG_IN, 302, 404, 404, 404, path="tokens/{token}/revoke/"),
    # Last: nobody is signed in afterwards.
    post("log-out/", *(302,) * 5),
]
