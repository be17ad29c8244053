#!/usr/bin/env python3
"""Send a lab's files to a Coheap registry, from a shell or from Python.

One file, Python 3.9 or newer, nothing to install. Copy it beside your data.

    export COHEAP_URL=https://registry.example.org
    export COHEAP_TOKEN=...                       # or --token-file FILE
    python3 coheap_client.py check retrievals.csv # the server checks, stores nothing
    python3 coheap_client.py send  piles.csv bags.csv retrievals.csv

From Python:

    from coheap_client import Client
    answer = Client("https://registry.example.org", token).upload("bags.csv", "bags")

A file is stored whole or not at all, and sending it twice is harmless: the request carries an
`Idempotency-Key` made from the file's own SHA-256, so a repeat after a broken line gets the
first answer again.

A refused file comes back: `bags-faults.csv` beside it holds the rows as sent with what is wrong in
two columns more. With `send --split` the rows without fault are stored as an upload of their own,
and `bags-mend.csv` holds the others.
"""

from __future__ import annotations

import argparse
import csv
import email.utils
import gzip
import hashlib
import http.client
import json
import os
import random
import re
import ssl
import stat
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from pathlib import Path
from typing import Any, BinaryIO, Callable, Dict, Iterator, List, Mapping, NamedTuple, Optional, Set

VERSION = "1.1"

# The order in which a fresh trial must be sent: each kind names rows of the kinds before it.
KINDS = (
    "materials",
    "compositions",
    "piles",
    "feedstocks",
    "turnings",
    "temperatures",
    "bags",
    "retrievals",
)
CONTENT_TYPES = {
    ".csv": "text/csv; charset=utf-8",
    ".ndjson": "application/x-ndjson",
    ".jsonl": "application/x-ndjson",
}
# Overload, or a gateway that could not reach the server: the same request may work later.
WORTH_RETRYING = frozenset({429, 502, 503, 504})
FIRST_WAIT_S = 1.0
LONGEST_BACK_OFF_S = 60.0
# A server that asks for a longer pause than this is better tried again by the caller's schedule.
LONGEST_RETRY_AFTER_S = 300.0
LONGEST_VALUE_SHOWN = 30
IN_MEMORY_BYTES = 8 * 1024 * 1024
# The server lists 1,000 faults at a time; a file with more than this many lists has one cause.
MOST_CHECKS_OF_A_SPLIT = 20

EXIT_CODES = """exit codes:
  0  stored (send), or nothing wrong found (check)
  1  refused: the file has faults; they are listed; change the file
     (send --split: or the rows left in the file to mend; the others are stored)
  2  wrong use: options, file name, address or token source
  3  not allowed: the token is missing, expired, or not for this site
  4  server unreachable or overloaded after all attempts: try again later
  5  conflict: a row is already stored with other values, or the same file is still being stored
  6  an answer this program does not understand; tell the registry's operator
"""


class ClientError(Exception):
    """Anything that stopped an upload. `problem` is the server's problem document, or {}."""

    exit_code = 6

    def __init__(
        self, message: str, *, status: int | None = None, problem: Mapping[str, Any] | None = None
    ) -> None:
        super().__init__(message)
        self.status = status
        self.problem = dict(problem or {})


class Refused(ClientError):
    """The server found faults in the file or could not read it (400, 413, 415, 422)."""

    exit_code = 1


class WrongUse(ClientError):
    """Nothing was sent, or it was sent to an address that has no such page (404, 405)."""

    exit_code = 2


class NotAllowed(ClientError):
    """The token is missing, unknown, expired, or lacks the right (401, 403)."""

    exit_code = 3


class Unreachable(ClientError):
    """No usable answer after every attempt."""

    exit_code = 4


class Conflict(ClientError):
    """Stored before with other values, or the same request is still running (409, 412)."""

    exit_code = 5


class UnexpectedAnswer(ClientError):
    """A redirect, a server fault, or an answer that is not the registry's."""

    exit_code = 6


class SplitUpload(NamedTuple):
    """A file whose faulty rows were left out: the server's answer and the refusal before it."""

    answer: Dict[str, Any]
    refusal: Refused
    mend_file: Path
    rows_left: int


