from django.db import models

from .immutable import never_changed
from .people import AccessToken, User
from .trial import Trial


class AuditEvent(models.Model):
    """Who did what, when. Written in the transaction of the deed; never changed."""

    action = models.CharField(max_length=60)
    summary = models.CharField(max_length=500)
    trial = models.ForeignKey(
        Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="audit_events"
    )
    user = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    token = models.ForeignKey(
        AccessToken, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    happened_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-id"]
        triggers = never_changed("audit_event")

    def __str__(self) -> str:
        return self.summary
