"""Transactions that may collide with another upload, and the rules only the database knows."""

from collections.abc import Callable
from typing import TypeVar

from django.db import DatabaseError, connection, transaction
from psycopg import errors as postgres

from registry.errors import Fault, UploadRefused

T = TypeVar("T")

# Another upload stored the same rows at the same moment, or waited for us while we waited for it:
# look again. After so many collisions something else is wrong.
MOST_ATTEMPTS = 4
COLLISIONS = (postgres.UniqueViolation, postgres.DeadlockDetected, postgres.SerializationFailure)
BROKEN_RULES = (postgres.IntegrityError, postgres.DataError)


def in_turn(work: Callable[[], T]) -> T:
    """Run in a transaction; when another upload came first, run again on what is stored now.

    Raises UploadRefused when a rule of the database is broken that no check has named.
    """
    for attempt in range(1, MOST_ATTEMPTS + 1):
        try:
            with transaction.atomic():
                result = work()
                # Deferred rules speak now, where their answer can still be told.
                connection.check_constraints()
                return result
        except (DatabaseError, postgres.Error) as error:
            cause = error.__cause__ if isinstance(error, DatabaseError) else error
            if isinstance(cause, COLLISIONS) and attempt < MOST_ATTEMPTS:
                continue
            if isinstance(cause, BROKEN_RULES):
                raise _broken_rule(cause) from error
            raise
    raise AssertionError("the last attempt returns or raises")


def _broken_rule(cause: postgres.Error) -> UploadRefused:
    name = cause.diag.constraint_name or cause.diag.message_primary or "without a name"
    message = f"The rows break the registry's rule {name}; nothing was stored."
    return UploadRefused(message, faults=[Fault(None, "", "rule_broken", message)])
