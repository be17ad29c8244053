"""Who signs in, and the tokens that scripts carry."""

import hashlib
import secrets
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, password: str | None = None, **fields: object) -> "User":
        user = self.model(email=self.normalize_email(email).lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: object) -> "User":
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)

    def get_by_natural_key(self, username: str | None) -> "User":
        return self.get(email=(username or "").lower())


class User(AbstractBaseUser, PermissionsMixin):
    """A person. Signs in with an e-mail address; the roles are per trial and per site."""

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=200, blank=True)
    # Given by the person, who is then named as a contributor of releases; nobody else is.
    orcid = models.CharField(max_length=40, blank=True, help_text="ORCID identifier, as a URL")
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False)
    # May register institutions, sites and trials; becomes coordinator of the trials they register.
    is_coordinator = models.BooleanField(default=False)
    date_joined = models.DateTimeField(auto_now_add=True)

    objects = UserManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"

    class Meta:
        ordering = ["email"]
        constraints = [
            models.UniqueConstraint(Lower("email"), name="user_email_unique_whatever_case"),
            models.CheckConstraint(
                condition=Q(orcid="")
                | Q(orcid__regex=r"^https://orcid\.org/([0-9]{4}-){3}[0-9]{3}[0-9X]$"),
                name="user_orcid_well_formed",
            ),
        ]

    def __str__(self) -> str:
        return self.name or self.email


class SiteRole(models.TextChoices):
    """What a member of a site is; both send, correct and read its rows."""

    TECHNICIAN = "technician", "technician"
    # Invites and takes leave of the site's people.
    LEAD = "lead", "lead"


class SiteMembership(models.Model):
    """A person who works at a site, sees its rows and acts as its lab."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="site_memberships")
    site = models.ForeignKey("registry.Site", on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=10, choices=SiteRole, default=SiteRole.TECHNICIAN)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["user", "site"], name="membership_once_per_site"),
            models.CheckConstraint(
                condition=Q(role__in=SiteRole.values), name="membership_role_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user} at {self.site}"


class AccessToken(models.Model):
    """A bearer token of a site's lab or of a coordinator. Only its hash is stored.

    The secret has 256 random bits, so one SHA-256 is a sufficient hash: there is nothing to guess.
    """

    digest = models.CharField(max_length=64, unique=True)
    hint = models.CharField(max_length=8, help_text="first characters, to tell tokens apart")
    name = models.CharField(max_length=100)
    site = models.ForeignKey(
        "registry.Site", null=True, blank=True, on_delete=models.CASCADE, related_name="tokens"
    )
    coordinator = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.CASCADE, related_name="tokens"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(site__isnull=True) ^ Q(coordinator__isnull=True),
                name="token_belongs_to_a_site_or_a_coordinator",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.hint}…)"

    def is_usable(self, *, now: datetime) -> bool:
        return self.revoked_at is None and (self.expires_at is None or now < self.expires_at)

    @staticmethod
    def new_secret() -> str:
        return "ch_" + secrets.token_urlsafe(32)

    @staticmethod
    def digest_of(secret: str) -> str:
        return hashlib.sha256(secret.encode()).hexdigest()
