"""What hostile senders try on the service: names, paths, requests that are none, silent connections, damaged logs, bombs.

Invented and from RFC 9112 (message syntax of HTTP/1.1); a table of it is in DEVELOPERS.md.
"""

from __future__ import annotations

import gzip
import io
import socket
import struct
import time
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from page_archives import bake, empty_archive
from service_process import Service, serving

from ingest.archive import Archive
from ingest.archive.verify import verify


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    archive = empty_archive(tmp_path_factory.mktemp("hostile") / "archive.duckdb")
    with serving(archive.path) as running:
        yield running
    assert verify(Archive(archive.path)) == []


HOSTILE_PATHS = [
    "/../../../../etc/passwd",
    "/static/../../../../etc/passwd",
    "/static/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
    "/media/..%2f..%2f..%2fetc%2fpasswd",
    "/component/x/..%5c..%5cetc%5cpasswd",
    "/api/logs/../../etc/passwd",
    "/api/runs/%00",
    "//etc/passwd",
    "/_stcore/../archive.duckdb",
    "/archive.duckdb",
    "/archive.duckdb.spool/",
    "/%ff%fe",
    "/" + "a" * 20_000,
]


@pytest.mark.parametrize("number", range(len(HOSTILE_PATHS)))
def test_a_hostile_path_leads_to_no_file(service: Service, number: int) -> None:
    said = service.ask("GET", HOSTILE_PATHS[number])
    assert said.status < 500
    assert b"root:" not in said.body
    assert b"DUCK" not in said.body[:64]  # the mark of a database file
    if said.status == 200:  # an unknown page is answered by the pages' frame
        assert said.headers["content-type"].startswith("text/html")


HOSTILE_REQUESTS = {
    "two lengths": b"POST /api/logs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 3\r\nContent-Length: 30\r\n\r\nabc",
    "length and chunks": b"POST /api/logs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 3\r\n"
    b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /api/runs HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    "negative length": b"POST /api/logs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -5\r\n\r\nabc",
    "a chunk of no size": b"POST /api/logs HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\nabc",
    "a header of a megabyte": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 2**20 + b"\r\n\r\n",
    "ten thousand headers": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + b"X: a\r\n" * 10_000 + b"\r\n",
    "a header in two lines": b"GET /api/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nX: a\r\n b\r\n\r\n",
    "a null in a header": b"GET /api/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nOvenbook-Oven: a\x00b\r\n\r\n",
    "no host": b"GET /api/runs HTTP/1.1\r\n\r\n",
    "two hosts": b"GET /api/runs HTTP/1.1\r\nHost: elsewhere.example\r\nHost: 127.0.0.1\r\n\r\n",
    "no request at all": bytes(range(256)) * 8,
    "TLS to a plain port": bytes.fromhex("16030100a5010000a10303") + bytes(160),
}


@pytest.mark.parametrize("what", HOSTILE_REQUESTS)
def test_a_malformed_request_is_refused_and_the_next_one_answered(service: Service, what: str) -> None:
    with socket.create_connection(("127.0.0.1", service.port), timeout=60) as s:
        got = b""
        try:
            s.sendall(HOSTILE_REQUESTS[what])
            s.shutdown(socket.SHUT_WR)
            while piece := s.recv(65536):
                got += piece
        except OSError:
            pass  # it hung up before everything was sent
    statuses = [int(line.split(b" ")[1]) for line in got.split(b"\r\n") if line.startswith(b"HTTP/1.1 ")]
    assert all(status == 200 or 400 <= status < 500 for status in statuses), got[:300]
    if what not in ("a header in two lines", "ten thousand headers"):
        assert 200 not in statuses, (what, got[:300])
    assert service.ask("GET", "/api/health").status == 200


def test_connections_that_say_nothing_keep_nobody_out(service: Service) -> None:
    silent = [socket.create_connection(("127.0.0.1", service.port), timeout=60) for _ in range(200)]
    try:
        for number, s in enumerate(silent):
            s.sendall(b"POST /api/logs HTTP/1.1\r\nHost: 127.0.0.1\r\n" + (b"Content-Le" if number % 2 else b""))
        assert service.ask("GET", "/api/health").status == 200
        assert service.post(bake(minutes=950), name="beside.csv").status == 200
    finally:
        for s in silent:
            s.close()


HOSTILE_NAMES = [
    "../../../../etc/cron.d/evil",
    "..\\..\\windows\\system32\\evil.csv",
    "/etc/passwd",
    "C:\\autoexec.bat",
    "a" * 400,
    "<script>alert(1)</script>.csv",
    "![x](javascript:alert(1)).csv",
    '=HYPERLINK("http://elsewhere.example").csv',
    "$(touch evil).csv",
    "`touch evil`.csv",
    "'; DROP TABLE log; --.csv",
    "%2e%2e%2fevil.csv",
    "CON",
    "..",
    ".",
    "/",
    "log!member.csv",
    "name;with=odd&signs?.csv",
    "日本語 log.csv",
]


