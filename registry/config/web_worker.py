"""What a web process does when it starts; gunicorn reads this file."""

import threading

from registry.charts.svg import warm_up


def post_worker_init(worker: object) -> None:
    """Load the drawing engine beside the first requests. After the fork, whose child would find
    its threads gone; in a thread, so that the process answers at once."""
    threading.Thread(target=warm_up, name="warm-up", daemon=True).start()
