"""A known recording written down in many layouts, so that reading it back can be checked sample by sample.

The recording is invented: smooth heating and cooling with a little noise, two to four channels. `write` formats it in a
layout and returns the bytes with what a right reading must give, including the rounding that the layout itself does.
"""

from __future__ import annotations

import gzip
import io
import itertools
import random
import zipfile
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

START = datetime(2024, 5, 23, 14, 2, 7, tzinfo=UTC)  # day 23: no ambiguity between day and month


@dataclass
class Truth:
    """`elapsed` [s]; `channels`: name -> (role, values in °C or fraction). `tolerance`: name -> half a unit of the last place."""

    elapsed: np.ndarray
    channels: dict[str, tuple[str, np.ndarray]]
    start: datetime | None = None
    tolerance: dict[str, float] = field(default_factory=dict)
    time_tolerance: float = 0.0006
    faults: int = 0
    units: dict[str, str] = field(default_factory=dict)


def curve(t: np.ndarray, peak: float = 243.0, room: float = 24.0) -> np.ndarray:
    """An invented reflow curve [°C] at times t [s]."""
    return np.interp(t, [0, 15, 100, 190, 250, 262, 330, 420], [room, room, 148, 182, peak, peak - 1, 120, 62])


def recording(
    seed: int, interval: float = 0.5, channels: int = 3, peak: float = 243.0
) -> tuple[np.ndarray, list[np.ndarray], np.ndarray, np.ndarray]:
    """Times [s], temperatures [°C] by place, set point [°C], duty [fraction]."""
    rng = np.random.default_rng(seed)
    t = np.round(np.arange(0, 400, interval), 6)
    places: list[np.ndarray] = []
    for k in range(channels):
        shape = curve(t - 1.5 * k, peak - 3.1 * k, 24.0 + 0.3 * k)
        wander = np.convolve(rng.normal(0, 0.5, len(t) + 8), np.ones(9) / 9, "valid")
        places.append(shape + wander + rng.normal(0, 0.12, len(t)))
    setpoint = np.round(np.interp(t, [0, 90, 180, 240, 255, 256, 400], [25, 150, 180, 245, 245, 25, 25]), 1)
    duty = np.clip(np.round(0.5 + 0.5 * np.sin(t / 9) + 0.2 * (t < 240) - 0.9 * (t > 256), 2), 0, 1)
    duty[20:24] = 1.0
    return t, places, setpoint, duty


NAMES = {
    "en": ("Time", ["Left", "Right", "Board", "Air"], "Setpoint", "Heater"),
    "de": ("Zeit", ["Links", "Rechts", "Leiterplatte", "Luft"], "Sollwert", "Heizleistung"),
    "fr": ("Temps", ["Température gauche", "Température droite", "Carte", "Air"], "Consigne", "Puissance"),
    "es": ("Tiempo", ["Temperatura izquierda", "Temperatura derecha", "Placa", "Aire"], "Consigna", "Potencia"),
    "it": (
        "Tempo",
        ["Temperatura sinistra", "Temperatura destra", "Scheda", "Aria"],
        "Temperatura impostata",
        "Potenza",
    ),
    "pt": ("Tempo", ["Temperatura esquerda", "Temperatura direita", "Placa", "Ar"], "Temperatura alvo", "Potência"),
    "nl": (
        "Tijd",
        ["Temperatuur links", "Temperatuur rechts", "Printplaat", "Lucht"],
        "Gewenste temperatuur",
        "Vermogen",
    ),
    "pl": (
        "Czas",
        ["Temperatura lewa", "Temperatura prawa", "Płytka", "Powietrze"],
        "Temperatura zadana",
        "Moc grzałki",
    ),
    "sv": ("Tid", ["Temperatur vänster", "Temperatur höger", "Kort", "Luft"], "Börvärde", "Effekt"),
}

