"""Containers, encodings, damage, and the shapes of text: serial captures, long layouts, JSON, odd delimiters."""

from __future__ import annotations

import gzip
import io
import json
import resource
import time
import zipfile

import numpy as np
import pytest
from generator_logs import (
    START_UTC,
    T05,
    T1,
    asked,
    codes,
    numbers,
    one_run,
    only,
    rows,
    same,
    setpoint,
    stamps,
    table,
    two_channels,
)

from ingest.reading import read_log
from ingest.reading.decode import MAX_BYTES

C = two_channels(T1)
TIME, V1, V2 = numbers(T1), numbers(C[0]), numbers(C[1])
PLAIN = table("t_s,T1,T2", TIME, V1, V2)
TRIPLES = list(zip(T1, C[0], C[1], strict=True))


def test_gzip_of_several_parts_and_cut_off() -> None:
    half = PLAIN.index(b"\n", len(PLAIN) // 2) + 1
    same(one_run(gzip.compress(PLAIN[:half]) + gzip.compress(PLAIN[half:])), T1, C)
    reading = only(gzip.compress(PLAIN)[:-800])
    assert "archive_cut" in codes(reading)
    assert reading.status == "read"


def test_zip_gives_one_reading_a_member() -> None:
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w") as out:
        out.writestr("a.csv", PLAIN)
        out.writestr("deep/b.csv.gz", gzip.compress(PLAIN))
        out.writestr("__MACOSX/._a.csv", b"junk")
        out.writestr("readme.txt", b"hello")
    found = read_log(box.getvalue(), "logs.zip")
    assert [(r.status, r.metadata["member"]) for r in found] == [
        ("read", "a.csv"),
        ("read", "deep/b.csv"),
        ("rejected", "readme.txt"),
    ]


def test_decompression_bombs_are_refused_cheaply() -> None:
    bomb = gzip.compress(bytes(MAX_BYTES + 2**20))
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("bomb.csv", bytes(MAX_BYTES + 2**20))
    for data in (bomb, box.getvalue()):
        reading = only(data)
        assert reading.status == "rejected"
        assert "larger than" in (reading.reason or "")


def test_two_hundred_megabytes_in_one_line() -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    data = b"1.5," * (50 * 2**20)
    reading = only(data)
    assert reading.status == "rejected"
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kb < 500 * 1024  # the bytes themselves are 200 MB


def test_a_long_line_inside_a_log_is_refused_without_being_split() -> None:
    began = time.process_time()
    assert only(PLAIN + b"7," * 2**23).status == "rejected"
    assert time.process_time() - began < 5  # a bound, not a timing: splitting 8 million cells takes longer


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "mac_roman", "cp850"]
)
def test_encodings(encoding: str) -> None:
    text = "Zeit [s];Fühler 1 [°C];Fühler 2 [°C]\n" + rows(
        [numbers(T1, 1, ","), numbers(C[0], 1, ","), numbers(C[1], 1, ",")], ";"
    )
    run = one_run(text.encode(encoding))
    same(run, T1, C)
    assert [c.name for c in run.channels] == ["Fühler 1 [°C]", "Fühler 2 [°C]"]


def test_central_european_and_chinese_code_pages() -> None:
    polish = "Czas [s];Temperatura płytki;Temperatura zadana\n" + rows([TIME, V1, numbers(setpoint(T1))], ";")
    assert [c.role for c in one_run(polish.encode("cp1250")).channels] == ["temperature", "setpoint"]
    chinese = "时间(s),温度1(℃),设定温度(℃)\n" + rows([TIME, V1, numbers(setpoint(T1))])
    assert [c.role for c in one_run(chinese.encode("gb18030")).channels] == ["temperature", "setpoint"]


def test_a_card_pulled_out() -> None:
    whole = rows([TIME[:100], V1[:100], V2[:100]])
    rest = rows([TIME[101:], V1[101:], V2[101:]])
    reading = only(("t_s,T1,T2\n" + whole + "100.0,15" + "\0" * 400 + "1.2\n" + rest).encode())
    same(reading.recordings[0], np.delete(T1, 100), [np.delete(c, 100) for c in C])
    assert {"nul_bytes", "lines_left_out"} <= codes(reading)


@pytest.mark.parametrize("cut", range(1, 13))
def test_a_cut_last_line_changes_no_value(cut: int) -> None:
    run = one_run(PLAIN[:-cut])
    n = len(run.elapsed_s)
    assert n in (400, 401)
    same(run, T1[:n], [c[:n] for c in C])


def test_ends_of_lines_may_be_mixed() -> None:
    lines = PLAIN.decode().split("\n")
    same(one_run("".join(ln + ("\r\n", "\n", "\r")[i % 3] for i, ln in enumerate(lines) if ln)), T1, C)


