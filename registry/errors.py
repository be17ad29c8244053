"""What can be wrong with a request, said without any knowledge of HTTP.

An error has a kind (what sort of wrong), a permanent code (for scripts), a sentence (for people),
and, for data, the faults row by row. The edges translate kinds to statuses in one table each.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum


class ErrorKind(Enum):
    """The sort of wrong; each edge maps it to its own language once."""

    UNREADABLE = "unreadable"  # cannot be read at all
    UNAUTHENTICATED = "unauthenticated"
    FORBIDDEN = "forbidden"
    NOT_FOUND = "not_found"
    CONFLICT = "conflict"  # disagrees with what is stored
    STALE = "stale"  # the caller looked at an older version
    TOO_LARGE = "too_large"
    UNSUPPORTED = "unsupported"  # a format we do not take
    INVALID = "invalid"  # read, but wrong
    BUSY = "busy"  # try again later


@dataclass(frozen=True, slots=True)
class Fault:
    """One wrong cell, or one wrong row when `field` is empty.

    `row` counts data rows from 1 (row 1 is line 2 of a CSV file); None for the file as a whole.
    """

    row: int | None
    field: str
    code: str
    message: str
    value: str | None = None


class RegistryError(Exception):
    """A rule of the registry was broken. Subclasses fix `kind` and `code`."""

    kind = ErrorKind.INVALID
    code = "invalid"
    title = "The request breaks a rule of the registry"
    # The upload that remembers a refused body, where there is one.
    upload_id: int | None = None
    # How many data rows the refused body has, where they could be counted.
    rows_sent: int | None = None

    def __init__(
        self,
        message: str,
        *,
        field: str = "",
        faults: Sequence[Fault] = (),
        fault_total: int | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.field = field
        self.faults = tuple(faults)
        self.fault_total = len(self.faults) if fault_total is None else fault_total


class NotAllowed(RegistryError):
    kind = ErrorKind.FORBIDDEN
    code = "not_allowed"
    title = "Not allowed"


class NotFound(RegistryError):
    kind = ErrorKind.NOT_FOUND
    code = "not_found"
    title = "Not found"


class UnreadableBody(RegistryError):
    """The bytes are not the table they claim to be. `code` may be narrowed by the caller."""

    kind = ErrorKind.UNREADABLE
    code = "unreadable_body"
    title = "The file cannot be read"

    def __init__(self, message: str, *, code: str = "unreadable_body", **rest: object) -> None:
        super().__init__(message, **rest)  # type: ignore[arg-type]
        self.code = code


class BodyTooLarge(RegistryError):
    kind = ErrorKind.TOO_LARGE
    code = "body_too_large"
    title = "The body is too large"


class UnsupportedFormat(RegistryError):
    kind = ErrorKind.UNSUPPORTED
    code = "unsupported_format"
    title = "This format is not accepted here"


class NotAPhoto(RegistryError):
    kind = ErrorKind.UNSUPPORTED
    code = "not_a_photo"
    title = "This is not a photo that can be read"


class PhotoTooLarge(RegistryError):
    kind = ErrorKind.TOO_LARGE
    code = "photo_too_large"
    title = "The photo is too large"


class TooManyPhotos(RegistryError):
    kind = ErrorKind.CONFLICT
    code = "too_many_photos"
    title = "The look has as many photos as it can have"


class UploadRefused(RegistryError):
    """Read, but some rows are wrong: nothing was stored; `faults` says which and why."""

    kind = ErrorKind.INVALID
    code = "rows_refused"
    title = "Some rows were refused, nothing was stored"


class RecordChanged(RegistryError):
    """The same key is stored with other values. Sending it again will never help."""

    kind = ErrorKind.CONFLICT
    code = "record_changed"
    title = "Stored already with other values"

    def __init__(self, message: str, *, code: str = "record_changed", **rest: object) -> None:
        super().__init__(message, **rest)  # type: ignore[arg-type]
        self.code = code


class KeyReused(RegistryError):
    """An idempotency key came back with another body."""

    kind = ErrorKind.INVALID
    code = "idempotency_key_reused"
    title = "This idempotency key belongs to another body"


class KeyInUse(RegistryError):
    """The first request with this idempotency key has not finished."""

    kind = ErrorKind.CONFLICT
    code = "idempotency_key_running"
    title = "A request with this idempotency key is still running"


class InvalidValue(RegistryError):
    kind = ErrorKind.INVALID
    code = "invalid_value"
    title = "A value is missing or wrong"


class StateOnlyMovesForward(RegistryError):
    kind = ErrorKind.CONFLICT
    code = "state_only_moves_forward"
    title = "A trial moves forwards only"


class InvitationEnded(RegistryError):
    kind = ErrorKind.CONFLICT
    code = "invitation_ended"
    title = "The invitation was used, taken back, or has expired"


class PackageUnreadable(RegistryError):
    """The package of a release is damaged on this server; its operator has to bring it back."""

    kind = ErrorKind.BUSY
    code = "package_unreadable"
    title = "The package of this release cannot be read at present"
    # Seconds after which asking again may help: somebody has to act in between.
    wait = 3600


class NothingToPool(RegistryError):
    kind = ErrorKind.CONFLICT
    code = "nothing_to_pool"
    title = "There is nothing to pool yet"


class NothingToRelease(RegistryError):
    kind = ErrorKind.CONFLICT
    code = "nothing_to_release"
    title = "There is no finished pooling of the present data to release"


class ReportOfOtherData(RegistryError):
    """A report shows data and estimates of one moment; these data have moved on."""

    kind = ErrorKind.CONFLICT
    code = "report_of_other_data"
    title = "The data changed since this run"


class ReportNotMade(RegistryError):
    """The workers tried and failed; they may be asked again later."""

    kind = ErrorKind.BUSY
    code = "report_not_made"
    title = "The report could not be made"


class StaleVersion(RegistryError):
    kind = ErrorKind.STALE
    code = "stale_version"
    title = "The record has changed since you read it"