ERROR_OF_STATUS: dict[int, type[ClientError]] = {
    401: NotAllowed,
    403: NotAllowed,
    404: WrongUse,
    405: WrongUse,
    409: Conflict,
    412: Conflict,
}


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """urllib would turn a redirected POST into a GET and hand the token to the new host."""

    def redirect_request(self, *_args: Any, **_kwargs: Any) -> None:
        return None


class Client:
    """A registry's address and a token; `upload` does the rest.

    Parameters
    ----------
    url : address of the registry, with or without `/api/v1`.
    token : a lab's or coordinator's token, sent as `Authorization: Bearer`.
    attempts : how often one file is tried when the server is overloaded or the line breaks.
    timeout_s : longest silence on the connection.
    plain_http : allow sending the token unencrypted to another machine.
    sleep, say : called to wait (seconds) and to report a retry (one line of text).
    """

    def __init__(
        self,
        url: str,
        token: str,
        *,
        attempts: int = 6,
        timeout_s: float = 120.0,
        plain_http: bool = False,
        sleep: Callable[[float], None] | None = None,
        say: Callable[[str], None] | None = None,
    ) -> None:
        self.base_url = _base_url(url, plain_http=plain_http)
        self.attempts = max(1, attempts)
        self.timeout_s = timeout_s
        self._token = _clean_token(token)
        self._sleep = sleep or time.sleep
        self._say = say or (lambda _line: None)
        # Proxies come from the environment; certificates are always verified.
        self._opener = urllib.request.build_opener(_NoRedirect)

    def upload(
        self, path: str | os.PathLike[str], kind: str, dry_run: bool = False
    ) -> dict[str, Any]:
        """Send one file of one kind, or have it checked only; returns the server's answer.

        Raises a subclass of ClientError; `error.problem["errors"]` then lists the faulty rows.
        """
        if kind not in KINDS:
            raise WrongUse(f"{kind!r} is not a kind of upload; the kinds are {', '.join(KINDS)}.")
        source = Path(path)
        content_type = _content_type(source)
        url = f"{self.base_url}/api/v1/{kind}/"
        with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY_BYTES) as body:
            sha256, size = _compress(source, body)
            headers = {
                "Accept": "application/json",
                "Authorization": f"Bearer {self._token}",
                "Content-Disposition": f'attachment; filename="{_header_safe(source.name)}"',
                "Content-Encoding": "gzip",
                "Content-Length": str(size),
                "Content-Type": content_type,
                "User-Agent": f"coheap-client/{VERSION}",
            }
            if dry_run:
                # A check stores nothing, so it needs no key and must not use up the real one.
                url += "?dry_run=true"
            else:
                headers["Idempotency-Key"] = idempotency_key(sha256, kind, url)
            try:
                return self._post_until_answered(url, headers, body)
            except Refused as refusal:
                if dry_run or refusal.status != 422:
                    raise
                return self._ask_afresh(url, headers, body, refusal)

    def annotated(self, upload_id: int) -> bytes:
        """The rows of a refused upload as sent, as CSV, with what is wrong in two columns more."""
        url = f"{self.base_url}/api/v1/uploads/{upload_id}/annotated/"
        headers = {
            "Accept": "text/csv, application/json",
            "Authorization": f"Bearer {self._token}",
            "User-Agent": f"coheap-client/{VERSION}",
        }
        status, answer_headers, content, trouble = self._until_answered(url, headers, None)
        if status != 200:
            _read_answer(status, answer_headers, content, after=trouble)
            raise UnexpectedAnswer(f"Answer {status} where a file was expected.", status=status)
        return content

    def upload_split(
        self, path: str | os.PathLike[str], kind: str, refusal: Refused
    ) -> SplitUpload:
        """After `upload` was refused: send the rows without fault, leave the others in a file.

        Raises `refusal` again when no row can be told from the others or none would be left, and
        Refused when the faults have no end. Whatever is raised, nothing was stored or written.
        """
        source = Path(path)
        with tempfile.TemporaryDirectory() as folder:
            good = Path(folder) / f"{source.stem}-good{source.suffix}"
            left = self._rows_to_leave(source, kind, refusal, good)
            with tempfile.TemporaryFile() as rest:
                _copy_rows(source, rest, lambda row: row in left)
                rest.seek(0)
                mend_file = write_beside(source, "mend", rest.read(), suffix=source.suffix)
            try:
                answer = self.upload(good, kind)
            except ClientError:
                mend_file.unlink()
                raise
        return SplitUpload(answer, refusal, mend_file, len(left))

    def _rows_to_leave(self, source: Path, kind: str, refusal: Refused, good: Path) -> Set[int]:
        """Numbers of the faulty rows; `good` then holds the others, and they pass a check.

        The check is needed: not every fault may have been listed, and rows can depend on others.
        """
        left = faulty_rows(refusal)
        for _ in range(MOST_CHECKS_OF_A_SPLIT):
            with good.open("wb") as file:
                kept = _copy_rows(source, file, lambda row, left=left: row not in left)
            if not kept:
                raise refusal
            try:
                self.upload(good, kind, dry_run=True)
            except Refused as again:
                left |= {kept[row - 1] for row in faulty_rows(again)}
            else:
                return left
        raise Refused(
            f"Leaving out {len(left)} rows uncovered still more faults. Mend what these rows have "
            "in common first; nothing was stored.",
            status=refusal.status,
            problem=refusal.problem,
        )

    def _ask_afresh(
        self, url: str, headers: Mapping[str, str], body: Any, refusal: Refused
    ) -> dict[str, Any]:
        """A refusal may be an old answer to this key, from before the rows it missed were sent.

        A check needs no key and sees what is stored now. When it finds the same faults, the
        refusal stands. Else the file is sent without a key, which is safe too: a file is stored
        whole or not at all, the same again is harmless, and a new refusal is remembered anew.
        """
        keyless = {name: value for name, value in headers.items() if name != "Idempotency-Key"}
        try:
            self._post_until_answered(f"{url}?dry_run=true", keyless, body)
        except Refused as today:
            if today.problem.get("errors") == refusal.problem.get("errors"):
                raise refusal from None
        return self._post_until_answered(url, keyless, body)

    def _post_until_answered(
        self, url: str, headers: Mapping[str, str], body: Any
    ) -> dict[str, Any]:
        status, answer_headers, content, trouble = self._until_answered(url, headers, body)
        return _read_answer(status, answer_headers, content, after=trouble)

    def _until_answered(
        self, url: str, headers: Mapping[str, str], body: Any
    ) -> tuple[int, Mapping[str, str], bytes, str]:
        """Status, headers and content of the answer, and the trouble before it, if any."""
        trouble = ""
        for attempt in range(1, self.attempts + 1):
            if body is not None:
                body.seek(0)
            asked_for: float | None = None
            try:
                status, answer_headers, content = self._ask(url, headers, body)
            except (OSError, http.client.HTTPException) as error:
                _raise_if_hopeless(error)
                trouble = _describe(error)
            else:
                if status not in WORTH_RETRYING:
                    return status, answer_headers, content, trouble
                asked_for = retry_after_s(answer_headers.get("Retry-After"), now=time.time())
                trouble = f"the server answered {status}{_title(content)}"
            if attempt < self.attempts:
                self._wait(attempt, asked_for, trouble)
        raise Unreachable(
            f"No success after {self.attempts} attempts at {url}: {trouble}. Nothing is lost; "
            "run the same command again later."
        )

    def _ask(
        self, url: str, headers: Mapping[str, str], body: BinaryIO | None
    ) -> tuple[int, Mapping[str, str], bytes]:
        verb = "GET" if body is None else "POST"
        request = urllib.request.Request(url, data=body, headers=dict(headers), method=verb)
        try:
            with self._opener.open(request, timeout=self.timeout_s) as reply:
                return reply.status, reply.headers, reply.read()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.headers, error.read()

    def _wait(self, attempt: int, asked_for: float | None, trouble: str) -> None:
        if asked_for is not None and asked_for > LONGEST_RETRY_AFTER_S:
            raise Unreachable(f"{trouble}, and asks to wait {asked_for:.0f} s: try again then.")
        longest = min(FIRST_WAIT_S * 2 ** (attempt - 1), LONGEST_BACK_OFF_S)
        # Jitter: labs whose line broke at the same moment must not come back at the same moment.
        wait = (asked_for or 0.0) + random.uniform(0.5, 1.0) * longest
        self._say(f"{trouble}; attempt {attempt + 1} of {self.attempts} in {wait:.1f} s")
        self._sleep(wait)


