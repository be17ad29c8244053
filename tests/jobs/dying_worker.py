"""A process that claims a pooling run and is killed in the middle; run by the test beside it."""

import os
import sys
import time
from datetime import timedelta

import django

os.environ["DJANGO_SETTINGS_MODULE"] = "registry.config.settings"
django.setup()

from registry.services import pooling  # noqa: E402 – models need Django set up first


def stop_in_the_middle(looks: object, *, on_step: object, **_: object) -> None:
    on_step("sites", 1, 2)  # type: ignore[operator]
    sys.stdout.write("in the middle\n")
    sys.stdout.flush()
    time.sleep(600)  # the test kills us here


pooling.LEASE = timedelta(seconds=1)
pooling.pool_trial = stop_in_the_middle
pooling.execute_run(int(sys.argv[1]))
