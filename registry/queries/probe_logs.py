"""The whole logs of the probes of some piles, as arrays."""

from collections.abc import Sequence

import numpy as np
from django.db import connection

from registry.queries.binary_columns import unpacked
from registry.science.log_heat import ProbeLog

SECONDS_PER_HOUR = 3600.0
HOURS_PER_DAY = 24.0

# The days of a probe joined in the binary form of arrays, each without its head of 20 bytes.
_LOGS = """
SELECT pile_id, probe,
       array_agg(day - DATE '1970-01-01' ORDER BY day), array_agg(count ORDER BY day),
       string_agg(substring(array_send(seconds) FROM 21), ''::bytea ORDER BY day),
       string_agg(substring(array_send(celsius) FROM 21), ''::bytea ORDER BY day)
  FROM registry_probeday
 WHERE pile_id = ANY(%s)
 GROUP BY pile_id, probe
 ORDER BY pile_id, probe
"""


def probe_logs(pile_ids: Sequence[int]) -> dict[int, dict[str, ProbeLog]]:
    """Pile id → probe → its log; hours since 1970 UTC. Piles without readings are absent."""
    logs: dict[int, dict[str, ProbeLog]] = {}
    with connection.cursor() as cursor:
        cursor.execute(_LOGS, [list(pile_ids)])
        for pile, probe, days, counts, seconds, celsius in cursor.fetchall():
            hours = unpacked(seconds, "integer") / SECONDS_PER_HOUR
            hours += np.repeat(np.asarray(days, float) * HOURS_PER_DAY, counts)
            logs.setdefault(pile, {})[probe] = ProbeLog(probe, hours, unpacked(celsius, "float8"))
    return logs
