"""The zip: sorted members, one fixed time, checksums inside; whole or absent."""

import hashlib
import os
import re
import tempfile
import zipfile
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from registry.packages.errors import PackageFault

SUMS = "SHA256SUMS"
_SUM_LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")
# Plain file, readable by all, as unpacked on any system.
_UNIX = 3
_MODE = 0o100644 << 16


def write_archive(path: Path, files: Mapping[str, bytes], *, at: datetime) -> str:
    """Write `files` and their checksums as a zip; returns the SHA-256 of the zip.

    The same files and time give the same bytes. Written under a temporary name, then renamed.
    """
    members = dict(files)
    members[SUMS] = sums_text(files).encode()
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as target:
            _write_members(target, members, at)
            target.flush()
            os.fsync(target.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise
    return sha256_of(path)


def read_archive(path: Path) -> dict[str, bytes]:
    """Content of every member. Raises PackageFault when the file is not a readable zip."""
    try:
        with zipfile.ZipFile(path) as archive:
            return {name: archive.read(name) for name in sorted(archive.namelist())}
    except (OSError, zipfile.BadZipFile, EOFError, zlib.error) as error:
        raise PackageFault(f"{path} cannot be read as a zip file: {error}") from error


def sums_text(files: Mapping[str, bytes]) -> str:
    """Lines as `sha256sum --check` reads them."""
    return "".join(
        f"{hashlib.sha256(content).hexdigest()}  {name}\n"
        for name, content in sorted(files.items())
    )


def sum_faults(files: Mapping[str, bytes]) -> list[str]:
    """What disagrees with the checksums inside, one sentence each."""
    if SUMS not in files:
        return [f"{SUMS} is missing, so nothing can be verified."]
    listed: dict[str, str] = {}
    faults = []
    for line in files[SUMS].decode("utf-8", errors="replace").splitlines():
        if match := _SUM_LINE.fullmatch(line):
            listed[match[2]] = match[1]
        else:
            faults.append(f"{SUMS} has a line that is not a checksum: {line[:80]!r}.")
    present = files.keys() - {SUMS}
    faults += [
        f"{name} is listed in {SUMS} but missing." for name in sorted(listed.keys() - present)
    ]
    faults += [f"{name} is not listed in {SUMS}." for name in sorted(present - listed.keys())]
    faults += [
        f"{name} has been changed: its checksum does not match {SUMS}."
        for name in sorted(present & listed.keys())
        if hashlib.sha256(files[name]).hexdigest() != listed[name]
    ]
    return faults


def sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _write_members(target: object, members: Mapping[str, bytes], at: datetime) -> None:
    moment = at.astimezone(UTC)
    # A zip counts in steps of two seconds, from 1980.
    stamp = (
        moment.year,
        moment.month,
        moment.day,
        moment.hour,
        moment.minute,
        moment.second // 2 * 2,
    )
    with zipfile.ZipFile(target, "w") as archive:  # type: ignore[call-overload]
        for name in sorted(members):
            member = zipfile.ZipInfo(name, date_time=stamp)
            member.create_system = _UNIX
            member.external_attr = _MODE
            member.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(member, members[name], compresslevel=6)
