"""A second, plain reading of the sample logs, told everything by hand: it shares no line with the project's reader."""

from __future__ import annotations

import re
from pathlib import Path
from statistics import median

# file -> (encoding, separator, decimal comma, lines before data, temperature columns, to °C)
_HOW = {
    "aborted.csv": ("utf-8", ",", False, 3, (2, 3), "C"),
    "average_hides_dead_channel.csv": ("utf-8", ",", False, 2, (2, 3, 4, 5), "C"),
    "comma_celsius_duty.csv": ("utf-8", ",", False, 5, (2, 3, 4), "C"),
    "epoch_seconds.csv": ("utf-8", ",", False, 1, (2, 3, 4, 5), "C"),
    "german_windows_1252.csv": ("cp1252", ";", True, 6, (2, 3), "C"),
    "headerless.csv": ("utf-8", ",", False, 0, (2, 3), "C"),
    "iso_stamps_fault_marks.csv": ("utf-8", ",", False, 1, (2, 3, 4), "C"),
    "minutes_slow_logger.csv": ("utf-8", ",", False, 1, (1, 2), "C"),
    "semicolon_decimal_comma.csv": ("utf-8-sig", ";", True, 1, (2, 3), "C"),
    "serial_name_value.log": ("utf-8", " ", False, 1, (2, 3), "C"),
    "space_kelvin_ms.csv": ("utf-8", None, False, 1, (2, 3), "K"),
    "tab_fahrenheit.csv": ("utf-8", "\t", False, 2, (2, 3), "F"),
    "two_runs.csv": ("utf-8", ",", False, 1, (2, 3), "C"),
    "utf16_clock.csv": ("utf-16", ",", False, 1, (2, 3), "C"),
}


def temperatures_c(path: Path) -> list[list[list[float | None]]]:
    """Per run, per temperature column of the file: values [°C], None where the log has a fault marker."""
    encoding, mark, comma, skip, columns, unit = _HOW[path.name]
    runs: list[list[list[float | None]]] = [[[] for _ in columns]]
    for line in path.read_bytes().decode(encoding).splitlines()[skip:]:
        if line.startswith(("#", "done")):
            continue
        if line.startswith("Elapsed"):
            runs.append([[] for _ in columns])
            continue
        cells = line.split(mark)
        for values, column in zip(runs[-1], columns, strict=True):
            text = re.sub(r"^\w+=", "", cells[column])
            values.append(_celsius(text.replace(",", ".") if comma else text, unit))
    return runs


def _celsius(text: str, unit: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return {"C": value, "K": value - 273.15, "F": (value - 32) / 1.8}[unit]


def peak_c(values: list[float | None]) -> float:
    """Highest median of three neighbouring present samples, as domain terms define a peak."""
    present = [v for v in values if v is not None]
    return max(median(present[i : i + 3]) for i in range(len(present) - 2))
