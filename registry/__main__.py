"""`coheap …` and `python -m registry …`: every Django command, under the project's settings."""

import os
import sys

from django.core.exceptions import ImproperlyConfigured
from django.core.management import execute_from_command_line


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "registry.config.settings")
    try:
        execute_from_command_line(["coheap", *sys.argv[1:]])
    except ImproperlyConfigured as error:
        print(f"coheap: {error}", file=sys.stderr)
        sys.exit(2)


if __name__ == "__main__":
    main()
