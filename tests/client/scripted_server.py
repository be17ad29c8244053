"""A registry that answers from a script, over real sockets: what the client meets in the field."""

import json
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass(frozen=True)
class Reply:
    """One scripted answer; `cut` breaks the connection at a point instead of answering whole."""

    status: int = 201
    body: dict[str, Any] | bytes = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)
    cut: str = ""  # "", "before" (no byte of an answer) or "half" (half of the body)


@dataclass(frozen=True)
class Seen:
    """What the server received."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Script:
    """Answers still to give, and requests received so far."""

    replies: list[Reply]
    url: str = ""
    seen: list[Seen] = field(default_factory=list)


class _Handler(BaseHTTPRequestHandler):
    script: Script

    def do_POST(self) -> None:
        self._answer()

    def do_GET(self) -> None:
        self._answer()

    def _answer(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        headers = {name.lower(): value for name, value in self.headers.items()}
        self.script.seen.append(Seen(self.path, headers, body))
        reply = self.script.replies.pop(0)
        if reply.cut == "before":
            self._break_off()
            return
        content = reply.body if isinstance(reply.body, bytes) else json.dumps(reply.body).encode()
        self.send_response(reply.status)
        self.send_header("Content-Length", str(len(content)))
        for name, value in reply.headers.items():
            self.send_header(name, value)
        self.end_headers()
        if reply.cut == "half":
            self.wfile.write(content[: len(content) // 2])
            self.wfile.flush()
            self._break_off()
            return
        self.wfile.write(content)

    def _break_off(self) -> None:
        # Linger 0 sends a reset, as a router that forgets a connection does.
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.close_connection = True
        self.connection.close()

    def finish(self) -> None:
        if self.connection.fileno() != -1:
            super().finish()

    def log_message(self, *_args: object) -> None:
        pass


@contextmanager
def answering(*replies: Reply) -> Iterator[Script]:
    """Serve the replies in order on a free port of this machine."""
    script = Script(list(replies))
    handler = type("Handler", (_Handler,), {"script": script})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    script.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield script
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
