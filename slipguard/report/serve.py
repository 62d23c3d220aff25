"""A page for one person on this computer: a small server on loopback, and who it answers."""

from __future__ import annotations

import json
import secrets
import threading
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, NoReturn
from urllib.parse import parse_qs, urlsplit

from slipguard.errors import RecordingError
from slipguard.report.desk import ChangedMeanwhileError, LabelDesk

LOOPBACK = "127.0.0.1"
MOST_REQUEST_BYTES = 5_000_000
READ_TIMEOUT_S = 10.0
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; script-src 'unsafe-inline' 'unsafe-eval'; "
    "style-src 'unsafe-inline'; img-src data: blob:; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
"""The page talks to this server alone, sits in no frame, and tells nobody its address."""


class LabelServer(ThreadingHTTPServer):
    """Serves the page of a ``LabelDesk`` to whoever has its address, with the token in it.

    Only requests to 127.0.0.1 or localhost by name (so no name that was made to point here), with
    the token, and from a page of its own, are answered.

    Parameters
    ----------
    desk : LabelDesk
    port : int
        0: any that is free.

    Raises
    ------
    RecordingError
        The port cannot be used.
    """

    daemon_threads = True

    def __init__(self, desk: LabelDesk, port: int) -> None:
        self.desk, self.token, self.saving = desk, secrets.token_urlsafe(24), threading.Lock()
        try:
            super().__init__((LOOPBACK, port), _Handler)
        except OSError as err:
            raise RecordingError(
                f"port {port} of {LOOPBACK}: {err.strerror}; name another one with --port"
            ) from err
        self.hosts = {f"{name}:{self.server_port}" for name in (LOOPBACK, "localhost")}

    @property
    def address(self) -> str:
        """Where to open the page."""
        return f"http://{LOOPBACK}:{self.server_port}/?token={self.token}"


class _Handler(BaseHTTPRequestHandler):
    server: LabelServer
    server_version, sys_version = "slipguard", ""
    timeout = READ_TIMEOUT_S

    def do_GET(self) -> None:
        """The page."""
        if self._refused(posted=False):
            return
        try:
            with self.server.saving:
                text = self.server.desk.page()
        except RecordingError as err:
            self._answer(HTTPStatus.CONFLICT, "text/plain", str(err))
            return
        self._answer(HTTPStatus.OK, "text/html", text)

    def do_POST(self) -> None:
        """Labels to save."""
        if self._refused(posted=True):
            return
        try:
            wanted = json.loads(self._body(), parse_constant=_no_number)
            with self.server.saving:
                done = self.server.desk.save(wanted)
        except ChangedMeanwhileError as err:
            self._json(HTTPStatus.CONFLICT, {"error": str(err)})
        except (RecordingError, ValueError, RecursionError) as err:
            self._json(HTTPStatus.UNPROCESSABLE_ENTITY, {"error": str(err)})
        else:
            self._json(HTTPStatus.OK, done)

    def _refused(self, *, posted: bool) -> bool:
        host, url = self.headers.get("Host", ""), urlsplit(self.path)
        origin = self.headers.get("Origin")
        token = parse_qs(url.query).get("token", [""])[0]
        why = ""
        if host not in self.server.hosts:
            why = "this server answers to 127.0.0.1 and localhost only"
        elif origin != f"http://{host}" if posted else origin not in (None, f"http://{host}"):
            why = "a page from elsewhere may not ask here"
        elif not secrets.compare_digest(token.encode(), self.server.token.encode()):
            why = (
                "the token in the address is not that of this run; open the address slipguard "
                "printed. Edits that were not saved are kept in the browser"
            )
        elif posted and self.headers.get("Content-Type") != "application/json":
            why = "expected application/json"
        if why:
            self._json(HTTPStatus.FORBIDDEN, {"error": why})
        elif url.path != ("/labels" if posted else "/"):
            self._json(HTTPStatus.NOT_FOUND, {"error": "there is nothing here"})
        else:
            return False
        return True

    def _body(self) -> bytes:
        length = int(self.headers.get("Content-Length", "0"))
        if not 0 <= length <= MOST_REQUEST_BYTES:
            raise RecordingError(f"more than {MOST_REQUEST_BYTES} bytes of labels")
        return self.rfile.read(length)

    def _json(self, status: HTTPStatus, value: dict[str, Any]) -> None:
        self._answer(status, "application/json", json.dumps(value))

    def _answer(self, status: HTTPStatus, kind: str, text: str) -> None:
        content = text.encode("utf-8")
        self.send_response(status)
        for name, value in HEADERS.items():
            self.send_header(name, value)
        self.send_header("Content-Type", f"{kind}; charset=utf-8")
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, format: str, *args: object) -> None:
        """Nothing: the terminal is for what the user asked."""


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"found {word}, expected a number")
