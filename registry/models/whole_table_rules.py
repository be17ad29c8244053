"""Rules between two tables, checked once per statement.

A row trigger halves the speed of a bulk COPY; a statement trigger joins the new rows once.
"""

import pgtrigger


def _refuse(name: str, offender: str, message: str) -> list[pgtrigger.Trigger]:
    """Two triggers, since Postgres names the new rows of one operation at a time."""
    return [
        pgtrigger.Trigger(
            name=f"{name}_{suffix}",
            level=pgtrigger.Statement,
            when=pgtrigger.After,
            operation=operation,
            referencing=pgtrigger.Referencing(new="arrived"),
            func=f"""
                IF EXISTS ({offender}) THEN
                    RAISE EXCEPTION '{message}'
                        USING ERRCODE = 'check_violation', CONSTRAINT = '{name}';
                END IF;
                RETURN NULL;
            """,
        )
        for suffix, operation in (("new", pgtrigger.Insert), ("changed", pgtrigger.Update))
    ]


bag_not_before_its_pile = _refuse(
    "bag_not_before_its_pile",
    """
        SELECT 1 FROM arrived JOIN registry_pile pile ON pile.id = arrived.pile_id
        WHERE arrived.buried_on < pile.started_on OR arrived.trial_id <> pile.trial_id
    """,
    "a bag is buried before its pile was built, or in a pile of another trial",
)

retrieval_not_before_burial = _refuse(
    "retrieval_not_before_burial",
    """
        SELECT 1 FROM arrived JOIN registry_bag bag ON bag.id = arrived.bag_id
        WHERE arrived.retrieved_on < bag.buried_on
    """,
    "a bag is lifted before it was buried",
)
