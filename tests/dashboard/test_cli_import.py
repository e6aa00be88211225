"""`ovenbook import` and what follows from it, through real processes on a real archive.

The straight-piece log of archive_helpers is worked out by hand: peak 243 °C first reached at 233 s; above 217 °C for
26 + 20 + 13 = 59 s. The keys of the JSON are written out from the project's contract.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from archive_helpers import Shop, straight_log

ITEM = {"file", "sha256", "status", "reason", "questions", "warnings", "runs"}
RUN = {"run", "started_at", "zone", "duration_s", "verdict", "channels"}
CHANNEL = {"name", "role", "unit_original", "samples", "peak_c", "peak_at_s"}
PASTE = "SAC305 (family default)"

UNREADABLE = {
    "empty.csv": b"",
    "header-only.csv": b"time_s,TC1\n",
    "one-row.csv": b"time_s,TC1\n0,25.0\n",
    "binary.csv": bytes(range(256)) * 40,
    "no-time.csv": b"TC1,TC2\n" + b"".join(b"%d.5,%d.1\n" % (25 + i, 24 + i) for i in range(200)),
    "no-temperature.csv": b"time_s,door,fan\n" + b"".join(b"%d,open,on\n" % i for i in range(200)),
    "bank-statement.csv": b"Date,Payee,Amount,Balance\n"
    + b"".join(b"2024-03-%02d,Shop %d,-%d.20,%d.80\n" % (1 + i, i, 10 + i, 900 - 11 * i) for i in range(28)),
}


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


def test_one_log_from_command_to_verdict(shop: Shop) -> None:
    log = shop.write("bake.csv", straight_log())
    said = shop("import", log, "--paste", PASTE)
    assert said.status == 0, said.err
    assert "bake.csv: stored as run 1." in " ".join(said.out.split())
    assert "Run 1: " in said.out
    assert any(
        word in said.out for word in ("Meets the window", "Fails the window", "Too close to call", "Not evaluated")
    )
    assert said.err == ""


def test_the_json_has_exactly_the_promised_keys(shop: Shop) -> None:
    log = shop.write("bake.csv", straight_log(start="2024-05-01T08:00:00+00:00"))
    said = shop("import", log, "--paste", PASTE, "--json")
    assert said.status == 0, said.err
    (item,) = said.json
    assert set(item) == ITEM
    assert (item["status"], item["reason"], item["questions"]) == ("stored", None, [])
    assert len(item["sha256"]) == 64
    (run,) = item["runs"]
    assert set(run) == RUN
    assert run["run"] == 1
    assert run["verdict"] in ("meets", "fails", "too close to call", "not evaluated")
    assert [set(channel) for channel in run["channels"]] == [CHANNEL, CHANNEL]
    first = run["channels"][0]
    assert (first["role"], first["unit_original"]) == ("temperature", "°C")
    assert first["peak_c"] == pytest.approx(243.0, abs=0.005)
    assert first["peak_at_s"] == pytest.approx(233.0, abs=0.5)
    assert all({"code", "text"} == set(warning) for warning in item["warnings"])


def test_the_same_log_twice_is_stored_once(shop: Shop) -> None:
    log = shop.write("bake.csv", straight_log())
    shop.quick("import", log)
    again = shop.quick("import", shop.write("copy.csv", log.read_bytes()), "--json")
    assert again.status == 0
    (item,) = again.json
    assert item["status"] == "duplicate"
    assert item["runs"][0]["run"] == 1
    assert len(shop.quick("runs", "--json").json) == 1


@pytest.mark.parametrize("name", sorted(UNREADABLE))
def test_bad_input_is_refused_with_one_line_and_left_alone(shop: Shop, name: str) -> None:
    log = shop.write(name, UNREADABLE[name])
    before = log.stat().st_mtime_ns
    said = shop.quick("import", log, "--json")
    assert said.status == 1
    (item,) = said.json
    assert item["status"] == "rejected"
    assert item["reason"]
    assert "\n" not in item["reason"]
    assert item["runs"] == []
    assert shop.quick("runs", "--json").json == []
    assert log.read_bytes() == UNREADABLE[name]
    assert log.stat().st_mtime_ns == before
    text = shop.quick("import", log)
    assert text.status == 1
    assert f"{name}: rejected: " in " ".join(text.out.split())


def test_a_file_that_is_not_there(shop: Shop) -> None:
    said = shop.quick("import", shop.folder / "nowhere.csv")
    assert said.status == 1
    assert "nowhere.csv" in said.out + said.err
    assert "no such file" in (said.out + said.err).lower()


def test_an_empty_folder_says_so(shop: Shop) -> None:
    (shop.folder / "logs").mkdir()
    said = shop.quick("import", shop.folder / "logs")
    assert said.status == 1
    assert "no log found" in said.err


def test_one_bad_log_does_not_stop_the_others(shop: Shop) -> None:
    for n in range(3):
        shop.write(f"logs/bake{n}.csv", straight_log(240 + n))
    shop.write("logs/broken.csv", b"nothing to see")
    said = shop.quick("import", shop.folder / "logs")
    assert said.status == 1
    assert "3 stored, 0 held, 0 duplicate, 1 rejected." in said.out
    again = shop.quick("import", shop.folder / "logs")
    assert "0 stored, 0 held, 3 duplicate, 1 rejected." in again.out


def test_a_quoted_pattern_and_standard_input(shop: Shop) -> None:
    for n in range(2):
        shop.write(f"logs/bake{n}.csv", straight_log(240 + n))
    assert "2 stored" in shop.quick("import", str(shop.folder / "logs" / "*.csv")).out
    said = shop.quick("import", "-", "--json", stdin=straight_log(246).encode())
    assert said.status == 0
    assert said.json[0]["status"] == "stored"
    assert shop.quick("runs", "--last", "1", "--json").json[0]["run"] == 3


def test_a_dry_run_tells_what_was_understood_and_stores_nothing(shop: Shop) -> None:
    log = shop.write("bake.csv", straight_log())
    said = shop.quick("import", log, "--dry-run")
    assert said.status == 0
    text = " ".join(said.out.split())
    assert "would be stored, 1 run" in text
    assert "peak 243.0 °C at 233 s" in text
    assert shop.quick("runs", "--json").json == []
    item = shop.quick("import", log, "--dry-run", "--json").json[0]
    assert set(item) == ITEM
    assert item["runs"][0]["run"] is None


def test_an_unknown_oven_stores_nothing_and_lists_the_known(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven A")
    said = shop.quick("import", shop.write("bake.csv", straight_log()), "--oven", "Oven Z")
    assert said.status == 1
    assert "Oven A" in said.err
    assert said.err.count("\n") == 1
    assert shop.quick("runs", "--json").json == []


def test_what_was_given_is_kept_with_its_origin(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven A")
    shop.quick("board", "add", "Blinker")
    log = shop.write("bake.csv", straight_log())
    said = shop.quick(
        *("import", log, "--oven", "Oven A", "--board", "Blinker", "--paste", PASTE, "--kind", "product"),
        *("--orientation", "180", "--boards", "4", "--operator", "N. N.", "--note", "first try"),
        *("--started-at", "2024-05-01T08:00"),
    )
    assert said.status == 0, said.err
    metadata = shop.quick("show", "1", "--json").json["metadata"]
    wanted = {"oven": "Oven A", "board": "Blinker", "kind": "product", "orientation": "180", "load_count": 4}
    for field, value in wanted.items():
        assert metadata[field] == {"value": value, "origin": "typed"}
    assert metadata["started_at"]["value"].startswith("2024-05-01T08:00:00")
    assert metadata["firmware"] == {"value": None, "origin": "unknown"}


def test_a_held_log_is_asked_about_answered_and_remembered(shop: Shop) -> None:
    rows = "".join(f"03/04/2024 10:{t // 60:02d}:{t % 60:02d},{25 + t * 0.4:.1f}\n" for t in range(0, 500, 2))
    log = shop.write("ambiguous.csv", "when,TC1 [°C]\n" + rows)
    said = shop.quick("import", log, "--json")
    assert said.status == 1
    (item,) = said.json
    assert item["status"] == "held"
    assert item["questions"]
    for question in item["questions"]:
        assert set(question) == {"id", "text", "choices", "guess"}
    (held,) = shop.quick("held", "--json").json
    assert held["questions"] == item["questions"]
    assert held["head"][0] == "when,TC1 [°C]"
    text = shop.quick("held").out
    assert "when,TC1" in text
    assert f"ovenbook answer {held['log']}" in text
    wrong = shop.quick("answer", str(held["log"]), "nonsense=1")
    assert wrong.status == 1
    assert wrong.err.count("\n") == 1
    answers = [f"{q['id']}={q['guess'] or q['choices'][0]}" for q in item["questions"]]
    done = shop.quick("answer", str(held["log"]), *answers, "--layout", "bench recorder")
    assert done.status == 0, done.err
    assert shop.quick("held", "--json").json == []
    (layout,) = shop.quick("layout", "list", "--json").json
    assert layout["name"] == "bench recorder"
    other = shop.write("next.csv", "when,TC1 [°C]\n" + rows.replace("10:0", "11:0").replace("25.", "26."))
    assert shop.quick("import", other, "--json").json[0]["status"] == "stored"
    assert shop.quick("layout", "forget", "bench recorder").status == 0
    assert shop.quick("layout", "list", "--json").json == []


def test_a_season_is_backfilled_from_a_sheet(shop: Shop) -> None:
    for n in range(3):
        shop.write(f"logs/bake{n}.csv", straight_log(240 + n))
    rows = [f"bake{n}.csv,Oven B,2024-05-0{n + 1}T08:00,Blinker,{PASTE},L{n},product" for n in range(3)]
    sheet = shop.write("sheet.csv", "file,oven,started_at,board,paste,lot,kind\n" + "\n".join(rows) + "\n")
    said = shop.quick("import", shop.folder / "logs", "--metadata", sheet)
    assert said.status == 0, said.out + said.err
    runs = shop.quick("runs", "--json").json
    assert [run["oven"] for run in runs] == ["Oven B"] * 3
    assert [run["started_at"][:10] for run in runs] == ["2024-05-03", "2024-05-02", "2024-05-01"]
    assert len(shop.quick("jar", "list", "--json").json) == 3


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names there are always text")
def test_a_file_name_that_is_no_text(shop: Shop) -> None:
    path = os.fsencode(shop.folder) + b"/bad\xff name [b].csv"
    with open(path, "wb") as file:
        file.write(straight_log().encode())
    said = shop("import", shop.folder, "--json")
    assert [item["status"] for item in said.json] == ["stored"]
    assert "name [b].csv" in shop("runs", "--json").json[0]["log_file"]


def test_ctrl_c_leaves_whole_runs_and_the_rest_is_taken_later(shop: Shop) -> None:
    logs = 2000  # some seconds: there is a rest when the first are seen to be in
    for n in range(logs):
        shop.write(f"logs/bake{n:04d}.csv", straight_log(240 + n / 200))
    with subprocess.Popen(
        [sys.executable, "-m", "dashboard.cli", "import", str(shop.folder / "logs")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=shop.environment(),
    ) as process:
        deadline = time.monotonic() + 60
        # By the size of the file, 15 MB in the end: a second program that asks would wait its turn, and come too late.
        while time.monotonic() < deadline and not (shop.archive.exists() and shop.archive.stat().st_size > 2_000_000):
            time.sleep(0.01)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 130, err
    assert b"Traceback" not in err
    assert b"stopped after" in err
    assert shop.quick("verify").status == 0
    stored = len(shop.quick("runs", "--json").json)
    assert 0 < stored < logs
    rest = shop("import", shop.folder / "logs")
    assert rest.status == 0
    assert f"{logs - stored} stored, 0 held, {stored} duplicate, 0 rejected." in rest.out


def test_a_reader_that_leaves_gets_no_traceback(shop: Shop) -> None:
    shop.quick("import", shop.write("bake.csv", straight_log()))
    line = f"{sys.executable} -m dashboard.cli show 1 | head -1"
    done = subprocess.run(["bash", "-c", line], capture_output=True, env=shop.environment(), check=False)
    assert done.stdout.count(b"\n") == 1
    assert done.stderr == b""


def test_importing_one_log_loads_no_statistics_and_no_pages(shop: Shop) -> None:
    log = shop.write("bake.csv", straight_log())
    code = (
        "import sys, json\nfrom dashboard import cli\n"
        f"sys.argv = ['ovenbook', 'import', {str(log)!r}]\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=shop.environment()
    )
    loaded = set(json.loads(done.stderr.splitlines()[-1]))
    assert not loaded & {"scipy", "sklearn", "streamlit", "altair", "statsmodels", "ruptures", "serial", "watchfiles"}


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="a superuser may write everywhere")
def test_an_archive_that_cannot_be_written_is_said_in_one_line(shop: Shop) -> None:
    shop.quick("runs")
    shop.archive.chmod(0o400)
    said = shop.quick("import", shop.write("bake.csv", straight_log()))
    assert said.status == 1
    assert said.err.count("\n") == 1


def test_a_file_that_is_no_archive_is_refused(shop: Shop) -> None:
    shop.archive.write_bytes(b"this is not a database " * 100)
    said = shop.quick("runs")
    assert said.status == 1
    assert said.err.count("\n") == 1
    assert "not an Ovenbook archive" in said.err