def idempotency_key(sha256: str, kind: str, url: str) -> str:
    """The same UUID for the same bytes sent as the same kind to the same address."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"{url}#{kind}/{sha256}"))


def retry_after_s(value: str | None, *, now: float) -> float | None:
    """Seconds to wait by a `Retry-After` header (RFC 9110, 10.2.3): a number or a date."""
    if value is None:
        return None
    if value.strip().isdigit():
        return float(value.strip())
    try:
        return max(0.0, email.utils.parsedate_to_datetime(value).timestamp() - now)
    except (TypeError, ValueError, IndexError):
        return None


def guess_kind(path: str | os.PathLike[str]) -> str:
    """The kind named in a file's name, as in `retrievals.csv`, `2026-04_bag.csv`, `Piles-N.csv`."""
    words = set(re.findall(r"[a-z]+", Path(path).stem.lower()))
    found = [kind for kind in KINDS if kind in words or kind[:-1] in words]
    if len(found) != 1:
        what = "names no kind of upload" if not found else f"names {' and '.join(found)}"
        raise WrongUse(
            f"{Path(path).name} {what}; say which with --kind (one of {', '.join(KINDS)})."
        )
    return found[0]


def line_numbers(path: str | os.PathLike[str]) -> dict[int, int]:
    """Line of the file on which each data row starts; rows count from 1 and skip blank lines."""
    with Path(path).open(encoding="utf-8-sig", errors="replace", newline="") as file:
        if Path(path).suffix.lower() == ".csv":
            starts = _csv_record_lines(file)
            next(starts, None)  # the header
        else:
            starts = (number for number, line in enumerate(file, start=1) if line.strip())
        return dict(enumerate(starts, start=1))


