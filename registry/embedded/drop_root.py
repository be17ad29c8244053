"""Run a program as an unprivileged user, when we are root and Postgres refuses to be.

`python -I drop_root.py UID GID PATH[:PATH…] PROGRAM ARGUMENTS…` is a program of its own because
changing the user between fork and exec is not safe in a process with threads.

The paths are what the program must reach. A clone under root's own home cannot be reached by
anybody else; there the program keeps one capability, to pass through and read folders, and
nothing else of root.
"""

import ctypes
import os
import sys

# linux/capability.h. Containers often withhold the first, which only reads, and grant the second.
CAP_DAC_READ_SEARCH = 2
CAP_DAC_OVERRIDE = 1
CAPABILITY_VERSION_3 = 0x20080522
# linux/prctl.h
PR_SET_KEEPCAPS = 8
PR_CAP_AMBIENT = 47
PR_CAP_AMBIENT_RAISE = 2

EXIT_CANNOT_DROP = 70


class _CapabilityHeader(ctypes.Structure):
    _fields_ = [("version", ctypes.c_uint32), ("pid", ctypes.c_int)]


class _CapabilitySet(ctypes.Structure):
    _fields_ = [
        ("effective", ctypes.c_uint32),
        ("permitted", ctypes.c_uint32),
        ("inheritable", ctypes.c_uint32),
    ]


def main() -> None:
    uid, gid, needed, program, *arguments = sys.argv[1:]
    try:
        _become(int(uid), int(gid))
        _keep_only_what_is_needed(needed.split(os.pathsep))
        os.execv(program, [program, *arguments])
    except OSError as error:
        print(f"cannot run {program} as user {uid}: {error}", file=sys.stderr)  # noqa: T201
        sys.exit(EXIT_CANNOT_DROP)


def _become(uid: int, gid: int) -> None:
    if sys.platform == "linux":
        _libc_call("prctl", PR_SET_KEEPCAPS, 1, 0, 0, 0)
    os.setgroups([])
    os.setgid(gid)
    os.setuid(uid)


def _keep_only_what_is_needed(paths: list[str]) -> None:
    closed = [path for path in paths if not os.access(path, os.X_OK)]
    if sys.platform != "linux":
        if closed:
            raise PermissionError(f"{closed[0]} lies in a folder that this user may not enter")
        return
    if not closed:
        _set_capabilities(0)
        return
    capability = _first_granted(CAP_DAC_READ_SEARCH, CAP_DAC_OVERRIDE)
    if capability is None:
        raise PermissionError(f"{closed[0]} lies in a folder that this user may not enter")
    _set_capabilities(1 << capability)
    _libc_call("prctl", PR_CAP_AMBIENT, PR_CAP_AMBIENT_RAISE, capability, 0, 0)


def _first_granted(*capabilities: int) -> int | None:
    header, sets = _CapabilityHeader(CAPABILITY_VERSION_3, 0), (_CapabilitySet * 2)()
    _libc_call("capget", ctypes.byref(header), sets)
    return next((cap for cap in capabilities if sets[0].permitted & (1 << cap)), None)


def _set_capabilities(mask: int) -> None:
    header, sets = _CapabilityHeader(CAPABILITY_VERSION_3, 0), (_CapabilitySet * 2)()
    sets[0] = _CapabilitySet(mask, mask, mask)
    _libc_call("capset", ctypes.byref(header), sets)


def _libc_call(name: str, *arguments: object) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if getattr(libc, name)(*arguments) != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"{name}: {os.strerror(number)}")


if __name__ == "__main__":
    main()
