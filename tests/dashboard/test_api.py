"""The API over real HTTP on a real process: what it stores, holds, rejects and refuses. Logs are invented."""

from __future__ import annotations

import gzip
import io
import json
import shutil
import socket
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from archive_helpers import Shop
from page_archives import UNCLEAR, bake, empty_archive
from service_process import ROOT, Service, serving

from ingest.archive import Archive
from ingest.archive.reference import add_oven
from ingest.archive.verify import verify

SAMPLES = ROOT / "sample_logs"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("api")
    archive = empty_archive(folder / "archive.duckdb")
    with archive.transaction() as con:
        add_oven(con, "Bench oven")
    (folder / "drop").mkdir()
    with serving(archive.path, "--watch", str(folder / "drop"), "--oven", "Bench oven") as running:
        yield running
    assert verify(Archive(archive.path)) == []


def test_a_log_is_stored_and_the_answer_is_the_import_contract(service: Service, tmp_path: Path) -> None:
    log = bake(minutes=1)
    said = service.post(log, name="bake.csv", oven="Bench oven", note="first of the day")
    assert said.status == 200, said.body
    assert said.headers["content-type"] == "application/json"
    (item,) = said.json
    # The same log through the command line into another archive gives the same object, apart from what names it.
    shop = Shop(tmp_path)
    path = shop.write("bake.csv", log)
    shop.quick("oven", "add", "Bench oven")
    (other,) = shop.quick("import", str(path), "--oven", "Bench oven", "--note", "first of the day", "--json").json
    for one in (item, other):
        one["file"] = Path(one["file"]).name
        for run in one["runs"]:
            run["run"] = 1
    assert item == other
    assert item["status"] == "stored"


def test_the_same_bytes_again_are_a_duplicate(service: Service) -> None:
    first = service.post(bake(minutes=2), name="a.csv")
    again = service.post(bake(minutes=2), name="b.csv")
    assert (first.status, again.status) == (200, 200)
    assert again.json[0]["status"] == "duplicate"
    assert again.json[0]["runs"][0]["run"] == first.json[0]["runs"][0]["run"]


def test_an_unclear_log_is_held_and_nonsense_rejected(service: Service) -> None:
    held = service.post(UNCLEAR, name="unclear.csv")
    assert held.status == 202
    assert held.json[0]["questions"]
    rejected = service.post(b"nothing of interest\n", name="shopping.txt")
    assert rejected.status == 422
    assert rejected.json[0]["status"] == "rejected"
    assert rejected.json[0]["reason"]
    empty = service.post(b"", name="empty.csv")
    assert empty.status == 422


def test_what_is_known_of_the_run_may_come_in_headers_in_any_spelling(service: Service) -> None:
    headers = {
        "ovenbook-oven": "bench OVEN",
        "Ovenbook-Load-Count": "3",
        "Ovenbook-Note": "Grüße".encode().decode("latin-1"),
    }
    said = service.post(bake(minutes=3), headers, kind="product")
    assert said.status == 200, said.body
    run = service.ask("GET", f"/api/runs/{said.json[0]['runs'][0]['run']}").json
    told = {key: (fact["value"], fact["origin"]) for key, fact in run["metadata"].items()}
    assert told["oven"] == ("Bench oven", "typed")
    assert told["load_count"] == (3, "typed")
    assert told["note"] == ("Grüße", "typed")
    assert told["kind"] == ("product", "typed")


@pytest.mark.parametrize(
    ("query", "line"),
    [
        ({"oven": "No such oven"}, "no oven named 'No such oven'; known: Bench oven"),
        ({"colour": "red"}, "'colour' is not one of"),
        ({"kind": "lunch"}, "kind 'lunch' is not one of"),
        ({"load_count": "-1"}, "load_count must be a whole number"),
        ({"load_count": "９"}, "load_count must be a whole number"),
        ({"started_at": "yesterday"}, "is not a time"),
        ({"board": "x" * 401}, "400 characters at most"),
        ({"note": "a\x00b"}, "cannot be shown"),
        ({"name": "a\nb"}, "cannot be shown"),
        ({"oven": "'; DROP TABLE run; --"}, "no oven named"),
    ],
)
def test_what_is_said_wrongly_is_refused_with_one_line_and_nothing_stored(
    service: Service, query: dict[str, str], line: str
) -> None:
    before = len(service.ask("GET", "/api/runs", last="1000").json)
    said = service.post(bake(minutes=900), **query)
    assert said.status == 422
    assert line in said.json["error"]
    assert "\n" not in said.json["error"]
    assert len(service.ask("GET", "/api/runs", last="1000").json) == before


