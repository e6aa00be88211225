"""Samples as they are stored: times once a run, values as whole numbers of a part of a degree, in lists.

Most loggers sample at a constant step and tell values in whole parts of a degree: a run's times are then two numbers, and
a value is a small integer, which DuckDB packs into some ten bits. What is not so is stored as it is. Either way what comes
back is what went in, to the last bit of the 32-bit value.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ingest.archive.bulk import insert_columns, insert_rows

if TYPE_CHECKING:
    from ingest.archive.connection import Connection

# Samples a row at most: DuckDB writes the last 2048 rows of a table anew at every checkpoint, and a log of some hours at
# ten samples a second would make that hundreds of megabytes.
STRETCH = 1024

# Parts of a unit to try, coarsest first: halves to thousandths of a degree or a fraction, the quarters, sixteenths and
# 128ths that thermocouple chips give, and tenths and hundredths of a degree Fahrenheit told in °C (9/5 of them a degree).
PER_UNIT = (1.0, 1.8, 2.0, 4.0, 10.0, 16.0, 18.0, 100.0, 128.0, 180.0, 1000.0)
_PROBES = 8  # samples of a channel that are tried before all of them are

Sampled = tuple[int, np.ndarray, np.ndarray]  # run number, times [ms] (n,), values (channels, n) as 32-bit floats


def parts_of(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(per_unit (rows,), number (rows, n)) of values (rows, n), 32-bit; per_unit NaN for a row of no whole numbers.

    number / per_unit, rounded to 32 bits, is bit for bit the value, wherever it is not missing (NaN; number 0 there).
    """
    rows, n = values.shape
    per_unit = np.full(rows, np.nan)
    numbers = np.zeros((rows, n), dtype=np.int32)
    left = np.arange(rows)
    probes = values[:, :: max(n // _PROBES, 1)]
    for parts in PER_UNIT:
        hopeful = left[_whole(probes[left], parts)[1]]
        if len(hopeful) == 0:
            continue
        number, fits = _whole(values[hopeful], parts)
        found = hopeful[fits]
        per_unit[found] = parts
        numbers[found] = number[fits]
        left = left[np.isnan(per_unit[left])]
        if len(left) == 0:
            break
    return per_unit, numbers


def _whole(values: np.ndarray, parts: float) -> tuple[np.ndarray, np.ndarray]:
    """The nearest whole numbers of parts, and which rows they stand for without a loss."""
    with np.errstate(invalid="ignore"):  # missing, infinite, or too large for an integer: found unequal below
        number = np.rint(values.astype(np.float64) * parts).astype(np.int32)
    back = values_of(number, parts)
    same = back.view(np.int32) == values.view(np.int32)  # bits: -0.0 is not 0.0
    missing = np.isnan(values)
    number[missing] = 0
    return number, np.all(same | missing, axis=1)


def values_of(number: np.ndarray, per_unit: float | np.ndarray) -> np.ndarray:
    """The 32-bit values that whole numbers of parts stand for; DuckDB's views do the same."""
    return (number / per_unit).astype(np.float32)


def insert_samples(con: Connection, runs: Sequence[Sampled]) -> None:
    """Writes the samples of new runs, in this order."""
    times = [row for run_id, ms, _ in runs for row in _time_rows(run_id, ms)]
    insert_rows(con, "sample_times", ("run_id", "stretch", "samples", "first_ms", "step_ms", "elapsed_ms"), times)
    insert_columns(con, "sample_values", _value_columns(runs))


def delete_samples(con: Connection, run_id: int) -> None:
    for table in ("sample_values", "sample_times"):
        con.execute(f"DELETE FROM {table} WHERE run_id = ?", [run_id])


def _time_rows(run_id: int, ms: np.ndarray) -> list[tuple[Any, ...]]:
    rows: list[tuple[Any, ...]] = []
    for stretch, start in enumerate(range(0, len(ms), STRETCH)):
        part = ms[start : start + STRETCH]
        step = int(part[1] - part[0]) if len(part) > 1 else 1
        even = step > 0 and int(part[-1] - part[0]) == step * (len(part) - 1) and bool(np.all(np.diff(part) == step))
        rows.append((run_id, stretch, len(part), int(part[0]), step if even else None, [] if even else part.tolist()))
    return rows


def _value_columns(runs: Sequence[Sampled]) -> dict[str, Any]:
    import pyarrow as pa

    run_ids, channels, stretches, lengths, per_units = [], [], [], [], []
    numbers: list[np.ndarray] = []
    plain: list[np.ndarray] = []
    for run_id, per_unit, number, values in _packed(runs):
        count, n = values.shape
        cuts = range(0, n, STRETCH)
        sizes = [min(STRETCH, n - cut) for cut in cuts]
        run_ids.append(np.full(count * len(sizes), run_id, dtype=np.int32))
        channels.append(np.repeat(np.arange(count, dtype=np.int16), len(sizes)))
        stretches.append(np.tile(np.arange(len(sizes), dtype=np.int32), count))
        lengths.append(np.tile(sizes, count))
        per_units.append(np.repeat(per_unit, len(sizes)))
        numbers.append(number.reshape(-1))
        plain.append(values.reshape(-1))
    length, per_unit = np.concatenate(lengths), np.concatenate(per_units)
    value, number = np.concatenate(plain), np.concatenate(numbers)
    whole = ~np.isnan(per_unit)
    of_whole = np.repeat(whole, length) if not whole.all() else slice(None)
    of_plain = np.repeat(~whole, length) if not whole.all() else slice(0)
    return {
        "run_id": np.concatenate(run_ids),
        "channel_no": np.concatenate(channels),
        "stretch": np.concatenate(stretches),
        "per_unit": pa.array(per_unit, from_pandas=True),
        "number": _lists(np.where(whole, length, 0), number[of_whole], np.isnan(value[of_whole])),
        "value": _lists(np.where(whole, 0, length), value[of_plain], np.isnan(value[of_plain])),
    }


def _packed(runs: Sequence[Sampled]) -> list[tuple[int, np.ndarray, np.ndarray, np.ndarray]]:
    """(run, per_unit, number, values) of every run; runs of one length are worked on together."""
    of_length: dict[int, list[int]] = {}
    for place, (_, ms, _) in enumerate(runs):
        of_length.setdefault(len(ms), []).append(place)
    done: dict[int, tuple[np.ndarray, np.ndarray]] = {}
    for places in of_length.values():
        per_unit, number = parts_of(np.concatenate([runs[place][2] for place in places]))
        at = 0
        for place in places:
            until = at + len(runs[place][2])
            done[place] = per_unit[at:until], number[at:until]
            at = until
    return [(run_id, *done[place], values) for place, (run_id, _, values) in enumerate(runs)]


def _lists(lengths: np.ndarray, flat: np.ndarray, missing: np.ndarray) -> Any:
    import pyarrow as pa

    offsets = np.zeros(len(lengths) + 1, dtype=np.int32)
    np.cumsum(lengths, out=offsets[1:])
    return pa.ListArray.from_arrays(pa.array(offsets), pa.array(flat, mask=missing if missing.any() else None))
