"""How often one caller may ask: by token or person, strangers by address. 429 with Retry-After."""

from typing import Any

from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle

from api.v1.authentication import actor_of


class PerActor(SimpleRateThrottle):
    """A script that sends a season's files one after the other stays far below."""

    rate = "1200/min"

    def get_cache_key(self, request: Request, view: Any) -> str | None:
        actor = actor_of(request)
        return None if actor.is_anonymous else f"throttle:{actor.reference}"


class PerAddress(SimpleRateThrottle):
    """For callers without a token; behind a proxy, the proxy's X-Forwarded-For tells them apart."""

    rate = "300/min"

    def get_cache_key(self, request: Request, view: Any) -> str | None:
        if not actor_of(request).is_anonymous:
            return None
        return f"throttle:{self.get_ident(request)}"
