"""A channel a row (time, channel, value): turned into a row a moment.

Known by a column of few different labels that change from row to row and come round again (or that stand in blocks while
the clock starts again at each), beside one column of values. Samples with the same stamp make one row. When the channels
have stamps of their own, each stamp stays a row and the other channels are missing there: no value is moved in time.
"""

from __future__ import annotations

import itertools
from collections import Counter

import numpy as np

from ingest.reading.cells import to_number
from ingest.reading.stamps import parse_stamps
from ingest.reading.table import Column, Table, numeric_column
from ingest.reading.words import name_says, words_of
from ingest.recording import Notice

# What the column of channel names is called, and the column of their values.
_LABEL_WORDS = frozenset(
    [
        "channel",
        "ch",
        "chan",
        "kanal",
        "canal",
        "canale",
        "kanaal",
        "voie",
        "sensor",
        "probe",
        "name",
        "tag",
        "signal",
        "variable",
        "parameter",
        "source",
        "quelle",
        "messstelle",
        "fuhler",
        "sonde",
        "sonda",
        "sensore",
        "czujnik",
        "givare",
        "point",
        "location",
        "series",
        "metric",
        "field",
        "item",
        "label",
        "tc",
        "thermocouple",
        "id",
        "key",
        "what",
        "quantity",
        "measurement",
        "nom",
        "nombre",
        "nome",
        "nazwa",
        "namn",
        "naam",
    ]
)
_VALUE_WORDS = frozenset(
    [
        "value",
        "val",
        "wert",
        "valeur",
        "valor",
        "valore",
        "waarde",
        "wartosc",
        "varde",
        "reading",
        "temp",
        "temperature",
        "temperatur",
    ]
)


def to_wide(table: Table) -> Table:
    """The same table, a row a moment; unchanged when it is not of this kind."""
    if not 3 <= len(table.columns) <= 8:
        return table
    label_at = next((i for i, c in enumerate(table.columns) if _is_label(c, table)), None)
    if label_at is None:
        return table
    values = [i for i, c in enumerate(table.columns) if i != label_at and c.numbers is not None and not _is_clock(c, i)]
    clocks = [i for i, c in enumerate(table.columns) if i != label_at and i not in values and _is_clock(c, i)]
    named = [i for i in values if set(words_of(table.columns[i].name)) & _VALUE_WORDS]
    if len(values) > 1 and len(named) == 1:
        values = named
    if len(values) != 1 or not clocks:
        return table
    return _pivot(table, label_at, values[0], clocks)


def _is_clock(column: Column, index: int) -> bool:
    says = name_says(column.name)
    if says.kinds[:1] in (("time",), ("date",)) or column.name.strip().lower() == "t":
        return True
    if column.numbers is None:
        return parse_stamps(column.cells) is not None
    steps = np.diff(column.numbers[np.isfinite(column.numbers)])
    return index == 0 and len(steps) > 0 and float((steps >= 0).mean()) > 0.95 and bool(steps.any())


def _is_label(column: Column, table: Table) -> bool:
    cells = column.cells
    named = bool(set(words_of(column.name)) & _LABEL_WORDS) and table.named
    if column.numbers is not None and not (named and len(np.unique(column.numbers)) <= 64):
        return False
    if column.numbers is None and len(set(cells[:200])) > 64:
        return False
    counts = Counter(c.strip() for c in cells)
    if not 2 <= len(counts) <= 64 or min(counts.values()) < 3 or max(counts.values()) > 3 * min(counts.values()) + 3:
        return False
    if column.numbers is None and parse_stamps(cells) is not None:
        return False
    if not named and sum(n for c, n in counts.items() if c[:1].isdigit()) > 0.2 * len(cells):
        return False
    changes = sum(a != b for a, b in itertools.pairwise(cells))
    if changes >= 0.4 * len(cells):
        return True
    return named and changes == len(counts) - 1


def _pivot(table: Table, label_at: int, value_at: int, clocks: list[int]) -> Table:
    labels = [c.strip() for c in table.columns[label_at].cells]
    names = list(dict.fromkeys(labels))
    stamps = list(zip(*[table.columns[i].cells for i in clocks], strict=True))
    value_cells = table.columns[value_at].cells
    unit_at = next(
        (
            i
            for i, c in enumerate(table.columns)
            if i not in (label_at, value_at, *clocks)
            and c.numbers is None
            and "unit" in name_says(c.name).base.lower() + " " + c.name.lower()
        ),
        None,
    )
    blocks = sum(a != b for a, b in itertools.pairwise(labels)) == len(names) - 1
    rows: list[tuple[tuple[str, ...], int, dict[str, str]]] = []
    where: dict[tuple[str, ...], int] = {}
    for k, (stamp, label) in enumerate(zip(stamps, labels, strict=True)):
        if blocks:
            at = where.setdefault(stamp, len(rows))
            if at == len(rows):
                rows.append((stamp, k, {}))
        else:
            if not rows or rows[-1][0] != stamp or label in rows[-1][2]:
                rows.append((stamp, k, {}))
            at = len(rows) - 1
        rows[at][2][label] = value_cells[k]
    if blocks:
        rows = _in_order(rows, table.decimal)
    units = {}
    if unit_at is not None:
        for label, unit in zip(labels, table.columns[unit_at].cells, strict=True):
            units.setdefault(label, unit.strip())
    source = table.columns[value_at]
    shared = source.unit or name_says(source.name).unit
    columns = [
        numeric_column(table.columns[i].name, table.columns[i].unit, [r[0][j] for r in rows], table.decimal)
        for j, i in enumerate(clocks)
    ]
    taken = {c.name for c in columns}
    bare = all(n.isdigit() for n in names)
    for name in names:
        title = f"{table.columns[label_at].name} {name}" if bare else name
        column = numeric_column(
            title if title not in taken else f"{title} (2)",
            units.get(name) or shared,
            [r[2].get(name, "") for r in rows],
            table.decimal,
        )
        if column.numbers is None:
            return table
        columns.append(column)
    out = Table(
        columns,
        table.lines[[r[1] for r in rows]],
        table.delimiter,
        table.decimal,
        kind="long",
        named=True,
        blocks=table.blocks,
        notices=table.notices,
        asked=table.asked,
        reason=table.reason,
    )
    out.breaks = [int(np.searchsorted(out.lines, table.lines[b])) for b in table.breaks] if not blocks else []
    out.notices.append(Notice("long_layout", f"One row a channel and moment; turned into {len(names)} channels."))
    return out


def _in_order(rows, decimal: str):
    """Rows by their first clock cell, when all of those are numbers."""
    found = [(n, r) for r in rows if (n := to_number(r[0][0], decimal)) is not None]
    return [r for _n, r in sorted(found, key=lambda x: x[0])] if len(found) == len(rows) else rows
