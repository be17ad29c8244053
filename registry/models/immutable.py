"""Rows that record what happened, or what was said: written once, never changed, never deleted."""

import pgtrigger


def never_changed(noun: str) -> list[pgtrigger.Trigger]:
    """Refuse every UPDATE and DELETE of a row, whoever sends it."""
    return [
        pgtrigger.Trigger(
            name=f"{noun}_is_final",
            level=pgtrigger.Row,
            when=pgtrigger.Before,
            operation=pgtrigger.Update | pgtrigger.Delete,
            func=f"""
                RAISE EXCEPTION 'a {noun} is never changed or deleted'
                    USING ERRCODE = 'check_violation', CONSTRAINT = '{noun}_is_final';
            """,
        )
    ]
