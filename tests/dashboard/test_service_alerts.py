"""Alerts against real receivers on this computer: an HTTP server and a mail server written here."""

from __future__ import annotations

import io
import json
import random
import socketserver
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from page_archives import bake, empty_archive, full_archive
from service_process import serving

from analysis.store import evaluate_and_write
from analysis.store.drift import oven_report
from dashboard.service.alerts import Alert, Receivers, Sender, alerts_of, receivers
from dashboard.service.desk import Desk
from ingest.archive import Archive
from ingest.archive.reference import add_oven
from ingest.importing import ImportOptions, import_bytes


@contextmanager
def http_receiver(status: int = 204, location: str | None = None) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    got: list[dict[str, Any]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            got.append(json.loads(body))
            self.send_response(status)
            if location:
                self.send_header("Location", location)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}/hook/secret-part", got
        server.shutdown()


class _Mail(socketserver.StreamRequestHandler):
    """As much of RFC 5321 as it takes to receive one message."""

    def handle(self) -> None:
        self.wfile.write(b"220 here\r\n")
        while line := self.rfile.readline():
            word = line[:4].upper()
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                lines = []
                while (line := self.rfile.readline()) != b".\r\n":
                    lines.append(line)
                self.server.got.append(b"".join(lines).decode())  # type: ignore[attr-defined]
                self.wfile.write(b"250 taken\r\n")
            elif word == b"QUIT":
                self.wfile.write(b"221 bye\r\n")
                return
            else:
                self.wfile.write(b"250 ok\r\n")


@contextmanager
def mail_receiver() -> Iterator[tuple[str, list[str]]]:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Mail) as server:
        server.got = []  # type: ignore[attr-defined]
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"127.0.0.1:{server.server_address[1]}", server.got  # type: ignore[attr-defined]
        server.shutdown()


def stuck() -> bytes:
    """A bake whose second channel repeats one value."""
    lines = bake(minutes=2000).decode().splitlines()
    rows = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        cells[3] = "25.00"
        rows.append(",".join(cells))
    return "\n".join(rows).encode()


def test_a_failed_run_and_a_doubted_sensor_are_told_and_a_good_run_is_not(tmp_path: Path) -> None:
    path = full_archive(tmp_path / "archive.duckdb").path
    with http_receiver() as (url, got), mail_receiver() as (smtp, mails):
        environment = {
            "OVENBOOK_ALERT_URL": url,
            "OVENBOOK_ALERT_MAIL": "shop@example.org",
            "OVENBOOK_SMTP": smtp,
        }
        with serving(path, **environment) as service:
            good = service.post(bake(minutes=1000, peak_c=243), oven="Invented oven", jar="jar 14")
            assert good.json[0]["runs"][0]["verdict"] in ("meets", "too close to call")
            bad = service.post(bake(minutes=1100, peak_c=262), oven="Invented oven", jar="jar 14")
            assert bad.json[0]["runs"][0]["verdict"] == "fails"
            doubted = service.post(stuck(), oven="Invented oven", jar="jar 14")
            assert service.until(lambda: {a["event"] for a in got} >= {"run_fails", "sensor_not_believable"})
            assert service.until(lambda: len(mails) >= 2)
            again = service.post(bake(minutes=1100, peak_c=262), oven="Invented oven", jar="jar 14")
            assert again.json[0]["status"] == "duplicate"
            log = service.log.read_text()
    assert "secret-part" not in log
    assert "shop@example.org" not in log
    bad_run, doubted_run = (said.json[0]["runs"][0]["run"] for said in (bad, doubted))
    assert [a["run"] for a in got if a["event"] == "run_fails"].count(bad_run) == 1
    assert {a["run"] for a in got if a["event"] == "sensor_not_believable"} >= {doubted_run}
    assert good.json[0]["runs"][0]["run"] not in {a["run"] for a in got}
    assert all(a["oven"] == "Invented oven" for a in got)
    told = next(m for m in mails if "run fails" in m)
    assert "To: shop@example.org" in told
    assert f"Run {bad_run}" in told


def worn(number: int) -> bytes:
    """Bake `number`, a day after the one before; from the 31st on the right channel heats 6 K less at the peak."""
    lower = random.Random(number).gauss(0, 0.4) + (6 if number > 30 else 0)
    first, *rest = (line.split(",") for line in bake(minutes=1441 * number).decode().splitlines())
    for cells in rest:
        cells[3] = f"{25 + (float(cells[3]) - 25) * (1 - lower / 220):.2f}"
    return "\n".join(",".join(cells) for cells in [first, *rest]).encode()


