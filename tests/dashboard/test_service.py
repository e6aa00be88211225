"""The service as a process: what it answers, what it refuses, what it never sends."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_archives import bake, empty_archive
from service_process import Service

from dashboard import service
from ingest.archive import Archive
from ingest.archive.access import add_token


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


SERVE = """
import sys
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from dashboard.service import serve

async def here(request):
    return PlainTextResponse("from the route")

serve(sys.argv[1], port=int(sys.argv[2]), routes=[Route("/here", here)])
"""


def start(archive: Path, port: int) -> subprocess.Popen[str]:
    """A service with a route of its own beside the pages."""
    return subprocess.Popen(
        [sys.executable, "-c", SERVE, str(archive), str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def wait_until_up(port: int, process: subprocess.Popen[str], limit_s: float = 60) -> None:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if process.poll() is not None:
            raise AssertionError(f"the service ended: {process.stdout.read() if process.stdout else ''}")
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    raise AssertionError("the service did not answer")


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return empty_archive(tmp_path_factory.mktemp("served") / "archive.duckdb")


@pytest.fixture(scope="module")
def served(archive: Archive) -> Iterator[int]:
    port = free_port()
    process = start(archive.path, port)
    try:
        wait_until_up(port, process)
        yield port
    finally:
        process.terminate()
        process.wait(20)


def get(port: int, path: str, **headers: str) -> tuple[int, str]:
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as refused:
        return refused.code, refused.read().decode()


def test_it_answers_on_this_machine_only(served: int) -> None:
    assert get(served, "/")[0] == 200
    others = {str(a[4][0]) for a in socket.getaddrinfo(socket.gethostname(), served, family=socket.AF_INET)}
    for address in others - {a for a in others if a.startswith("127.")}:
        with pytest.raises(OSError, match="refused"):
            socket.create_connection((address, served), timeout=3)


def test_a_page_of_another_name_is_refused(served: int) -> None:
    # A web site that points its own name at 127.0.0.1 must not reach the archive.
    assert get(served, "/", Host="elsewhere.example")[0] == 400


def test_pages_know_their_root_so_that_deep_links_ask_no_wrong_address(served: int) -> None:
    status, body = get(served, "/run?run=1", Accept="text/html", **{"Accept-Encoding": "gzip"})
    assert status == 200
    assert "BACKEND_BASE_URL" in body
    assert body.index("BACKEND_BASE_URL") < body.index('type="module"')


def test_a_port_in_use_ends_with_one_line(served: int, tmp_path: Path) -> None:
    process = start(empty_archive(tmp_path / "other.duckdb").path, served)
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 1
    assert f"Port {served} is not available" in out
    assert "Traceback" not in out


def test_nothing_is_reported_anywhere_and_errors_keep_their_details() -> None:
    settings = service.settings("127.0.0.1", 8501)
    assert settings["browser.gatherUsageStats"] is False
    assert settings["server.address"] == "127.0.0.1"
    assert settings["client.showErrorDetails"] == "none"


def test_trusted_names() -> None:
    assert service.trusted_hosts("127.0.0.1") == ["127.0.0.1", "localhost"]
    assert "192.168.1.5" in service.trusted_hosts("192.168.1.5")
    assert socket.gethostname() in service.trusted_hosts("0.0.0.0")


def test_routes_given_are_answered_beside_the_pages(served: int) -> None:
    assert get(served, "/here") == (200, "from the route")
    assert get(served, "/latest")[0] == 200


# The last one: from now on this service asks for a token.
def test_a_token_closes_the_way_in_but_not_the_pages(served: int, archive: Archive) -> None:
    at = Service(archive.path, served, process=None, log=None)  # type: ignore[arg-type]
    assert at.post(bake(minutes=1)).status == 200
    with archive.transaction() as con:
        _, token = add_token(con, "bench")
    assert at.until(lambda: at.post(bake(minutes=1)).status == 401)
    assert at.post(bake(minutes=2), {"Authorization": f"Bearer {token}"}).status == 200
    assert at.ask("GET", "/api/runs").status == 200
