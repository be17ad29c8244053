"""What is known of a running process by its number."""

import os
import subprocess
import sys
from pathlib import Path


def command_line(pid: int) -> str:
    """The command line of a process; empty when there is none, or only its remains."""
    if sys.platform == "linux":
        try:
            raw = Path(f"/proc/{pid}/cmdline").read_bytes()
        except OSError:
            return ""
        return os.fsdecode(raw.replace(b"\0", b" ")).strip()
    listing = subprocess.run(
        ["ps", "-o", "command=", "-p", str(pid)], capture_output=True, text=True, check=False
    )
    return listing.stdout.strip()
