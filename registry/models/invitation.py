from datetime import datetime

from django.db import models
from django.db.models import F, Q

from .people import SiteRole, User
from .site import Site
from .trial import Trial

IS_OPEN = Q(accepted_at__isnull=True, revoked_at__isnull=True)


class Invitation(models.Model):
    """A link by which one person joins a site, or the coordinators of a trial, once.

    Only the hash of its secret is stored. The secret has 256 random bits, as that of a token.
    """

    digest = models.CharField(max_length=64, unique=True)
    email = models.EmailField(help_text="whom it is for; nobody else can accept it")
    site = models.ForeignKey(
        Site, null=True, blank=True, on_delete=models.PROTECT, related_name="invitations"
    )
    role = models.CharField(max_length=10, choices=SiteRole, blank=True, help_text="at the site")
    trial = models.ForeignKey(
        Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="invitations"
    )
    invited_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    accepted_at = models.DateTimeField(null=True, blank=True)
    accepted_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(site__isnull=True, role="", trial__isnull=False)
                | Q(site__isnull=False, role__in=SiteRole.values, trial__isnull=True),
                name="invitation_is_to_a_site_or_a_trial",
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("created_at")), name="invitation_expires_later"
            ),
            models.CheckConstraint(
                condition=Q(accepted_at__isnull=True) | Q(revoked_at__isnull=True),
                name="invitation_accepted_or_revoked",
            ),
            models.CheckConstraint(
                condition=Q(accepted_at__isnull=True, accepted_by__isnull=True)
                | Q(accepted_at__isnull=False, accepted_by__isnull=False),
                name="invitation_accepted_by_someone",
            ),
            models.UniqueConstraint(
                fields=["email", "site", "trial"],
                condition=IS_OPEN,
                nulls_distinct=False,
                name="invitation_open_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.email} to {self.site or self.trial}"

    def is_open(self, *, now: datetime) -> bool:
        return self.accepted_at is None and self.revoked_at is None and now < self.expires_at