@pytest.mark.parametrize("number", range(len(HOSTILE_NAMES)))
def test_a_hostile_name_is_a_label_and_never_a_path(service: Service, number: int) -> None:
    folder = service.archive.parent
    before = {p for p in folder.rglob("*") if p.suffix != ".wal"}
    said = service.post(bake(minutes=20 + number), name=HOSTILE_NAMES[number])
    assert said.status == 200, said.body
    kept = said.json[0]["file"]
    assert "/" not in kept
    assert "\\" not in kept
    assert {p for p in folder.rglob("*") if p.suffix != ".wal"} == before


@st.composite
def damaged_logs(draw: st.DrawFn) -> bytes:
    """A log with pieces cut out, doubled, overwritten; wrapped as gzip or zip now and then."""
    data = bytearray(bake(minutes=draw(st.integers(300, 310)))[: draw(st.integers(0, 6000))])
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, max(0, len(data))))
        what = draw(st.sampled_from(["cut", "double", "write"]))
        length = draw(st.integers(1, 400))
        if what == "cut":
            del data[at : at + length]
        elif what == "double":
            data[at:at] = data[at : at + length]
        else:
            data[at : at + length] = draw(st.binary(max_size=60))
    wrapped = draw(st.sampled_from(["plain", "plain", "gzip", "zip", "cut gzip"]))
    if wrapped == "zip":
        box = io.BytesIO()
        with zipfile.ZipFile(box, "w") as packed:
            packed.writestr("a.csv", bytes(data))
        return box.getvalue()
    if wrapped == "plain":
        return bytes(data)
    packed_bytes = gzip.compress(bytes(data))
    return packed_bytes if wrapped == "gzip" else packed_bytes[: len(packed_bytes) // 2]


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(damaged_logs())
def test_whatever_arrives_gets_an_answer_of_the_contract(service: Service, data: bytes) -> None:
    said = service.post(data, name="damaged.csv")
    if said.status == 429:
        time.sleep(float(said.headers["retry-after"]))
        said = service.post(data, name="damaged.csv")
    assert said.status in (200, 202, 422), said.body
    for item in said.json:
        assert set(item) == {"file", "sha256", "status", "reason", "questions", "warnings", "runs"}
        assert item["status"] in {200: ("stored", "duplicate"), 202: ("held",), 422: ("rejected",)}[said.status]
        assert item["runs"] or item["questions"] or item["reason"]


def zip_of_zeros(mebibytes: int) -> bytes:
    """A zip with one file of zeros, put together from one compressed MiB: squeezing them all would take seconds."""
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    one = squeeze.compress(bytes(2**20)) + squeeze.flush(zlib.Z_FULL_FLUSH)
    data = one * mebibytes + zlib.compressobj(9, zlib.DEFLATED, -15).flush()
    crc = 0
    for _ in range(mebibytes):
        crc = zlib.crc32(bytes(2**20), crc)
    name, facts = b"a.csv", (crc, len(data), mebibytes * 2**20)
    local = struct.pack("<4s5H3L2H", b"PK\3\4", 20, 0, 8, 0, 33, *facts, len(name), 0) + name + data
    central = struct.pack("<4s6H3L5H2L", b"PK\1\2", 20, 20, 0, 8, 0, 33, *facts, len(name), *[0] * 6) + name
    return local + central + struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 1, 1, len(central), len(local), 0)


def test_zip_bombs_cost_their_own_size(service: Service) -> None:
    """A gzip bomb of 1 GiB, a zip bomb of 1 GiB, and zips in a zip: each body is about a megabyte or less."""
    zeros = gzip.compress(bytes(2**20), 9)
    gz = zeros * 1024  # gzip members may follow one another (RFC 1952, section 2.2)
    bomb_zip = zip_of_zeros(1024)
    with zipfile.ZipFile(io.BytesIO(bomb_zip)) as whole, whole.open("a.csv") as member:
        assert whole.infolist()[0].file_size == 2**30
        assert member.read(2**20) == bytes(2**20)
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("b.csv", bytes(60 * 2**20))
    nest = io.BytesIO()
    with zipfile.ZipFile(nest, "w", zipfile.ZIP_DEFLATED) as packed:
        for number in range(20):
            packed.writestr(f"{number}.zip", inner.getvalue())
    peak_before = _peak_mb(service)
    for name, bomb in (("a.gz", gz), ("a.zip", bomb_zip), ("nest.zip", nest.getvalue())):
        said = service.post(bomb, name=name)
        assert said.status == 422, (name, said.body[:300])
        assert {item["status"] for item in said.json} <= {"rejected", "duplicate"}
    # The limits allow 256 MiB unpacked at once and what reading holds beside; a gigabyte would show.
    assert _peak_mb(service) - peak_before < 900


def _peak_mb(service: Service) -> float:
    status = Path(f"/proc/{service.process.pid}/status")
    if not status.exists():
        pytest.skip("needs /proc")
    return int(status.read_text().split("VmHWM:")[1].split()[0]) / 1024