def faulty_rows(refusal: Refused) -> Set[int]:
    """Numbers of the rows that cannot be sent as they are.

    Of two rows that contradict each other both are, though the server faults the second only:
    which one is true is for people to say. Raises the refusal when a fault is of the whole file.
    """
    faults = refusal.problem.get("errors") or []
    rows = [item.get("row") for item in faults]
    for item in faults:
        if item.get("code") == "duplicate_row":
            other = re.match(r"Row (\d+) ", str(item.get("message")))
            rows.append(int(other.group(1)) if other else None)
    if not rows or not all(isinstance(row, int) and row > 0 for row in rows):
        raise refusal
    return set(rows)


def write_beside(source: Path, what: str, content: bytes, suffix: str = ".csv") -> Path:
    """Write `<name>-<what>.csv` beside a file; other content is never overwritten, but numbered."""
    for number in range(1, 1000):
        name = f"{source.stem}-{what}" + (f"-{number}" if number > 1 else "") + suffix
        target = source.with_name(name)
        try:
            with target.open("xb") as file:
                file.write(content)
        except FileExistsError:
            if not target.is_file() or target.read_bytes() != content:
                continue
        except OSError as error:
            raise WrongUse(f"{target} cannot be written: {error}") from error
        return target
    raise WrongUse(f"There are too many files like {source.stem}-{what}{suffix}; clear some away.")


def error_table(
    problem: Mapping[str, Any], lines: Mapping[int, int], *, at_most: int | None = None
) -> str:
    """The faulty rows of a problem document as aligned text, with the true total below."""
    errors = [item for item in problem.get("errors") or [] if isinstance(item, dict)]
    shown = errors if at_most is None else errors[:at_most]
    rows = [("row", "line", "field", "code", "value", "what to change")]
    for item in shown:
        line = lines.get(item["row"], "") if isinstance(item.get("row"), int) else ""
        value = _shorten(item.get("value"))
        cells = (item.get("row"), line, item.get("field"), item.get("code"), value)
        rows.append((*map(_plain, cells), _plain(item.get("message"))))
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]) - 1)]
    text = []
    for row in rows:
        padded = "".join(cell.ljust(width + 2) for cell, width in zip(row, widths))  # noqa: B905
        text.append((padded + row[-1]).rstrip())
    total = fault_total(problem)
    if total > len(shown):
        text.append(f"… {total - len(shown)} more; {total} faults in all.")
    return "\n".join(text)