def test_gz_and_zip_bodies_are_unpacked(service: Service) -> None:
    assert service.post(gzip.compress(bake(minutes=4)), name="bake.csv.gz").status == 200
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w") as packed:
        packed.writestr("one.csv", bake(minutes=5))
        packed.writestr("two.csv", bake(minutes=6))
    said = service.post(box.getvalue(), name="two.zip")
    assert said.status == 200
    assert [item["file"] for item in said.json] == ["two.zip!one.csv", "two.zip!two.csv"]


def test_a_body_in_chunks_is_whole_and_one_without_end_is_refused(service: Service) -> None:
    log = bake(minutes=7)
    pieces = b"".join(b"%x\r\n%s\r\n" % (len(p), p) for p in (log[:1000], log[1000:])) + b"0\r\n\r\n"
    said = service.post(pieces, {"Transfer-Encoding": "chunked"}, name="chunks.csv")
    assert said.status == 200
    assert said.json[0]["status"] == "stored"
    # 65 MiB in chunks, no length said.
    one = b"100000\r\n" + b"1" * 2**20 + b"\r\n"
    assert service.post(one * 65 + b"0\r\n\r\n", {"Transfer-Encoding": "chunked"}).status == 413


def test_a_body_that_says_it_is_too_large_is_refused_before_it_is_sent(service: Service) -> None:
    with socket.create_connection(("127.0.0.1", service.port), timeout=60) as s:
        s.sendall(b"POST /api/logs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 999999999999\r\n\r\n")
        assert s.recv(4096).startswith(b"HTTP/1.1 413")


def test_a_sender_that_goes_away_half_way_leaves_nothing(service: Service) -> None:
    before = service.ask("GET", "/api/health").json
    with socket.create_connection(("127.0.0.1", service.port), timeout=60) as s:
        s.sendall(
            b"POST /api/logs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5000\r\n\r\n" + bake(minutes=901)[:2000]
        )
    after = service.ask("GET", "/api/health").json
    assert {k: after[k] for k in ("stored", "held", "rejected")} == {
        k: before[k] for k in ("stored", "held", "rejected")
    }


def test_runs_come_back_as_the_command_line_gives_them(service: Service) -> None:
    service.post(bake(minutes=8), name="for-runs.csv")
    rows = service.ask("GET", "/api/runs", last="3").json
    assert len(rows) == 3
    assert [row["run"] for row in rows] == sorted((row["run"] for row in rows), reverse=True)
    page_two = service.ask("GET", "/api/runs", last="3", before=str(rows[-1]["run"])).json
    assert all(row["run"] < rows[-1]["run"] for row in page_two)
    number = rows[0]["run"]
    shown = service.ask("GET", f"/api/runs/{number}")
    shop = Shop(service.archive.parent)
    assert shown.json == shop.quick("show", str(number), "--json").json
    assert service.ask("GET", "/api/runs", oven="'").json == []


@pytest.mark.parametrize(
    "number", ["0", "-1", "99999999", "2147483648", "9" * 40, "x", "1%00", "..%2f..%2fetc%2fpasswd", "١"]
)
def test_a_run_that_is_not_there_is_404(service: Service, number: str) -> None:
    said = service.ask("GET", "/api/runs/" + "".join(c if c.isascii() else "%D9%A1" for c in number))
    assert said.status in (400, 404)
    assert b"root:" not in said.body


@pytest.mark.parametrize(
    "query",
    [
        {"last": "0"},
        {"last": "x"},
        {"before": "1e3"},
        {"limit": "5"},
        {"last": "9" * 30},
        {"oven": "0" * 401},
    ],
)
def test_a_list_asked_for_wrongly_is_422(service: Service, query: dict[str, str]) -> None:
    assert service.ask("GET", "/api/runs", **query).status == 422


