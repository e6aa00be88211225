"""Several runs in one log, idle stretches, and what is no run at all. All logs are invented."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from generator_logs import START_UTC, T1, asked, codes, numbers, only, rows, stamps, table, two_channels

LONG = np.arange(0, 600, 1.0)


def whole_run(start: float = 24.0, peak: float = 243.0, end: float = 40.0, seed: int = 1) -> np.ndarray:
    points = [start, start, 148, 182, peak, peak - 1, 120, 62, end]
    curve = np.interp(LONG, [0, 15, 100, 190, 250, 262, 330, 420, 600], points)
    return curve + np.random.default_rng(seed).normal(0, 0.1, len(LONG))


A, B = whole_run(), whole_run(40.0, 240.0, 41.0, seed=2)
TIME = numbers(LONG)


def peaks(data: bytes | str, **options) -> list[float]:
    reading = only(data, **options)
    assert reading.status == "read", (reading.reason, reading.questions)
    return [float(np.nanmax(r.channels[0].values)) for r in reading.recordings]


def test_restart_of_the_clock() -> None:
    data = "t_s,T1\n" + rows([TIME, numbers(A)]) + rows([TIME, numbers(B)])
    assert peaks(data) == pytest.approx([A.max(), B.max()], abs=0.051)


def test_repeated_header_with_boot_text() -> None:
    data = "t_s,T1\n" + rows([TIME, numbers(A)]) + "\nBooting v1.2\nSD ok\nt_s,T1\n" + rows([TIME, numbers(B)])
    assert peaks(data) == pytest.approx([A.max(), B.max()], abs=0.051)


def test_gap_in_the_stamps() -> None:
    data = "Stamp,T1\n" + rows([stamps(LONG), numbers(A)]) + rows([stamps(LONG + 3600), numbers(B)])
    reading = only(data)
    assert [r.started_at for r in reading.recordings] == [START_UTC, START_UTC + timedelta(seconds=3600)]
    assert [len(r.elapsed_s) for r in reading.recordings] == [600, 600]


def test_cool_down_without_a_gap() -> None:
    data = "Stamp,T1\n" + rows([stamps(LONG), numbers(A)]) + rows([stamps(LONG + 600), numbers(B)])
    reading = only(data)
    assert len(reading.recordings) == 2
    assert sum(len(r.elapsed_s) for r in reading.recordings) == 1200
    began = reading.recordings[1].started_at
    assert began is not None
    assert abs((began - START_UTC).total_seconds() - 600) < 60  # somewhere in the cold stretch between the two


def test_idle_stretches_belong_to_no_run() -> None:
    rng = np.random.default_rng(4)
    idle = 24 + rng.normal(0, 0.1, 1800)
    curve = np.concatenate([idle, A, np.linspace(40, 24, 1800) + rng.normal(0, 0.1, 1800), whole_run(24, 240, 40, 3)])
    reading = only(table("t_s,T1", numbers(np.arange(len(curve))), numbers(curve)))
    assert len(reading.recordings) == 2
    assert "idle_left_out" in codes(reading)
    for run in reading.recordings:
        assert run.duration_s < 900
        heated = run.elapsed_s[run.channels[0].values > 60]
        assert 20 < heated[0] < 120  # the lead before the heating is kept


def test_a_short_wait_belongs_to_the_run() -> None:
    wait = 24 + np.random.default_rng(5).normal(0, 0.1, 100)
    curve = np.concatenate([wait, A])
    reading = only(table("t_s,T1", numbers(np.arange(len(curve))), numbers(curve)))
    assert len(reading.recordings[0].elapsed_s) == len(curve)


def test_an_aborted_run_counts() -> None:
    stopped = np.interp(LONG, [0, 15, 100, 140, 599], [24, 24, 120, 80, 35])
    assert len(peaks("t_s,T1\n" + rows([TIME, numbers(stopped)]) + rows([TIME, numbers(A)]))) == 2


def test_headers_repeated_every_page_do_not_split() -> None:
    curve = numbers(two_channels(T1)[0])
    text = "".join("time_s,T1\n" + rows([numbers(T1[k : k + 50]), curve[k : k + 50]]) for k in range(0, 401, 50))
    reading = only(text)
    assert [len(r.elapsed_s) for r in reading.recordings] == [401]


def test_two_logs_in_one_file_keep_their_own_start() -> None:
    def part(start: str, curve: np.ndarray) -> str:
        return f"Oven: B\nStart: {start}\ntime_s,T1\n" + rows([TIME, numbers(curve)]) + "\n"

    reading = only(part("2025-03-27 09:14:03", A) + part("2025-03-27 10:14:03", B))
    assert [r.started_at for r in reading.recordings] == [START_UTC, START_UTC + timedelta(hours=1)]


def test_start_of_a_second_run_is_unknown_when_the_log_does_not_tell() -> None:
    data = "Start: 2025-03-27 09:14:03\nt_s,T1\n" + rows([TIME, numbers(A)]) + rows([TIME, numbers(B)])
    assert [r.started_at for r in only(data).recordings] == [START_UTC, None]


def test_a_set_point_table_above_is_no_run() -> None:
    lead = "Profile\ntime,temp\n0,25\n90,150\n180,180\n240,245\n300,25\nLog\n"
    assert len(peaks(lead.encode() + table("time,temp", TIME, numbers(A)))) == 1


def test_hot_valley_without_a_pause_is_asked() -> None:
    first = A[:330]
    second = np.interp(LONG, [0, 60, 130, 190, 200, 330, 599], [135, 170, 183, 240, 239, 90, 45])
    curve = np.concatenate([np.where(first < 136, 136, first), second])
    data = table("t_s,T1", numbers(np.arange(len(curve))), numbers(curve))
    asked(data, "runs")
    assert len(only(data, answers={"runs": "two runs"}).recordings) == 2
    assert len(only(data, answers={"runs": "one run"}).recordings) == 1


def test_a_log_that_begins_hot_says_so() -> None:
    reading = only(table("t_s,T1 (°C)", TIME[:300], numbers(A[260:560])))
    assert "starts_hot" in codes(reading)


REFUSED = {
    "nothing": b"",
    "blank lines": b"\n\n \n",
    "only a header": b"time,T1,T2\n",
    "one row": b"time,T1,T2\n0,25,25\n",
    "random bytes": np.random.default_rng(1).integers(0, 256, 5000, dtype=np.uint8).tobytes(),
    "a picture": b"\x89PNG\r\n\x1a\n" + bytes(1000),
    "a letter": b"Dear all,\n\nplease find the log attached.\nRegards\n" * 5,
    "no time": table("TC1,TC2", numbers(A), numbers(A - 3)),
    "no temperature": table("time_s,Heater %", TIME, ["50"] * 600),
    "only a set point": table("time_s,Setpoint", TIME, numbers(np.round(A))),
    "every cell a marker": table("time_s,T1", TIME, ["OPEN"] * 600),
    "a room": table("time_s,T1 C", TIME, numbers(22 + 0.3 * np.sin(LONG / 50))),
    "weather": table(
        "Date,Temperature (°C),Humidity (%)",
        stamps(np.arange(48) * 1800.0),
        numbers(12 + 8 * np.sin(np.arange(48) / 8)),
        ["60"] * 48,
    ),
    "weather in °F": table("Date,Temp", stamps(np.arange(48) * 1800.0), numbers(70 + 12 * np.sin(np.arange(48) / 8))),
    "share prices": table(
        "Date,Open,Close",
        stamps(np.arange(200) * 86400.0, "%Y-%m-%d"),
        *[numbers(150 + 50 * np.sin(np.arange(200) / k), 2) for k in (30, 31)],
    ),
    "a bank statement": table(
        "Buchungstag;Empfänger;Betrag;Saldo",
        stamps(np.arange(60) * 86400.0, "%d.%m.%Y"),
        ["Laden"] * 60,
        numbers(np.arange(60) - 30.5, 2, ","),
        numbers(1500 - np.arange(60) * 3.7, 2, ","),
        delimiter=";",
    ),
    "sales": table(
        "Month,Region,Units",
        [f"2024-{k % 12 + 1:02d}" for k in range(60)],
        ["North", "South"] * 30,
        numbers(100 + np.arange(60) * 7.0 % 90, 0),
    ),
    "a fitness log": table("time,heart_rate,cadence", TIME, numbers(120 + 40 * np.sin(LONG / 130), 0), ["80"] * 600),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_one_clear_line(name: str) -> None:
    reading = only(REFUSED[name])
    assert reading.status == "rejected", reading.questions
    assert reading.reason
    assert "\n" not in reading.reason
    assert not reading.recordings