TEXTS = {
    "equals": "".join(f"t={x:.1f} T1={p:.1f} T2={q:.1f} PWM=50%\n" for x, p, q in TRIPLES),
    "colons and boot text": "boot ok\n"
    + "".join(f"time: {x:.1f}, temp1: {p:.1f}C, temp2: {q:.1f}C, state: SOAK\n" for x, p, q in TRIPLES),
    "counter in brackets": "".join(
        f"I ({int(x * 1000) + 2345}) reflow: T1={p:.1f} T2={q:.1f}\n" for x, p, q in TRIPLES
    ),
    "stamp of the capturing program": "".join(
        f"{s}.000 -> T1:{p:.1f},T2:{q:.1f}\n" for s, (_x, p, q) in zip(stamps(T1, "%H:%M:%S"), TRIPLES, strict=True)
    ),
    "one pair a line": "".join(f"time={x:.1f}\ntemp1={p:.1f}\ntemp2={q:.1f}\n" for x, p, q in TRIPLES),
    "JSON lines": "".join(json.dumps({"t": x, "T": [round(p, 1), round(q, 1)]}) + "\n" for x, p, q in TRIPLES),
    "JSON array": json.dumps([{"time_s": x, "tc1": round(p, 1), "tc2": round(q, 1)} for x, p, q in TRIPLES]),
    "JSON columns": json.dumps(
        {"oven": "A", "time_s": T1.tolist(), "tc1": [round(p, 1) for p in C[0]], "tc2": [round(p, 1) for p in C[1]]}
    ),
    "a channel a row": "time_s,channel,value\n"
    + "".join(f"{x:.1f},TC1,{p:.1f}\n{x:.1f},TC2,{q:.1f}\n" for x, p, q in TRIPLES),
    "a channel after the other": "time_s,channel,temp_C\n"
    + rows([TIME, ["TC1"] * 401, V1])
    + rows([TIME, ["TC2"] * 401, V2]),
    "drawn with bars": "| time_s | T1 | T2 |\n|---|---|---|\n"
    + "".join(f"| {x:.1f} | {p:.1f} | {q:.1f} |\n" for x, p, q in TRIPLES),
    "fixed width": f"{'Time':>8}{'Left C':>10}{'Right C':>10}\n"
    + "".join(f"{x:8.1f}{p:10.1f}{q:10.1f}\n" for x, p, q in TRIPLES),
    "quoted decimal comma": "Zeit,T1,T2\n"
    + "".join(f'"{x:.1f}","{p:.1f}","{q:.1f}"\n'.replace(".", ",") for x, p, q in TRIPLES),
    "decimal comma between commas": "Zeit,T1,T2\n"
    + "".join(f"{x:.1f},{p:.1f},{q:.1f}\n".replace(".", ",") for x, p, q in TRIPLES),
    "thousands with points": "Zeit [ms];T1;T2\n"
    + "".join(f"{int(x * 1000):,}".replace(",", ".") + f";{p:.1f};{q:.1f}\n".replace(".", ",") for x, p, q in TRIPLES),
    "thousands with commas, quoted": "time_ms,T1,T2\n"
    + "".join(f'"{int(x * 1000):,}",{p:.1f},{q:.1f}\n' for x, p, q in TRIPLES),
    "thousands with blanks": "time_ms;T1;T2\n"
    + "".join(f"{int(x * 1000):,}".replace(",", "\u202f") + f";{p:.1f};{q:.1f}\n" for x, p, q in TRIPLES),
    "line ends inside header cells": '"Time\n(s)","T1\n(°C)","T2\n(°C)"\n' + rows([TIME, V1, V2]),
    "a remark behind a row": "t_s,T1,T2\n"
    + "".join(f"{x:.1f},{p:.1f},{q:.1f}" + ("  # door opened\n" if x == 300 else "\n") for x, p, q in TRIPLES),
    "a note only where there is one": "t_s,T1,T2,note\n"
    + "".join(f"{x:.1f},{p:.1f},{q:.1f}" + (",door opened\n" if x == 300 else "\n") for x, p, q in TRIPLES),
    "columns change places": "t_s,T1,T2\n"
    + rows([TIME[:200], V1[:200], V2[:200]])
    + "t_s,T2,T1\n"
    + rows([TIME[200:], V2[200:], V1[200:]]),
    "the header comes late": rows([TIME[:50], V1[:50], V2[:50]]) + "t_s,T1,T2\n" + rows([TIME[50:], V1[50:], V2[50:]]),
    "a row of labels in front": "LOG,time_s,T1,T2\n"
    + "".join(f"DATA,{x:.1f},{p:.1f},{q:.1f}\n" for x, p, q in TRIPLES),
    "another table in front": "Step,Target,Duration\n1,150,90\n2,180,90\n3,245,30\n\ntime_s,T1,T2\n"
    + rows([TIME, V1, V2]),
    "a list a row": "".join(f"[{x:.1f}, {p:.1f}, {q:.1f}]\n" for x, p, q in TRIPLES),
    "words before numbers": "".join(f"Time {x:.1f} Temp1 {p:.1f} Temp2 {q:.1f}\n" for x, p, q in TRIPLES),
    "a logger's prefix": "".join(f"09:14:03 INFO data: {x:.1f},{p:.1f},{q:.1f}\n" for x, p, q in TRIPLES),
    "checksums": "".join(f"$OVN,{x:.1f},{p:.1f},{q:.1f}*5A\n" for x, p, q in TRIPLES),
    "terminal colours": "t_s,T1,T2\n" + "".join(f"\x1b[1m{x:.1f},{p:.1f},{q:.1f}\x1b[0m\n" for x, p, q in TRIPLES),
    "exponents and signs": "t_s,T1,T2\n" + "".join(f"{x:.3e},{p:+.4e},{q:+07.1f}\n" for x, p, q in TRIPLES),
}