@contextmanager
def desk(archive: Archive, url: str) -> Iterator[Desk]:
    """A desk at work; when the block ends, all that its logs were worth telling has been sent."""
    at_work = Desk(archive, Sender(Receivers(url=url)))
    at_work.start()
    yield at_work
    at_work.stop()


def test_a_called_drift_is_told_once_whatever_comes_after(tmp_path: Path) -> None:
    archive = empty_archive(tmp_path / "archive.duckdb")
    with archive.transaction() as con:
        add_oven(con, "Bench oven")
    options = ImportOptions(source="file", oven="Bench oven")

    def stored(*numbers: int) -> None:
        box = io.BytesIO()
        with zipfile.ZipFile(box, "w") as packed:
            for number in numbers:
                packed.writestr(f"{number}.csv", worn(number))
        results = import_bytes(archive, box.getvalue(), "bakes.zip", options, evaluate_and_write)
        assert [r.status for r in results] == ["stored"] * len(numbers)

    def told() -> list[dict[str, Any]]:
        return [a for a in got if a["event"] == "drift_called"]

    stored(*range(1, 31))
    with http_receiver() as (url, got):
        with desk(archive, url) as at_work:
            for number in (31, 32):
                assert at_work.take(worn(number), f"{number}.csv", options)[0].status == "stored"
        assert told() == []
        assert oven_report(archive, "Bench oven").open_calls() == []
        stored(33)  # through the terminal, while the service is down
        (call,) = oven_report(archive, "Bench oven").open_calls()
        with serving(archive.path, OVENBOOK_ALERT_URL=url) as service:
            assert service.until(told)
            for number in (34, 35):
                assert service.post(worn(number), name=f"{number}.csv", oven="Bench oven").status == 200
        with desk(archive, url) as at_work:
            at_work.take(worn(36), "36.csv", options)
        # Somebody who turns alerts on later is not told of what was called long before.
        archive.path.with_name(archive.path.name + ".told.json").unlink()
        with desk(archive, url) as at_work:
            at_work.take(worn(37), "37.csv", options)
    assert oven_report(archive, "Bench oven").open_calls()[0].id == call.id
    (alert,) = told()
    assert (alert["run"], alert["oven"]) == (33, "Bench oven")
    assert call.check_first in alert["text"]


def test_without_an_address_nothing_is_sent(tmp_path: Path) -> None:
    assert not receivers({})
    archive = empty_archive(tmp_path / "archive.duckdb")
    silent = Desk(archive, Sender(receivers({})))
    silent.start()
    assert silent.take(bake(peak_c=262), "hot.csv", ImportOptions(source="http"))[0].status == "stored"
    silent.alerts.put(Alert("run_fails", "x"))
    silent.stop()
    assert (silent.alerts.sent, silent.alerts.lost) == (0, 0)
    assert not archive.path.with_name(archive.path.name + ".told.json").exists()


def test_a_receiver_that_sends_us_elsewhere_is_not_followed(capsys: pytest.CaptureFixture[str]) -> None:
    with http_receiver() as (inner, reached), http_receiver(307, inner) as (url, got):
        sender = Sender(Receivers(url=url))
        sender.start()
        sender.put(Alert("run_fails", "x", 1))
        sender.stop()
    assert len(got) >= 1
    assert reached == []
    assert sender.sent == 0
    assert "secret-part" not in capsys.readouterr().err


@pytest.mark.parametrize("url", ["file:///etc/passwd", "ftp://x/y", "nonsense", "http://"])
def test_addresses_that_cannot_be_are_refused(url: str) -> None:
    with pytest.raises(ValueError, match="OVENBOOK_ALERT_URL"):
        receivers({"OVENBOOK_ALERT_URL": url})
    with pytest.raises(ValueError, match="OVENBOOK_ALERT_MAIL"):
        receivers({"OVENBOOK_ALERT_MAIL": "a@b.c\nBcc: d@e.f"})
    assert "secret" not in repr(Receivers("https://x/secret", smtp_password="secret"))


def test_danger_leads() -> None:
    finding = {
        "code": "heat_at_zero_command",
        "channel": "left",
        "state": "fail",
        "evidence": "40 K in 30 s",
        "meaning": "a relay is closed",
        "check_first": "the relay",
        "danger": "Heat with command at zero: switch off at the wall now",
    }
    summary = {
        "run": 3,
        "verdict": "fails",
        "reason": None,
        "limiting": None,
        "limits": [],
        "findings": [finding],
        "metadata": {"oven": {"value": None}},
    }
    assert [a.event for a in alerts_of(summary)] == ["danger", "sensor_not_believable", "run_fails"]
