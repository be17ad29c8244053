"""The former states of every row that holds a record or a decision, kept by triggers.

A trigger sees every UPDATE and DELETE, raw SQL included, and keeps the row as it was before. There
is none on INSERT: it would halve the speed of a bulk COPY, and a new row hides nothing. TRUNCATE
fires no row trigger; only the owner of the tables can send it.
"""

import pghistory
from django.db.models import Model

from .bag import Bag
from .institution import Institution
from .invitation import Invitation
from .material import Composition, Material
from .outside_study import OutsideStudy
from .people import AccessToken, SiteMembership, User
from .photo import Photo
from .pile import Feedstock, Pile, ProbeDay, Turning
from .pooling_run import PoolingRun
from .quality import Flag
from .retrieval import Retrieval
from .site import Site
from .trial import Trial
from .upload import Upload

# Columns left out: secrets, and what changes without changing the record.
TRACKED: dict[type[Model], tuple[str, ...]] = {
    Institution: (),
    Site: (),
    Trial: (),
    Material: (),
    Composition: (),
    Pile: (),
    Feedstock: (),
    Turning: (),
    ProbeDay: (),
    Bag: (),
    Retrieval: (),
    Photo: (),
    Flag: (),
    Upload: ("review", "review_piles"),
    PoolingRun: (
        *("stage", "done", "total", "attempt", "sent_at", "started_at"),
        *("lease", "lease_until", "heartbeat_at"),
        *("curves", "curves_failures", "curves_sent_at"),
    ),
    User: ("password", "last_login"),
    SiteMembership: (),
    Invitation: ("digest",),
    OutsideStudy: (),
    AccessToken: ("digest", "last_used_at"),
}


class TrialSite(Trial.sites.through):  # type: ignore[name-defined]
    """A site takes part in a trial."""

    class Meta:
        proxy = True

    def __str__(self) -> str:
        return f"{self.site_id} in {self.trial_id}"


class TrialMaterial(Trial.materials.through):  # type: ignore[name-defined]
    """A material is tried in a trial."""

    class Meta:
        proxy = True

    def __str__(self) -> str:
        return f"{self.material_id} in {self.trial_id}"


class TrialCoordinator(Trial.coordinators.through):  # type: ignore[name-defined]
    """A person coordinates a trial."""

    class Meta:
        proxy = True

    def __str__(self) -> str:
        return f"{self.user_id} of {self.trial_id}"


LINKS = (TrialSite, TrialMaterial, TrialCoordinator)


def _keep_former_states(model: type[Model], without: tuple[str, ...] = ()) -> type[Model]:
    return pghistory.create_event_model(
        model,
        pghistory.UpdateEvent("changed", row=pghistory.Old),
        pghistory.DeleteEvent("deleted"),
        exclude=list(without),
        model_name=f"{model.__name__}History",
        append_only=True,
        abstract=False,
        # Rows of a link table come and go; no present one could be pointed at.
        obj_field=None if model in LINKS else pghistory.constants.UNSET,  # type: ignore[arg-type]
    )


HISTORY: dict[type[Model], type[Model]] = {
    model: _keep_former_states(model, without) for model, without in TRACKED.items()
}
LINK_HISTORY: dict[type[Model], type[Model]] = {link: _keep_former_states(link) for link in LINKS}
