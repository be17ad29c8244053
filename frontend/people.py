"""Who is looking: the registry's actor behind a request."""

from django.http import HttpRequest

from registry.models import User
from registry.permissions import ANYONE, Actor


def actor_of(request: HttpRequest) -> Actor:
    return Actor(user=request.user) if isinstance(request.user, User) else ANYONE