@pytest.mark.parametrize("name", TEXTS)
def test_shapes_of_text(name: str) -> None:
    same(one_run(TEXTS[name]), T1, C, tolerance=0.0502)


def test_a_column_added_in_mid_file_is_missing_before() -> None:
    text = "t_s,T1\n" + rows([TIME[:200], V1[:200]]) + "t_s,T1,T2\n" + rows([TIME[200:], V1[200:], V2[200:]])
    reading = only(text)
    same(reading.recordings[0], T1, [C[0], np.where(T1 < 200, np.nan, C[1])])
    assert "columns_change" in codes(reading)


def test_a_column_added_without_a_header_is_asked() -> None:
    asked(rows([TIME[:200], V1[:200]]).join(["t_s,T1\n", rows([TIME[200:], V1[200:], V2[200:]])]), "columns")


def test_channels_with_stamps_of_their_own_are_not_moved() -> None:
    text = "time_s,channel,value\n" + "".join(
        f"{x:.2f},TC1,{p:.1f}\n{x + 0.4:.2f},TC2,{q:.1f}\n" for x, p, q in TRIPLES
    )
    run = one_run(text)
    for channel, shift, values in zip(run.channels, (0.0, 0.4), C, strict=True):
        at = np.isfinite(channel.values)
        np.testing.assert_allclose(run.elapsed_s[at], T1 + shift, atol=0.0006)
        np.testing.assert_allclose(channel.values[at], values, atol=0.0501)


def test_long_layout_with_stamps_and_channel_numbers() -> None:
    text = "Timestamp;Channel;Temperature\n" + "".join(
        f"{s};1;{p:.1f}\n{s};2;{q:.1f}\n" for s, (_x, p, q) in zip(stamps(T1), TRIPLES, strict=True)
    )
    run = one_run(text)
    same(run, T1, C)
    assert run.started_at == START_UTC
    assert [c.name for c in run.channels] == ["Channel 1", "Channel 2"]


SLOW = {
    "wide rows of words": ("a," * 2000 + "\n") * 500,
    "wide rows of numbers": ("1," * 2000 + "\n") * 500,
    "long sentences": ("abc def ghi " * 300 + ":\n") * 1000,
    "pairs of words": "a=b c=d e=f\n" * 50000,
    "open brackets": "[" * 60000,
    "deep JSON": '{"a":' * 10000,
    "nothing but stamps": ("12:00:01," * 300 + "\n") * 300,
    "a clock without any order": "t,T1\n" + "".join(f"{i * 7919 % 10007},{20 + i * 31 % 220}\n" for i in range(5000)),
}


@pytest.mark.parametrize("name", SLOW)
def test_text_made_to_be_slow_is_refused_in_bounded_time(name: str) -> None:
    began = time.process_time()
    assert only(SLOW[name]).status in ("rejected", "held")
    assert time.process_time() - began < 10  # a bound against hanging, not a timing: each takes well under a second


def test_many_damaged_lines_are_asked_about() -> None:
    text = "t_s,T1,T2\n" + "".join(
        f"{x:.1f},{p:.1f},{q:.1f}\n"
        if int(x) % 3
        else f"{x:.1f},{p:.1f},{q:.1f},{int(x)},{p:.0f},9\n"[: 30 - int(x) % 2]
        for x, p, q in TRIPLES
    )
    reading = only(text)
    assert reading.status in ("held", "rejected")


def test_half_seconds_are_kept() -> None:
    same(one_run(table("t,T1", numbers(T05), numbers(two_channels(T05)[0], 3))), T05, [two_channels(T05)[0]], 0.0006)
