"""Celery messages as files in one folder, for a registry that runs without a broker.

Kombu's own filesystem transport creates a message under its final name and writes it afterwards,
so a reader can take it half-written. Here a message appears by a rename, and is taken by one.
A message lost with a killed worker is no loss: the job's row is the truth, and the sweep rings
again for every row that nobody took.
"""

import os
import time
import uuid
from pathlib import Path
from queue import Empty
from typing import Any

from kombu.transport import filesystem, virtual
from kombu.utils.json import dumps, loads


class Channel(filesystem.Channel):
    def _put(self, queue: str, payload: dict[str, Any], **_: Any) -> None:  # type: ignore[override]
        # Names sort by time, so messages leave in the order in which they came.
        name = f"{time.time_ns():020d}_{uuid.uuid4().hex}.{queue}.msg"
        draft = Path(self.processed_folder) / f"{name}.draft"
        draft.write_text(dumps(payload), encoding="utf-8")
        draft.rename(Path(self.data_folder_out) / name)

    def _get(self, queue: str, timeout: float | None = None) -> Any:
        folder = Path(self.data_folder_in)
        for name in sorted(os.listdir(folder)):
            if name.partition(".")[2] != f"{queue}.msg":
                continue
            taken = Path(self.processed_folder) / name
            try:
                (folder / name).rename(taken)
            except FileNotFoundError:
                continue  # another worker was quicker
            payload = taken.read_text(encoding="utf-8")
            taken.unlink()
            return loads(payload)
        raise Empty


class Transport(filesystem.Transport):
    Channel = Channel

    def __init__(self, client: Any, **options: Any) -> None:
        super().__init__(client, **options)
        # Kombu keeps what is bound where once per process, whatever the folder. Each connection
        # here looks at its own folder instead.
        self.state = virtual.BrokerState()
