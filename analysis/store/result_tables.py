"""Evaluations of many runs as the rows to write: columns throughout, no record is made of a run on the way."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis.checks.many import Answers
from analysis.checks.texts import CODES
from analysis.evaluate import RULES_VERSION
from analysis.results import VERDICTS
from analysis.store.metric_columns import Words, metric_table
from analysis.together import Concluded, Plain
from analysis.verdict import no_window

if TYPE_CHECKING:
    import pyarrow as pa

    from ingest.archive.derived import Tables

_NONE = -1


def result_tables(found: Concluded, run_ids: Sequence[int], channels: Mapping[int, Sequence[str]]) -> Tables:
    """The rows of the archive's derived tables. `run_ids` of every place; `channels`: the names of the channels of the
    runs that were evaluated one by one, by place."""
    from ingest.archive.derived import tables_of

    ids = np.array(run_ids, dtype=np.int32)
    metrics = metric_table(found.measured, run_ids, RULES_VERSION)
    single = [(run_ids[place], evaluation) for place, evaluation in found.evaluations.items()]
    names = {run_ids[place]: dict(enumerate(channels[place])) for place in found.evaluations}
    tables = {name: list(parts) for name, parts in tables_of(single, names, metrics).items()}
    plain = [group for group in found.plain if len(group.places)]
    if plain:
        tables.setdefault("evaluation", []).append(_heads(plain, ids))
        tables.setdefault("finding_row", []).append(_findings(plain, found.answers, ids))
        judged = [group for group in plain if group.results.limits]
        if judged:
            tables.setdefault("limit_result", []).append(_limits(judged, ids))
    return tables


class _Rows:
    """Columns in the making, piece by piece; the texts of each are kept once."""

    def __init__(self) -> None:
        self._pieces: dict[str, list[np.ndarray]] = {}
        self._words: dict[str, Words] = {}

    def words(self, name: str) -> Words:
        return self._words.setdefault(name, Words())

    def add(self, name: str, values: np.ndarray) -> None:
        """Numbers (NaN: none), or places of words (`words`; negative: none) of a column of texts."""
        self._pieces.setdefault(name, []).append(values)

    def same(self, name: str, text: str | None, count: int) -> None:
        """One text for some rows."""
        self.add(name, np.full(count, self.words(name).place(text), dtype=np.int32))

    def table(self) -> pa.Table:
        import pyarrow as pa

        columns = {}
        for name, pieces in self._pieces.items():
            values = np.concatenate(pieces)
            if name in self._words:
                columns[name] = self._words[name].column(values)
            elif values.dtype.kind == "f":
                columns[name] = pa.array(values, mask=np.isnan(values))
            elif name == "channel_no":
                columns[name] = pa.array(values, mask=values < 0)
            else:
                columns[name] = pa.array(values)
        return pa.table(columns)


def _heads(plain: Sequence[Plain], ids: np.ndarray) -> pa.Table:
    """Rows of `evaluation`."""
    from ingest.archive.clock import stored, utc_now

    rows, now = _Rows(), np.datetime64(stored(utc_now()), "us")
    for group in plain:
        r, chosen = group.results, group.chosen
        count = len(chosen)
        rows.add("run_id", ids[group.places])
        rows.same("rules_version", RULES_VERSION, count)
        rows.add("evaluated_at", np.full(count, now))
        verdicts = rows.words("verdict").places_of(VERDICTS)
        if r.limits:
            rows.add("verdict", verdicts[r.worst[chosen]])
            reasons = [r.reason(run) for run in chosen.tolist()]
        else:
            rows.same("verdict", "not evaluated", count)
            reasons = [no_window(paste) for paste in group.has_paste.tolist()]
        rows.add("reason", rows.words("reason").places_of(reasons))
        at = r.limiting[chosen]
        none = at < 0
        limiting = (np.where(none, 0, at), chosen)
        metrics, units = ([getattr(limit, name) for limit in r.limits] or [None] for name in ("metric", "unit"))
        channel = r.channel[limiting] if r.limits else np.full(count, _NONE, dtype=np.int16)
        margin = r.margin[limiting] if r.limits else np.full(count, np.nan)
        names = rows.words("limiting_channel").places_of((*group.names, None))  # the last for -1: of the run
        rows.add(
            "limiting_metric", np.where(none, _NONE, rows.words("limiting_metric").places_of(metrics)[limiting[0]])
        )
        rows.add("limiting_channel", np.where(none, _NONE, names[channel]))
        rows.add("limiting_margin", np.where(none, np.nan, margin))
        rows.add("limiting_unit", np.where(none, _NONE, rows.words("limiting_unit").places_of(units)[limiting[0]]))
        rows.add("complete", np.ones(count, dtype=bool))
        rows.add("danger", np.zeros(count, dtype=bool))
        rows.same("windows", json.dumps(sorted({limit.window_id for limit in r.limits})), count)
        rows.same("stale", None, count)
    return rows.table()


def _limits(judged: Sequence[Plain], ids: np.ndarray) -> pa.Table:
    """Rows of `limit_result`: those of a run one after the other."""
    rows = _Rows()
    for group in judged:
        r, chosen, limits = group.results, group.chosen, group.results.limits
        count = len(chosen)
        rows.add("run_id", np.repeat(ids[group.places], len(limits)))
        for name in ("metric", "parameters"):
            rows.add(name, np.tile(rows.words(name).places_of([getattr(x, name) for x in limits]), count))
        for name in ("low", "high"):
            bounds = [np.nan if (bound := getattr(x, name)) is None else bound for x in limits]
            rows.add(name, np.tile(np.array(bounds, dtype=np.float64), count))
        for name in ("unit", "scope", "source", "revision"):
            rows.add(name, np.tile(rows.words(name).places_of([getattr(x, name) for x in limits]), count))
        rows.add("window_id", np.tile(np.array([x.window_id for x in limits], dtype=np.int32), count))
        rows.add("channel_no", r.channel[:, chosen].T.ravel())
        for name in ("value", "uncertainty", "margin"):
            rows.add(name, getattr(r, name)[:, chosen].T.ravel())
        rows.add("verdict", rows.words("verdict").places_of(VERDICTS)[r.verdict[:, chosen].T.ravel()])
        reasons = np.full((count, len(limits)), _NONE, dtype=np.int32)
        at = {run: place for place, run in enumerate(chosen.tolist())}
        for (i, run), text in r.reasons.items():
            if run in at:
                reasons[at[run], i] = rows.words("reason").place(text)
        rows.words("reason")
        rows.add("reason", reasons.ravel())
    return rows.table()


def _findings(plain: Sequence[Plain], answers: Answers, ids: np.ndarray) -> pa.Table:
    """Rows of `finding_row`: what codes cannot speak about."""
    rows = _Rows()
    places = np.sort(np.concatenate([group.places for group in plain]))
    run, code = np.nonzero(answers.said[places])
    count = len(run)
    rows.add("run_id", ids[places[run]])
    rows.add("code", rows.words("code").places_of(CODES)[code])
    rows.add("channel_no", np.full(count, _NONE, dtype=np.int16))
    rows.same("state", "not evaluated", count)
    rows.add("evidence", rows.words("evidence").places_of(list(answers.reasons))[answers.said[places][run, code]])
    for name in ("meaning", "check_first", "danger"):
        rows.same(name, "", count)
    rows.same("rules_version", RULES_VERSION, count)
    return rows.table()