FEATURES: dict[str, list[str]] = {
    "language": list(NAMES),
    "delimiter": [",", ";", "\t", "|", " "],
    "decimal": [".", ","],
    "clock": [
        "s",
        "s_int",
        "ms",
        "min",
        "hms",
        "ms_frac",
        "iso",
        "iso_z",
        "dmy",
        "date_time",
        "epoch",
        "epoch_ms",
        "index",
        "ampm",
        "nolabel",
    ],
    "unit": ["C", "C_row", "F", "K", "F_none", "C_none", "tenths", "quarter"],
    "header": ["one", "none", "comment", "group"],
    "ends": ["\n", "\r\n", "\r"],
    "encoding": ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "mac_roman"],
    "preamble": ["none", "colon", "hash", "cells"],
    "trailer": ["none", "summary"],
    "quotes": ["none", "all", "header"],
    "trailing": ["no", "yes"],
    "extra": ["none", "setpoint", "duty", "state", "all"],
    "fault": ["none", "text", "number", "zero"],
    "noise": ["none", "debug", "blank", "nul", "half"],
    "box": ["plain", "gzip", "zip"],
}


def allowed(layout: dict[str, str]) -> bool:
    """False for layouts that no program could write."""
    lay = layout
    if lay["delimiter"] == lay["decimal"] == "," and lay["quotes"] != "all":
        return False
    if lay["delimiter"] == " " and (
        lay["trailing"] == "yes" or lay["quotes"] != "none" or lay["clock"] == "ampm" or lay["header"] == "group"
    ):
        return False
    if lay["delimiter"] == " " and lay["language"] not in ("en", "de"):
        return False  # names with blanks
    if lay["encoding"] in ("cp1252", "mac_roman") and lay["language"] == "pl":
        return False
    if lay["header"] == "none" and (
        lay["clock"] in ("index", "s_int", "min")
        or lay["unit"] in ("C_row", "F", "K", "C", "tenths", "quarter")
        or lay["extra"] != "none"
    ):
        return False  # asked, not read; tested apart
    if lay["header"] == "none" and lay["quotes"] == "header":
        return False
    if lay["header"] == "group" and lay["unit"] == "C_row":
        return False
    if lay["clock"] == "index" and lay["preamble"] in ("none", "cells"):
        return False
    if lay["unit"] in ("tenths", "quarter") and lay["fault"] == "zero":
        return False
    return not (lay["noise"] == "half" and lay["quotes"] == "all")


def pairwise_layouts(seed: int = 1) -> list[dict[str, str]]:
    """Layouts in which every allowed pair of feature values occurs (greedy)."""
    rng = random.Random(seed)
    names = list(FEATURES)
    open_pairs = {(a, x, b, y) for a, b in itertools.combinations(names, 2) for x in FEATURES[a] for y in FEATURES[b]}
    layouts: list[dict[str, str]] = []
    stale = 0
    while open_pairs and stale < 400:
        best, gain = None, 0
        a, x, b, y = rng.choice(sorted(open_pairs))
        for _ in range(30):
            trial = {n: rng.choice(v) for n, v in FEATURES.items()} | {a: x, b: y}
            if not allowed(trial):
                continue
            new = sum((p, trial[p], q, trial[q]) in open_pairs for p, q in itertools.combinations(names, 2))
            if new > gain:
                best, gain = trial, new
        if best is None:
            stale += 1
            if stale % 40 == 0:
                open_pairs.discard((a, x, b, y))
            continue
        layouts.append(best)
        open_pairs -= {(p, best[p], q, best[q]) for p, q in itertools.combinations(names, 2)}
    return layouts


def _number(value: float, decimals: int, decimal: str) -> str:
    return f"{value:.{decimals}f}".replace(".", decimal)


