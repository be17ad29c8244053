"""Django's Postgres backend over the embedded server, which starts at the first connection."""

from typing import Any

from django.conf import settings
from django.db.backends.postgresql import base

from registry.embedded import postgres


class DatabaseWrapper(base.DatabaseWrapper):
    def get_connection_params(self) -> dict[str, Any]:
        server = postgres.use(settings.DATA_DIR / "postgres")
        return {**super().get_connection_params(), "host": str(server.socket_dir)}