def fault_total(problem: Mapping[str, Any]) -> int:
    """How many faults the file really has; the server lists at most 1,000 of them."""
    listed = len(problem.get("errors") or [])
    total = problem.get("error_total")
    return total if isinstance(total, int) and total > listed else listed


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    options = _parser().parse_args(arguments)
    try:
        jobs = _jobs(options)
        client = Client(
            options.url,
            _find_token(options.token_file),
            attempts=options.attempts,
            timeout_s=options.timeout,
            plain_http=options.plain_http,
            say=_say,
        )
    except ClientError as error:
        _say(str(error))
        return error.exit_code
    exit_code = 0
    for path, kind in jobs:
        code, partly = _run_one(client, path, kind, options)
        exit_code = exit_code or code
        # A later file may need the rows of this one; a check of the others is still of use.
        if code and not partly and (options.command == "send" or code not in (1, 5)):
            break
    return exit_code


def _run_one(
    client: Client, path: Path, kind: str, options: argparse.Namespace
) -> tuple[int, bool]:
    """Send or check one file; returns the exit code and whether a part of it was stored."""
    dry_run = options.command == "check"
    report: dict[str, Any] = {"file": str(path), "kind": kind, "dry_run": dry_run}
    split: Optional[SplitUpload] = None
    try:
        answer = client.upload(path, kind, dry_run=dry_run)
    except ClientError as error:
        told: List[str] = []
        error, split = _give_back(client, path, kind, error, options, report, told)
        exit_code = error.exit_code
        report.update(exit_code=exit_code, status=error.status, message=str(error))
        if error.problem:
            report["problem"] = error.problem
        text = "\n".join([_failure_text(path, error, options.max_errors), *told])
    else:
        report.update(exit_code=0, answer=answer)
        text, exit_code = _success_text(path, kind, answer, dry_run=dry_run), 0
    if options.json:
        print(json.dumps(report, ensure_ascii=False), flush=True)
    else:
        print(text, file=sys.stderr if exit_code else sys.stdout, flush=True)
    return exit_code, split is not None


def _give_back(
    client: Client,
    path: Path,
    kind: str,
    error: ClientError,
    options: argparse.Namespace,
    report: Dict[str, Any],
    told: List[str],
) -> tuple[ClientError, SplitUpload | None]:
    """Write the refused rows with their faults beside the file; with --split, send the others."""
    if not isinstance(error, Refused):
        return error, None
    if isinstance(error.problem.get("upload"), int) and error.problem.get("errors"):
        told.append(_write_faults(client, path, error, report))
    if not getattr(options, "split", False):
        return error, None
    try:
        split = client.upload_split(path, kind, error)
    except ClientError as failure:
        if failure is error:
            told.append(f"{path}: no row could be sent without the others; nothing was stored.")
        return failure, None
    report.update(answer=split.answer, mend_file=str(split.mend_file), rows_left=split.rows_left)
    told.append(_success_text(path, kind, split.answer, dry_run=False))
    told.append(f"{path}: {split.rows_left} rows were not sent; mend them in {split.mend_file}.")
    return error, split


def _write_faults(client: Client, path: Path, error: Refused, report: Dict[str, Any]) -> str:
    """Fetch the annotated rows and write them beside the file; returns what to tell about it."""
    try:
        written = write_beside(path, "faults", client.annotated(error.problem["upload"]))
    except ClientError as failure:
        return f"{path}: the rows could not be written beside their faults: {failure}"
    report.update(faults_file=str(written))
    return f"{path}: every row with its faults is in {written}."


def _success_text(path: Path, kind: str, answer: Mapping[str, Any], *, dry_run: bool) -> str:
    rows, created, unchanged = (answer.get(name, "?") for name in ("rows", "created", "unchanged"))
    if dry_run:
        counts = f"{created} would be new, {unchanged} are stored already"
        return f"{path}: no fault in {rows} rows of {kind} ({counts}). Nothing was stored."
    upload = f"; upload {answer['id']}" if "id" in answer else ""
    text = f"{path}: {rows} rows of {kind} stored ({created} new, {unchanged} as before){upload}."
    if answer.get("review") == "waiting":
        text += "\nThe quality rules run over them in the background; findings show on the site."
    return text