def test_other_methods_and_addresses_are_no_pages(service: Service) -> None:
    for method, path, status in (
        ("GET", "/api/logs", 405),
        ("OPTIONS", "/api/logs", 405),
        ("PUT", "/api/logs", 405),
        ("POST", "/api/runs", 405),
        ("DELETE", "/api/runs/1", 405),
        ("GET", "/api/nothing", 404),
    ):
        said = service.ask(method, path)
        assert said.status == status, (method, path)
        assert "error" in said.json
    assert service.ask("GET", "/api/logs").headers["allow"] == "POST"


def test_another_site_and_another_name_are_refused(service: Service) -> None:
    log = bake(minutes=902)
    assert service.post(log, {"Origin": "http://elsewhere.example"}).status == 403
    assert service.post(log, {"Origin": "null"}).status == 403
    assert service.post(log, {"Host": "elsewhere.example"}).status == 400
    assert service.ask("GET", "/api/runs", headers={"Origin": "http://elsewhere.example"}).status == 403
    own = {"Origin": f"http://127.0.0.1:{service.port}"}
    assert service.ask("GET", "/api/runs", headers=own).status == 200
    assert service.post(log, {"Content-Encoding": "gzip"}).status == 422


def test_health_counts_and_the_log_has_one_line_an_import(service: Service) -> None:
    health = service.ask("GET", "/api/health").json
    assert health["status"] == "ok"
    assert health["waiting"] == 0
    stored_before, lines_before = health["stored"], len(service.events("import"))
    service.post(bake(minutes=100), name='odd\u2028"name".csv'.replace("\u2028", ""))
    service.post(b"nothing", name="nothing.txt")
    health = service.ask("GET", "/api/health").json
    assert health["stored"] == stored_before + 1
    lines = service.events("import")
    assert len(lines) == lines_before + 2
    assert (lines[-2]["source"], lines[-2]["status"], lines[-2]["file"]) == ("http", "stored", 'odd"name".csv')
    assert lines[-1]["status"] == "rejected"
    assert all({"at", "event", "sha256"} <= set(line) for line in lines)


def test_a_log_dropped_into_the_folder_is_taken_in(service: Service) -> None:
    path = service.archive.parent / "drop" / "dropped.csv"
    part = path.with_suffix(".part")
    part.write_bytes(bake(minutes=200))
    part.rename(path)
    assert service.until(lambda: any(e["file"].endswith("dropped.csv") for e in service.events("import")))
    event = next(e for e in service.events("import") if e["file"].endswith("dropped.csv"))
    assert (event["source"], event["status"]) == ("watch", "stored")
    assert service.ask("GET", f"/api/runs/{event['runs'][0]}").json["metadata"]["oven"]["value"] == "Bench oven"


def test_the_documents_describe_each_route_and_load_nothing_from_elsewhere(service: Service) -> None:
    told = service.ask("GET", "/api/openapi.json").json
    assert told["openapi"].startswith("3.1")
    assert set(told["paths"]) == {"/api/logs", "/api/runs", "/api/runs/{run}", "/api/health"}
    page = service.ask("GET", "/api")
    assert page.status == 200
    assert "default-src 'none'" in page.headers["content-security-policy"]
    text = page.body.decode()
    assert "<script" not in text
    for path in told["paths"]:
        assert path in text


def test_a_page_may_not_be_framed_by_another_site(service: Service) -> None:
    headers = service.ask("GET", "/", headers={"Accept": "text/html"}).headers
    assert "frame-ancestors 'self'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"


def test_the_archive_is_sound_after_all_this_and_a_copy_says_the_same(service: Service, tmp_path: Path) -> None:
    shop = Shop(service.archive.parent)
    assert shop.quick("verify", "--json").json == []
    copy = tmp_path / "copy.duckdb"
    assert shop.quick("backup", str(copy)).status == 0
    other = Shop(tmp_path / "restored")
    other.folder.mkdir()
    shutil.copy(copy, other.archive)
    assert json.loads(other.quick("runs", "--json").out) == json.loads(shop.quick("runs", "--json").out)
