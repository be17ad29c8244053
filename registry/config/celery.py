"""The Celery application of web, worker and beat: over Redis, or over files when there is none."""

import os
import warnings
from pathlib import Path
from typing import Any

from celery import Celery
from celery.exceptions import SecurityWarning
from celery.signals import worker_process_init
from kombu.transport import TRANSPORT_ALIASES

from registry.embedded import leash

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "registry.config.settings")

# Messages are plain JSON here, so a worker run by root (as in many containers) executes nothing
# that came from outside.
warnings.filterwarnings("ignore", "You're running the worker with superuser", SecurityWarning)

TRANSPORT_ALIASES["folder"] = "registry.config.folder_transport:Transport"

app = Celery("coheap")
app.config_from_object("django.conf:settings", namespace="CELERY")
for module in sorted((Path(__file__).parent.parent / "jobs").glob("[!_]*.py")):
    app.autodiscover_tasks(["registry.jobs"], related_name=module.stem)


@worker_process_init.connect
def _leave_with_the_worker(**_: Any) -> None:
    """A worker killed outright must not leave a child computing for nobody."""
    leash.die_with_parent()
