"""Triggers that count the changes of a pile's logs: readings, and probes left out by a decision."""

import pgtrigger

_COUNT = """
    INSERT INTO registry_pilelog (pile_id, version, measured_by)
    SELECT DISTINCT pile_id, 1, '' FROM ({changed}) AS changed ORDER BY pile_id
    ON CONFLICT (pile_id) DO UPDATE SET version = registry_pilelog.version + 1;
    RETURN NULL;
"""


def _count(operation: pgtrigger.Operation, changed: str) -> pgtrigger.Trigger:
    names = {"new": "arrived"} if operation == pgtrigger.Insert else {"old": "gone"}
    if operation == pgtrigger.Update:
        names = {"new": "arrived", "old": "gone"}
    return pgtrigger.Trigger(
        name=f"log_counts_{str(operation).lower()}",
        level=pgtrigger.Statement,
        when=pgtrigger.After,
        operation=operation,
        referencing=pgtrigger.Referencing(**names),
        func=_COUNT.format(changed=changed),
    )


readings_change_the_log = [
    _count(pgtrigger.Insert, "SELECT pile_id FROM arrived"),
    _count(pgtrigger.Update, "SELECT pile_id FROM arrived UNION SELECT pile_id FROM gone"),
    _count(pgtrigger.Delete, "SELECT pile_id FROM gone"),
]

_LEFT_OUT = "decision = 'exclude' AND probe <> ''"
decisions_change_the_log = [
    _count(pgtrigger.Insert, f"SELECT pile_id FROM arrived WHERE {_LEFT_OUT}"),
    _count(
        pgtrigger.Update,
        f"""(SELECT id, pile_id, probe FROM arrived WHERE {_LEFT_OUT}
             EXCEPT SELECT id, pile_id, probe FROM gone WHERE {_LEFT_OUT})
            UNION
            (SELECT id, pile_id, probe FROM gone WHERE {_LEFT_OUT}
             EXCEPT SELECT id, pile_id, probe FROM arrived WHERE {_LEFT_OUT})""",
    ),
    _count(pgtrigger.Delete, f"SELECT pile_id FROM gone WHERE {_LEFT_OUT}"),
]
