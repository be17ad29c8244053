"""Every few seconds: ring again for work that nobody does."""

from celery import shared_task
from django.db import connection, transaction

from registry.jobs.figures import ring_for_undrawn_runs
from registry.jobs.pile_curves import ring_for_waiting_curves
from registry.jobs.pooling import ring_for_waiting_runs
from registry.jobs.reviews import ring_for_waiting_reviews
from registry.jobs.uploads import ring_for_waiting_uploads
from registry.services import pile_heat

# "coheap sweep" as a number: one sweeper at a time, whichever process it is in.
SWEEP_LOCK = 0x636F_0001
# After an upgrade every log may wait to be measured; a sweep must not take minutes.
PILES_A_SWEEP = 100


@shared_task
def sweep() -> int:
    """Returns how many pieces of work were rung for; 0 when another process sweeps."""
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [SWEEP_LOCK])
            if not cursor.fetchone()[0]:
                return 0
        rung = ring_for_waiting_runs() + ring_for_waiting_uploads() + ring_for_waiting_reviews()
        rung += ring_for_waiting_curves() + ring_for_undrawn_runs()
    # On its own, so that no log stays locked while others are measured.
    return rung + pile_heat.keep_up(most=PILES_A_SWEEP)