def _failure_text(path: Path, error: ClientError, at_most: int) -> str:
    text = f"{path}: {error}"
    if error.problem.get("errors"):
        text += "\n" + error_table(error.problem, line_numbers(path), at_most=at_most)
    return text


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="coheap_client.py",
        description="Check a lab's files on a Coheap registry, or send them to be stored.",
        epilog=EXIT_CODES + "\nThe token is read from COHEAP_TOKEN or --token-file, never from the"
        "\ncommand line, where other users of the machine could read it.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=VERSION)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, text in (
        ("check", "let the server check each file by itself; nothing is stored"),
        ("send", "store the files, in the order in which they depend on one another"),
    ):
        command = commands.add_parser(
            name,
            help=text,
            description=text,
            epilog=EXIT_CODES,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        _add_options(command)
        if name == "send":
            command.add_argument(
                "--split",
                action="store_true",
                help="of a refused file, store the rows without fault and leave the others in "
                "NAME-mend.csv",
            )
    return parser


def _add_options(command: argparse.ArgumentParser) -> None:
    command.add_argument("files", nargs="+", type=Path, metavar="FILE", help=".csv or .ndjson")
    command.add_argument("--kind", choices=KINDS, help="default: guessed from each file's name")
    command.add_argument(
        "--url",
        default=os.environ.get("COHEAP_URL"),
        help="address of the registry (default: environment variable COHEAP_URL)",
    )
    command.add_argument("--token-file", type=Path, help="file with the token alone in it")
    command.add_argument("--attempts", type=int, default=6, help="tries per file (default 6)")
    command.add_argument(
        "--timeout", type=float, default=120.0, help="seconds of silence allowed (default 120)"
    )
    command.add_argument("--max-errors", type=int, default=25, help="faults shown (default 25)")
    command.add_argument("--json", action="store_true", help="one JSON object per file and line")
    command.add_argument(
        "--plain-http",
        action="store_true",
        help="allow http:// to another machine; the token then travels readable",
    )


def _jobs(options: argparse.Namespace) -> list[tuple[Path, str]]:
    jobs = [(path, options.kind or guess_kind(path)) for path in options.files]
    for path, _kind in jobs:
        _content_type(path)
        if not path.is_file():
            raise WrongUse(f"{path} is not a file that can be read.")
    if not options.url:
        raise WrongUse("Give the registry's address with --url or COHEAP_URL.")
    return sorted(jobs, key=lambda job: KINDS.index(job[1]))


def _find_token(token_file: Path | None) -> str:
    if token_file is None:
        token = os.environ.get("COHEAP_TOKEN", "")
        if not token.strip():
            raise WrongUse("Put the token into COHEAP_TOKEN, or into a file named by --token-file.")
        return token
    try:
        mode = token_file.stat().st_mode
        token = token_file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise WrongUse(f"The token file cannot be read: {error}") from error
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        _say(f"warning: others on this machine can read {token_file}; chmod 600 it")
    return token


def _base_url(url: str, *, plain_http: bool) -> str:
    parts = urllib.parse.urlsplit(url.strip())
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise WrongUse(f"{url!r} is not an address like https://registry.example.org")
    if parts.username or parts.query or parts.fragment:
        raise WrongUse("The address must hold no user name, query or fragment.")
    local = parts.hostname in ("localhost", "127.0.0.1", "::1")
    if parts.scheme == "http" and not local and not plain_http:
        raise WrongUse(
            f"{url} is not encrypted, so the token could be read on the way: use https://, "
            "or allow it with --plain-http on a network you trust."
        )
    path = re.sub(r"/api/v1/?$", "", parts.path.rstrip("/"))
    return urllib.parse.urlunsplit((parts.scheme, parts.netloc, path.rstrip("/"), "", ""))


def _clean_token(token: str) -> str:
    token = token.strip()
    if not token or not token.isascii() or not token.isprintable() or " " in token:
        raise WrongUse("The token is empty or holds characters no token has.")
    return token


def _content_type(path: Path) -> str:
    try:
        return CONTENT_TYPES[path.suffix.lower()]
    except KeyError:
        raise WrongUse(
            f"{path.name}: only {', '.join(CONTENT_TYPES)} files can be sent; "
            "save a spreadsheet as CSV (UTF-8, comma) first."
        ) from None


def _compress(source: Path, body: Any) -> tuple[str, int]:
    """Write the file gzipped into `body`; returns its SHA-256 and the compressed size."""
    digest = hashlib.sha256()
    try:
        # No time stamp and no name inside: the same file makes the same body.
        packer = gzip.GzipFile(filename="", mode="wb", fileobj=body, mtime=0)
        with source.open("rb") as file, packer:
            for chunk in iter(lambda: file.read(1024 * 1024), b""):
                digest.update(chunk)
                packer.write(chunk)
    except OSError as error:
        raise WrongUse(f"{source} cannot be read: {error}") from error
    return digest.hexdigest(), body.tell()


def _read_answer(
    status: int, headers: Mapping[str, str], content: bytes, *, after: str
) -> dict[str, Any]:
    try:
        answer = json.loads(content or b"{}")
    except ValueError:
        answer = None
    if 200 <= status < 300 and isinstance(answer, dict):
        return answer
    problem = answer if isinstance(answer, dict) else {}
    if 300 <= status < 400:
        target = _plain(headers.get("Location"))
        raise UnexpectedAnswer(f"The registry has moved to {target}: use that with --url.")
    if not 400 <= status < 500:
        raise UnexpectedAnswer(f"Answer {status}{_title(content)}.", status=status, problem=problem)
    text = _plain(problem.get("detail") or problem.get("title") or "")
    message = text or f"the server answered {status} without saying why"
    if status == 409 and after:
        message += (
            f" (An earlier attempt broke off: {after}. The server may still be storing it; "
            "run the same command again in a minute.)"
        )
    raise ERROR_OF_STATUS.get(status, Refused)(message, status=status, problem=problem)


def _raise_if_hopeless(error: Exception) -> None:
    reason = getattr(error, "reason", error)
    if isinstance(reason, ssl.SSLCertVerificationError):
        raise UnexpectedAnswer(
            f"The server's certificate is not trusted ({reason.verify_message}); nothing was sent."
        ) from error


def _describe(error: Exception) -> str:
    reason = getattr(error, "reason", error)
    if "timed out" in str(reason):  # Python 3.9 has two classes for it
        return "the connection timed out"
    return f"the connection failed ({type(reason).__name__}: {reason})"


def _title(content: bytes) -> str:
    try:
        return f" ({_plain(json.loads(content)['title'])})"
    except (ValueError, KeyError, TypeError):
        return ""


def _csv_record_lines(file: Any) -> Iterator[int]:
    """Line on which each non-blank CSV record starts; a quoted cell may span lines."""
    csv.field_size_limit(min(sys.maxsize, 2**31 - 1))
    reader = csv.reader(line.replace("\0", " ") for line in file)
    start = 1
    for record in reader:
        if record:
            yield start
        start = reader.line_num + 1


def _copy_rows(source: Path, target: Any, wanted: Callable[[int], bool]) -> List[int]:
    """Copy the wanted rows byte by byte, after a CSV's header; returns their numbers."""
    is_csv = source.suffix.lower() == ".csv"
    copied = []
    # Latin-1 gives every byte back as it was; line breaks and quotes are the same in UTF-8.
    with source.open(encoding="latin-1", newline="") as file:
        records = _csv_records(file) if is_csv else (line for line in file if line.strip())
        for row, record in enumerate(records, start=0 if is_csv else 1):
            if row and not wanted(row):
                continue
            if row:
                copied.append(row)
            ending = "" if record.endswith(("\n", "\r")) else "\n"
            target.write((record + ending).encode("latin-1"))
    return copied


def _csv_records(file: Any) -> Iterator[str]:
    """The text of each non-blank CSV record, quoted line breaks and all; the header first."""
    csv.field_size_limit(min(sys.maxsize, 2**31 - 1))
    lines: List[str] = []

    def noted() -> Iterator[str]:
        for line in file:
            lines.append(line)
            yield line.replace("\0", " ").replace("\u00ef\u00bb\u00bf", "")

    for record in csv.reader(noted()):
        text = "".join(lines)
        lines.clear()
        if record:
            yield text


def _header_safe(name: str) -> str:
    """A file name that may stand in quotes in a header; it is for people to recognise only."""
    return re.sub(r"[^ -~]|[\"\\\\]", "_", name)


def _shorten(value: object) -> object:
    text = "" if value is None else str(value)
    return text if len(text) <= LONGEST_VALUE_SHOWN else text[: LONGEST_VALUE_SHOWN - 1] + "…"


def _plain(value: object) -> str:
    """Text fit for a terminal: what a cell holds must not move the cursor or change colours."""
    text = "" if value is None else str(value)
    return "".join(char if char.isprintable() else "�" for char in text)


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


if __name__ == "__main__":
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    sys.exit(main())
