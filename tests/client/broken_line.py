"""A line between a lab and a registry that breaks at the worst moments: after the server has acted.

Requests reach the real server whole; what breaks is the way back, so the lab cannot know.
"""

import http.client
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit

HOP_BY_HOP = ("connection", "transfer-encoding", "date", "server")


class _Handler(BaseHTTPRequestHandler):
    upstream: str
    breaks: list[str]

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        line = http.client.HTTPConnection(self.upstream, timeout=60)
        line.request("POST", self.path, body, dict(self.headers))
        answer = line.getresponse()
        content = answer.read()
        line.close()
        broken = self.breaks.pop(0) if self.breaks else ""
        if broken != "before the answer":
            self.send_response(answer.status)
            for name, value in answer.getheaders():
                if name.lower() not in HOP_BY_HOP:
                    self.send_header(name, value)
            self.end_headers()
            self.wfile.write(content[: len(content) // 2] if broken else content)
            self.wfile.flush()
        if broken:
            self._break_off()

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
def line_to(url: str, *breaks: str) -> Iterator[str]:
    """Address of the line; each break is used up by one request, then the line holds."""
    known = {"upstream": urlsplit(url).netloc, "breaks": list(breaks)}
    server = ThreadingHTTPServer(("127.0.0.1", 0), type("Handler", (_Handler,), known))
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
    assert not known["breaks"], "the line did not break as often as it should"
