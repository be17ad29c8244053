"""`coheap …` and `python -m registry …`: every Django command, under the project's settings."""

import os
import sys

from django.core.exceptions import ImproperlyConfigured
from django.core.management import execute_from_command_line
from django.db import OperationalError

from registry.embedded.binaries import EmbeddedPostgresError

# What the person who typed the command can mend, apart from what only a programmer can.
EXIT_SURROUNDINGS = 2


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "registry.config.settings")
    try:
        execute_from_command_line(["coheap", *sys.argv[1:]])
    except (ImproperlyConfigured, EmbeddedPostgresError) as error:
        _give_up(str(error))
    except OperationalError as error:
        _give_up(f"The database does not answer; look at DATABASE_URL. It said: {error}")
    except KeyboardInterrupt:
        sys.exit(130)


def _give_up(message: str) -> None:
    print(f"coheap: {message}", file=sys.stderr)
    sys.exit(EXIT_SURROUNDINGS)


if __name__ == "__main__":
    main()
