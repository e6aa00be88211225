"""The metrics of many runs as columns, for writing them at once: no record is made of any of them on the way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis.metrics.measuring import Measured
from analysis.metrics.sheet import STATUSES, Column
from analysis.results import MetricValue

if TYPE_CHECKING:
    import pyarrow as pa

_NONE = -1  # in places of words and channels: there is none


class Words:
    """Texts, each kept once, and their places."""

    def __init__(self) -> None:
        self.places: dict[str, int] = {}

    def place(self, text: str | None) -> int:
        return _NONE if text is None else self.places.setdefault(text, len(self.places))

    def places_of(self, texts: Sequence[str | None]) -> np.ndarray:
        return np.array([self.place(text) for text in texts], dtype=np.int32)

    def column(self, places: np.ndarray) -> pa.DictionaryArray:
        import pyarrow as pa

        return pa.DictionaryArray.from_arrays(
            pa.array(places, pa.int32(), mask=places < 0), pa.array(list(self.places), pa.string())
        )


def metric_table(measured: Sequence[Measured], run_ids: Sequence[int], rules_version: str) -> pa.Table:
    """The rows of the archive's table `metric`, columns in its order.

    `run_ids`: the run number of each place that the measured batches name.
    """
    import pyarrow as pa

    words = {name: Words() for name in ("metric", "parameters", "unit", "status", "reason")}
    parts: list[tuple[np.ndarray, ...]] = []
    for batch in measured:
        runs = np.array([run_ids[place] for place in batch.places], dtype=np.int32)
        numbers = np.array(batch.sheet.numbers, dtype=np.int16)
        of_row = np.repeat(runs, batch.sheet.per)
        nobody = np.full(len(runs), _NONE, dtype=np.int16)
        for column in batch.sheet.columns:
            if isinstance(column, Column):
                run, channel = (of_row, numbers) if column.of_channels else (runs, nobody)
                parts.append((run, channel, *_part_of(column, words)))
            else:
                parts.append(_part_of_singles(column, runs, words))
    run, channel, value, u, *places = (np.concatenate(column) for column in zip(*parts, strict=True))
    text = {name: words[name].column(part) for name, part in zip(words, places, strict=True)}
    rules = pa.DictionaryArray.from_arrays(pa.array(np.zeros(len(run), dtype=np.int32)), pa.array([rules_version]))
    return pa.table(
        {
            "run_id": pa.array(run),
            "channel_no": pa.array(channel, mask=channel < 0),
            "metric": text["metric"],
            "parameters": text["parameters"],
            "value": pa.array(value, mask=np.isnan(value)),
            "uncertainty": pa.array(u, mask=np.isnan(u)),
            "unit": text["unit"],
            "status": text["status"],
            "reason": text["reason"],
            "rules_version": rules,
        }
    )


def _part_of(column: Column, words: dict[str, Words]) -> tuple[np.ndarray, ...]:
    """Value, uncertainty, and the places of the five texts, of one column."""
    count = len(column.value)
    fixed = [
        np.full(count, words[name].place(text), dtype=np.int32)
        for name, text in (("metric", column.metric), ("parameters", column.parameters), ("unit", column.unit))
    ]
    codes = np.array([words["status"].place(status) for status in STATUSES], dtype=np.int32)
    reason = np.full(count, words["reason"].place(column.said), dtype=np.int32)
    if column.reasons:
        reason[list(column.reasons)] = [words["reason"].place(text) for text in column.reasons.values()]
    return column.value, column.uncertainty, *fixed, codes[column.status], reason


def _part_of_singles(
    singles: list[tuple[int, MetricValue]], runs: np.ndarray, words: dict[str, Words]
) -> tuple[np.ndarray, ...]:
    values = [m for _, m in singles]

    def texts(name: str) -> np.ndarray:
        return np.array([words[name].place(getattr(m, name)) for m in values], dtype=np.int32)

    def numbers(name: str) -> np.ndarray:
        found = [getattr(m, name) for m in values]
        return np.array([np.nan if x is None else x for x in found], dtype=np.float64)

    return (
        runs[[run for run, _ in singles]],
        np.array([_NONE if m.channel is None else m.channel for m in values], dtype=np.int16),
        numbers("value"),
        numbers("uncertainty"),
        *(texts(name) for name in words),
    )
