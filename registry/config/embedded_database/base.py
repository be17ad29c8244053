"""Django's Postgres backend over the embedded server, which starts at the first connection."""

from collections.abc import Mapping
from typing import Any

from django.conf import settings
from django.db.backends.postgresql import base, client

from registry.embedded import postgres
from registry.embedded.binaries import find_binaries


class DatabaseClient(client.DatabaseClient):
    """`coheap dbshell` with the server's own psql; the machine may have none."""

    @classmethod
    def settings_to_cmd_args_env(
        cls, settings_dict: Mapping[str, Any], parameters: Any
    ) -> tuple[list[str], dict[str, str] | None]:
        here = {**settings_dict, "HOST": _socket_folder()}
        arguments, environment = super().settings_to_cmd_args_env(here, parameters)
        return [find_binaries().program("psql"), *arguments[1:]], environment


class DatabaseWrapper(base.DatabaseWrapper):
    client_class = DatabaseClient

    def get_connection_params(self) -> dict[str, Any]:
        return {**super().get_connection_params(), "host": _socket_folder()}


def _socket_folder() -> str:
    return str(postgres.use(settings.DATA_DIR / "postgres").socket_dir)