def _stamp(clock: str, t: float, k: int, decimal: str) -> list[str]:
    at = START + timedelta(seconds=t)
    if clock in ("s", "nolabel"):
        return [_number(t, 1, decimal)]
    if clock == "s_int":
        return [str(round(t))]
    if clock == "ms":
        return [str(round(1000 * t))]
    if clock == "min":
        return [_number(t / 60, 5, decimal)]
    if clock == "hms":
        s = round(t)
        return [f"{s // 3600}:{s // 60 % 60:02d}:{s % 60:02d}"]
    if clock == "ms_frac":
        return [f"{int(t // 60):02d}:{t % 60:04.1f}"]
    if clock == "iso":
        return [at.strftime("%Y-%m-%d %H:%M:%S.") + f"{at.microsecond // 1000:03d}"]
    if clock == "iso_z":
        return [at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"]
    if clock == "dmy":
        return [at.strftime("%d.%m.%Y %H:%M:%S.") + f"{at.microsecond // 100000}"]
    if clock == "date_time":
        return [at.strftime("%d/%m/%Y"), at.strftime("%H:%M:%S.") + f"{at.microsecond // 100000}"]
    if clock == "epoch":
        return [_number(at.timestamp(), 1, decimal)]
    if clock == "epoch_ms":
        return [str(round(at.timestamp() * 1000))]
    if clock == "ampm":
        return [at.strftime("%d/%m/%Y ") + at.strftime("%I:%M:%S %p").lstrip("0")]
    assert clock == "index"
    return [str(k + 1)]


_UNIT_LABEL = {"C": "°C", "F": "°F", "K": "K", "tenths": "0.1 °C", "quarter": ""}


def _in_unit(values: np.ndarray, unit: str) -> tuple[np.ndarray, int, float]:
    """Written numbers, decimals, and half a unit of the last place in °C."""
    if unit.startswith("F"):
        return np.round(values * 1.8 + 32, 1), 1, 0.05 / 1.8
    if unit == "K":
        return np.round(values + 273.15, 1), 1, 0.05
    if unit == "tenths":
        return np.round(values * 10), 0, 0.05
    if unit == "quarter":
        return np.round(values * 4), 0, 0.125
    return np.round(values, 1), 1, 0.05


def write(layout: dict[str, str], seed: int = 0) -> tuple[bytes, Truth]:
    """The recording in this layout, and what a right reading gives."""
    lay = layout
    rng = random.Random(seed)
    slow = lay["clock"] in ("s_int", "hms", "ampm", "index")
    interval = 1.0 if slow else 0.5
    channels = 2 if lay["header"] == "none" else 3
    t, places, setpoint, duty = recording(seed, interval, channels)
    time_name, place_names, set_name, duty_name = NAMES[lay["language"]]
    decimal, delimiter = lay["decimal"], lay["delimiter"]
    label = _UNIT_LABEL.get(lay["unit"], "") if lay["unit"] != "C_row" else ""
    clock_unit = {"s": "s", "s_int": "s", "ms": "ms", "min": "min"}.get(lay["clock"], "")
    time_columns = [
        time_name + (f" ({clock_unit})" if clock_unit and delimiter != " " else f"[{clock_unit}]" if clock_unit else "")
    ]
    if lay["clock"] == "date_time":
        time_columns = [
            "Date"
            if lay["language"] == "en"
            else {
                "de": "Datum",
                "fr": "Date",
                "es": "Fecha",
                "it": "Data",
                "pt": "Data",
                "nl": "Datum",
                "pl": "Data",
                "sv": "Datum",
            }[lay["language"]],
            time_name,
        ]
    if lay["clock"] == "index":
        time_columns = ["No."]
    truth = Truth(t, {}, time_tolerance=0.0006)
    if lay["clock"] in ("iso", "iso_z", "dmy", "date_time", "epoch", "epoch_ms", "ampm"):
        truth.start = START
    if lay["clock"] == "min":
        truth.time_tolerance = 0.0016
    names: list[str] = []
    units: list[str] = []
    written: list[list[str]] = []

    def add(name: str, role: str, values: np.ndarray, cells: list[str], unit: str, tolerance: float) -> None:
        full = name
        if unit and lay["unit"] != "C_row":
            full = f"{name} ({unit})" if delimiter != " " else f"{name}[{unit.replace(' ', '')}]"
        names.append(full)
        units.append(unit if lay["unit"] == "C_row" else "")
        key = full if lay["header"] != "none" else f"column {len(time_columns) + len(names)}"
        if lay["header"] == "group":
            key = f"Log {full}"
        truth.channels[key] = (role, values)
        truth.tolerance[key] = tolerance
        written.append(cells)

    shown_unit = "°C" if lay["unit"] == "C_row" else label
    for k in range(channels):
        numbers, decimals, half = _in_unit(places[k], lay["unit"])
        cells = [_number(v, decimals, decimal) for v in numbers]
        values = places[k].copy()
        if lay["fault"] != "none" and k == 1:
            marker = {"text": "OPEN", "number": "9999", "zero": _number(0.0, decimals, decimal)}[lay["fault"]]
            for j in (200, 201, 230) if not slow else (100, 101, 130):
                cells[j] = marker
                values[j] = np.nan
            truth.faults = 3
        add(place_names[k], "temperature", values, cells, shown_unit, half + 1e-4)
    if lay["extra"] in ("setpoint", "all"):
        numbers, decimals, half = _in_unit(setpoint, lay["unit"])
        add(set_name, "setpoint", setpoint, [_number(v, decimals, decimal) for v in numbers], shown_unit, half + 1e-4)
    if lay["extra"] in ("duty", "all"):
        add(duty_name, "duty", duty, [str(round(100 * v)) for v in duty], "%", 0.0051)
    if lay["extra"] in ("state", "all"):
        phases = np.select([t < 90, t < 180, t < 256], [0, 1, 2], 3)
        words = ["PREHEAT", "SOAK", "REFLOW", "COOL"]
        add("Phase", "state", phases.astype(float), [words[p] for p in phases], "", 0.0)
    stamps = [_stamp(lay["clock"], float(x), k, decimal) for k, x in enumerate(t)]
    lines = _lines(lay, rng, time_columns, names, units, stamps, written, interval)
    text = lay["ends"].join(lines) + lay["ends"]
    if lay["noise"] == "nul":
        cut = lay["ends"].join(lines[: len(lines) // 2])
        at = len(cut) + len(lay["ends"])
        text = text[:at] + "\0" * 37 + lay["ends"] + text[at:]
    data = text.encode(lay["encoding"])
    if lay["box"] == "gzip":
        data = gzip.compress(data, mtime=0)
    elif lay["box"] == "zip":
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as box:
            box.writestr("log.csv", data)
        data = buffer.getvalue()
    return data, truth


def _lines(lay, rng, time_columns, names, units, stamps, written, interval) -> list[str]:
    delimiter = lay["delimiter"]

    def row(cells: list[str], quoted: bool) -> str:
        if quoted:
            cells = [f'"{c}"' for c in cells]
        return delimiter.join(cells) + (delimiter if lay["trailing"] == "yes" else "")

    lines: list[str] = []
    stated = {"Profile": "SAC test", "Firmware": "2.1-b", "Operator": "bench"}
    if lay["clock"] == "index":
        stated["Interval"] = f"{interval} s"
    mark = {"colon": "{k}: {v}", "hash": "# {k} = {v}", "cells": "{k}" + delimiter + "{v}"}.get(lay["preamble"], "")
    if mark:
        lines += [mark.format(k=k, v=v) for k, v in stated.items()]
    if lay["header"] != "none":
        if lay["header"] == "group":
            lines.append(row(["", *[""] * (len(time_columns) - 1), *["Log"] * len(names)], False))
        head = row([*time_columns, *names], lay["quotes"] in ("all", "header"))
        lines.append(("# " if lay["header"] == "comment" else "") + head)
        if lay["unit"] == "C_row":
            second = {"s": "s", "s_int": "s", "ms": "ms", "min": "min"}.get(lay["clock"], "")
            lines.append(
                ("# " if lay["header"] == "comment" else "")
                + row(
                    [*["-"] * (len(time_columns) - 1), second or "-", *[u or "-" for u in units]],
                    lay["quotes"] == "all",
                )
            )
    for k, stamp in enumerate(stamps):
        lines.append(row([*stamp, *[w[k] for w in written]], lay["quotes"] == "all"))
        if lay["noise"] == "debug" and rng.random() < 0.03:
            lines.append(rng.choice(["DBG heap ok", "wifi: reconnecting", "[pid] kp=3.2"]))
        elif lay["noise"] == "blank" and rng.random() < 0.03:
            lines.append("")
        elif lay["noise"] == "half" and k in (77, 210):
            whole = row([*stamp, *[w[k] for w in written]], False)
            lines.append(whole[: len(whole) // 2])
    if lay["trailer"] == "summary":
        lines += ["", f"Peak{delimiter}243", "End of log"]
    return lines
