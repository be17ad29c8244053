"""Who asks: a bearer token, a person signed in to the pages, or nobody."""

import pghistory
from django.contrib.auth.models import AnonymousUser
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework import exceptions
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.request import Request

from registry.models import User
from registry.permissions import ANYONE, Actor
from registry.services import access


class BearerAuthentication(BaseAuthentication):
    """`Authorization: Bearer <token>`; the actor is kept as `request.auth`."""

    keyword = "Bearer"

    def authenticate(self, request: Request) -> tuple[User | AnonymousUser, Actor] | None:
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != b"bearer":
            return None
        if len(words) != 2:
            raise exceptions.AuthenticationFailed("Write: Authorization: Bearer <token>.")
        actor = access.authenticate(words[1].decode("latin-1"), now=timezone.now())
        if actor is None:
            raise exceptions.AuthenticationFailed("The token is unknown, expired or revoked.")
        # Whatever this request changes, its history names the token.
        pghistory.context(actor=actor.label)
        return actor.user or AnonymousUser(), actor

    def authenticate_header(self, request: Request) -> str:
        return self.keyword


class BearerScheme(OpenApiAuthenticationExtension):
    target_class = BearerAuthentication
    name = "token"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


def actor_of(request: Request) -> Actor:
    if isinstance(request.auth, Actor):
        return request.auth
    if request.user and request.user.is_authenticated:
        return Actor(user=request.user)
    return ANYONE


def known_actor(request: Request) -> Actor:
    """The actor, or 401 for nobody."""
    actor = actor_of(request)
    if actor.is_anonymous:
        raise exceptions.NotAuthenticated("Send a token: Authorization: Bearer <token>.")
    return actor
