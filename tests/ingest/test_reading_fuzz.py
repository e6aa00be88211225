"""Mutation fuzzing: logs cut, swapped, flipped, duplicated and spliced must not crash, hang, or change a value in silence.

`OVENBOOK_FUZZ_SECONDS` sets how long it runs (default 40 s in all; hours for a long run), `OVENBOOK_FUZZ_SEED` where it
starts. The silent-change test reads logs whose every row carries its own stamp, so that each sample that comes out can be
looked up by its time.
"""

from __future__ import annotations

import os
import random
import time
from datetime import UTC, datetime, timedelta

import generator
import numpy as np
import pytest
from generator_logs import START, T1, numbers, rows, stamps, two_channels

from ingest.reading.assemble import read_text
from ingest.reading.decode import decode, members

SECONDS = float(os.environ.get("OVENBOOK_FUZZ_SECONDS", "40"))
SEED = int(os.environ.get("OVENBOOK_FUZZ_SEED", "1"))
UNSEEN_K = 10.0  # a digit lost inside a number cannot be told from noise when it moves the value less than this
SLOWEST_S = 5.0  # processor time for one small log: a bound against hanging, far above what any takes


def read(data: bytes):
    """As `read_log`, without its last net: here a crash must show."""
    for member in members(data, "log"):
        if member.refusal is None:
            decoded = decode(member.data)
            if decoded.refusal is None:
                yield read_text(decoded, {}, (), "UTC", {}, ())


def mutated(rng: random.Random, data: bytes, others: list[bytes], flips: bool) -> bytes:
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        n = len(out)
        if n < 20:
            break
        i = rng.randrange(n)
        j = min(n, i + rng.choice([1, 3, 20, 200, 2000]))
        deed = rng.choice(
            ["cut", "end", "duplicate", "splice", "swap", "nul", "flip"]
            if flips
            else ["end", "duplicate", "splice", "swap", "nul", "cut"]
        )
        if deed == "cut":
            del out[i:j]
        elif deed == "end":
            del out[i:]
        elif deed == "duplicate":
            out[i:i] = out[i:j]
        elif deed == "splice":
            other = rng.choice(others)
            k = rng.randrange(max(1, len(other)))
            out[i:i] = other[k : k + rng.choice([5, 50, 500, 3000])]
        elif deed == "swap":
            k = rng.randrange(n)
            piece, size = bytes(out[k : k + 50]), min(50, j - i)
            out[i : i + size] = piece
        elif deed == "nul":
            out[i:j] = bytes(j - i)
        else:
            out[i] ^= 1 << rng.randrange(8)
    return bytes(out)


def seeds() -> list[bytes]:
    layouts = generator.pairwise_layouts(seed=3)[::4]
    return [generator.write(layout, seed=k)[0] for k, layout in enumerate(layouts)]


def test_no_mutation_crashes_or_hangs() -> None:
    rng, logs = random.Random(SEED), seeds()
    end, done = time.monotonic() + 0.6 * SECONDS, 0
    while time.monotonic() < end or done < 50:
        data = mutated(rng, rng.choice(logs), logs, flips=True)
        began = time.process_time()
        for reading in read(data):
            assert reading.status in ("read", "held", "rejected")
            assert (reading.status == "held") == bool(reading.questions)
            for run in reading.recordings:
                assert run.elapsed_s[0] == 0.0
                assert (np.diff(run.elapsed_s) > 0).all()
                assert all(len(c.values) == len(run.elapsed_s) for c in run.channels)
        assert time.process_time() - began < SLOWEST_S
        done += 1


C = two_channels(T1)
SHOWN = [np.round(c, 1) for c in C]
LOGS = {
    "comma": "Stamp,T1 (C),T2 (C)\n" + rows([stamps(T1), *[numbers(c) for c in C]]),
    "semicolon, decimal comma": "Stempel;T1 [°C];T2 [°C]\n" + rows([stamps(T1), *[numbers(c, 1, ",") for c in C]], ";"),
    "pairs": "".join(
        f"time={s} T1={p:.1f}C T2={q:.1f}C\n" for s, p, q in zip(stamps(T1, "%Y-%m-%dT%H:%M:%S"), *C, strict=True)
    ),
}
TOLD = {
    "spike",
    "lines_left_out",
    "stamp_odd",
    "order",
    "duplicate",
    "same_stamp",
    "clock_reset",
    "gap",
    "cells_unread",
    "nul_bytes",
    "text_between_rows",
    "remainder_left_out",
    "encoding_damaged",
    "clock_set",
    "daylight",
    "coarse",
    "clock_leap",
    "idle_left_out",
    "scraps_left_out",
    "table_left_out",
    "columns_change",
    "cells_missing",
}


@pytest.mark.parametrize("name", LOGS)
def test_no_mutation_changes_a_value_in_silence(name: str) -> None:
    """A sample that comes out has the value written for its second (within `UNSEEN_K`), or the reading says that something
    was wrong."""
    data = LOGS[name].encode()
    rng = random.Random(SEED)
    end, done = time.monotonic() + 0.4 * SECONDS / len(LOGS), 0
    while time.monotonic() < end or done < 30:
        changed = mutated(rng, data, [data], flips=False)
        done += 1
        for reading in read(changed):
            for run in reading.recordings:
                notices = {n.code for n in reading.notices} | {n.code for n in run.notices}
                wrong = _differences(run)
                assert not wrong or notices & TOLD, (name, SEED, done, wrong[:3], notices)


def _differences(run) -> list[tuple[float, str, float]]:
    """Samples that do not carry the value written for their second."""
    if run.started_at is None:
        return [(0.0, "start", 0.0)]
    offset = (run.started_at - START.replace(tzinfo=UTC)) / timedelta(seconds=1)
    second = np.round(run.elapsed_s + offset).astype(int)
    out = []
    for channel, shown in zip([c for c in run.channels if c.role == "temperature"], SHOWN, strict=False):
        for s, v in zip(second, channel.values, strict=True):
            if np.isfinite(v) and (not 0 <= s < len(shown) or abs(v - shown[s]) > UNSEEN_K):
                out.append((float(s), channel.name, float(v)))
    return out


def test_the_clock_of_the_fuzz_logs_is_right() -> None:
    for text in LOGS.values():
        run = next(iter(read(text.encode()))).recordings[0]
        assert not _differences(run)
        assert run.started_at == datetime(2025, 3, 27, 9, 14, 3, tzinfo=UTC)
