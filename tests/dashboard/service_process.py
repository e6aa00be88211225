"""A service as a process of its own on a free port of 127.0.0.1, and plain requests to it."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

ROOT = Path(__file__).parents[2]
WAIT_S = 90.0  # an upper bound for a busy machine; nothing here is timed


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Service:
    archive: Path
    port: int
    process: subprocess.Popen[bytes]
    log: Path
    headers: dict[str, str] = field(default_factory=dict[str, str])

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None, **query: str
    ) -> Answer:
        """One request on a connection of its own; sets nothing that is not given, apart from Host and the length."""
        target = path + (f"?{urlencode(query, quote_via=quote)}" if query else "")
        con = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WAIT_S)
        with contextlib.closing(con):
            sent = {**self.headers, **(headers or {})}
            con.putrequest(method, target, skip_host="Host" in sent, skip_accept_encoding=True)
            for name, value in sent.items():
                con.putheader(name, value)
            if body is not None and "Transfer-Encoding" not in sent and "Content-Length" not in sent:
                con.putheader("Content-Length", str(len(body)))
            con.endheaders()
            if body is not None:
                # A body that is refused half way: the answer is there all the same.
                with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                    con.send(body)
            got = con.getresponse()
            return Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read())

    def post(self, body: bytes, headers: Mapping[str, str] | None = None, **query: str) -> Answer:
        return self.ask("POST", "/api/logs", body, headers, **query)

    def events(self, event: str | None = None) -> list[dict[str, Any]]:
        """The service's log: every line that is JSON, of one kind if asked."""
        lines = [json.loads(line) for line in self.log.read_text().splitlines() if line.startswith("{")]
        return [line for line in lines if event is None or line["event"] == event]

    def until(self, true: Any) -> bool:
        end = time.monotonic() + WAIT_S
        while time.monotonic() < end:
            if true():
                return True
            time.sleep(0.1)
        return False

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(WAIT_S)


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def start(archive: Path, *arguments: str, log_folder: Path | None = None, **environment: str) -> Service:
    """`ovenbook serve` for the archive, up and answering. Its log is beside the archive, or in `log_folder`."""
    port = free_port()
    log = (log_folder or archive.parent) / f"service-{port}.log"
    kept = {key: value for key, value in os.environ.items() if not key.startswith("OVENBOOK")}
    with log.open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "serve", "--port", str(port), *arguments],
            stdout=out,
            stderr=out,
            cwd=ROOT,
            env={**kept, "OVENBOOK_ARCHIVE": str(archive), "TZ": "UTC", **environment},
        )
    service = Service(archive, port, process, log)
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if process.poll() is not None:
            raise AssertionError(f"the service ended: {log.read_text()}")
        with contextlib.suppress(OSError, http.client.HTTPException):
            if service.ask("GET", "/_stcore/health").status == 200:
                return service
        time.sleep(0.2)
    process.kill()
    raise AssertionError("the service did not answer")


@contextlib.contextmanager
def serving(archive: Path, *arguments: str, log_folder: Path | None = None, **environment: str) -> Iterator[Service]:
    service = start(archive, *arguments, log_folder=log_folder, **environment)
    try:
        yield service
    finally:
        if service.process.poll() is None:
            service.stop()
    text = service.log.read_text()
    assert "Traceback" not in text, text[text.index("Traceback") :][:3000]
