"""Writes the small sample logs of this folder: `python -m sample_logs.make_files [FOLDER]`.

Invented data from the invented oven of `oven_model`. Each function writes one log the way one kind of controller
would. The table in `catalogue` holds the peaks of what these functions wrote; a test holds the two together.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

from sample_logs.oven_model import LEAD_FREE, LEADED, Bake, Controller, Load, Oven, Sensor, Trace, simulate

PAIR = (Sensor("left", "left"), Sensor("right", "right", offset_k=-0.5))
TRIO = (Sensor("left", "left"), Sensor("centre", "centre", offset_k=0.4), Sensor("right", "right", offset_k=-0.5))
STEER_LEFT_OF_TWO = Controller(steer_by=(1.0, 0.0))
STEER_LEFT_OF_THREE = Controller(steer_by=(1.0, 0.0, 0.0))
_PAIR_BAKE = Bake(sensors=PAIR, controller=STEER_LEFT_OF_TWO, interval_s=2.0)


def _lines(rows: Sequence[Sequence[str]], mark: str) -> list[str]:
    return [mark.join(row) for row in rows]


def _number(value: float, decimals: int = 1, mark: str = ".") -> str:
    return f"{value:.{decimals}f}".replace(".", mark)


def _comma_celsius_duty() -> bytes:
    trace = simulate(Bake(sensors=TRIO, controller=STEER_LEFT_OF_THREE, seed=11))
    head = [
        "# Kiln Lane benchtop oven, controller KL-2 (invented data)",
        "# firmware: 1.4.2",
        "# profile: lead-free 243",
        "# start: 2024-04-16T09:12:00+01:00",
        "elapsed_s,setpoint_c,left_c,centre_c,right_c,duty_pct",
    ]
    rows = [
        [f"{t:.0f}", _number(sp), *(_number(x, 2) for x in row), f"{100 * u:.0f}"]
        for t, sp, row, u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    return _text(head + _lines(rows, ","))


def _semicolon_decimal_comma() -> bytes:
    trace = simulate(replace(_PAIR_BAKE, profile=LEADED, room_c=19.4, load=Load(capacity=90.0), seed=12))
    began = datetime(2024, 4, 23, 14, 5, 0)
    rows = [
        [
            (began + timedelta(seconds=float(t))).strftime("%d.%m.%Y %H:%M:%S"),
            _number(sp, 1, ","),
            *(_number(x, 1, ",") for x in row),
        ]
        for t, sp, row in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, strict=True)
    ]
    return _text(["Time;Set point (°C);Left (°C);Right (°C)", *_lines(rows, ";")], "utf-8-sig", "\r\n")


def _tab_fahrenheit() -> bytes:
    trace = simulate(replace(_PAIR_BAKE, room_c=23.5, load=Load(capacity=125.0, heavy_end=0.03), seed=13))
    head = ["Elapsed\tTarget\tTC1\tTC2\tOutput", "sec\t°F\t°F\t°F\t%"]
    rows = [
        [f"{t:.1f}", f"{_fahrenheit(sp):.0f}", *(f"{_fahrenheit(x):.1f}" for x in row), f"{100 * u:.0f}"]
        for t, sp, row, u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    return _text(head + _lines(rows, "\t"))


def _space_kelvin_ms() -> bytes:
    trace = simulate(
        replace(_PAIR_BAKE, profile=LEADED, room_c=18.2, oven=Oven(power_w=690.0), seed=14, interval_s=1.5)
    )
    rows = [
        f"{1000 * t:8.0f} {sp + 273.15:8.2f} {a + 273.15:8.2f} {b + 273.15:8.2f}"
        for t, sp, (a, b) in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, strict=True)
    ]
    return _text(["    t_ms  T_set_K  T_one_K  T_two_K", *rows])


def _utf16_clock() -> bytes:
    trace = simulate(
        replace(_PAIR_BAKE, room_c=26.3, oven=Oven(share_left=0.5), load=Load(capacity=96.0), seed=15, interval_s=2.5)
    )
    rows = [
        [
            str(timedelta(seconds=int(t))) + (".5" if t % 1 else ".0"),
            _number(sp),
            *(_number(x) for x in row),
            "heat" if u > 0 else "off",
        ]
        for t, sp, row, u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    return _text(["Run time,Set point [°C],Probe A [°C],Probe B [°C],Heater", *_lines(rows, ",")], "utf-16", "\r\n")


def _german_windows_1252() -> bytes:
    trace = simulate(
        replace(_PAIR_BAKE, profile=LEADED, load=Load(capacity=150.0, heavy_end=0.02, turned=True), seed=16)
    )
    head = [
        "Ofenprotokoll (erfundene Daten)",
        "Gerät;Ofen 3",
        "Programm;bleihaltig 217",
        "Beginn;27.05.2024 10:31:00",
        "",
        "Zeit [s];Sollwert [°C];Fühler links [°C];Fühler rechts [°C];Stellgröße [%];Tür",
    ]
    rows = [
        [f"{t:.0f}", _number(sp, 1, ","), *(_number(x, 1, ",") for x in row), _number(100 * u, 0, ","), "zu"]
        for t, sp, row, u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    return _text(head + _lines(rows, ";"), "cp1252", "\r\n")


def _iso_stamps_fault_marks() -> bytes:
    trace = simulate(replace(_PAIR_BAKE, sensors=TRIO, controller=STEER_LEFT_OF_THREE, room_c=24.1, seed=17))
    began = datetime(2024, 6, 3, 8, 45, 10, tzinfo=timezone(timedelta(hours=2)))
    rows = []
    for t, sp, row in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, strict=True):
        cells = [_number(x) for x in row]
        if 120 <= t < 132 or 226 <= t < 230:
            cells[2] = "OPEN"
        if t == 178:
            cells[1] = "---"
        rows.append([(began + timedelta(seconds=float(t))).isoformat(), _number(sp), *cells])
    return _text(["timestamp,setpoint_c,tc_left_c,tc_centre_c,tc_right_c", *_lines(rows, ",")])


def _epoch_seconds() -> bytes:
    four = (*TRIO, Sensor("air", "air", time_constant_s=1.0, noise_k=0.4))
    steer = Controller(steer_by=(1.0, 0.0, 0.0, 0.0))
    trace = simulate(
        replace(
            _PAIR_BAKE, profile=LEADED, sensors=four, controller=steer, room_c=25.2, load=Load(capacity=80.0), seed=18
        )
    )
    rows = [
        [f"{1718177400 + t:.0f}", _number(sp), *(_number(x) for x in row), _number(u, 2)]
        for t, sp, row, u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    return _text(["epoch,target_c,board_left_c,board_centre_c,board_right_c,air_c,duty", *_lines(rows, ",")])


def _headerless() -> bytes:
    trace = simulate(replace(_PAIR_BAKE, room_c=20.6, oven=Oven(fan=0.8), seed=19))
    rows = [
        [f"{t:.0f}", _number(sp, 0), *(_number(x, 2) for x in row)]
        for t, sp, row in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, strict=True)
    ]
    return _text(_lines(rows, ","))


def _serial_name_value() -> bytes:
    trace = simulate(replace(_PAIR_BAKE, profile=LEADED, room_c=21.3, oven=Oven(leak=(0.55, 0.95)), seed=20))
    rows = [
        f"t={t:.1f} SP={sp:.1f} T1={a:.2f} T2={b:.2f} OUT={100 * u:.0f}%"
        for t, sp, (a, b), u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    return _text(["boot ok, sensors: 2, unit: C (invented data)", *rows, "done"], newline="\r\n")


def _average_hides_dead_channel() -> bytes:
    sensors = (TRIO[0], replace(TRIO[1], stuck_from_s=260.0), TRIO[2])
    trace = simulate(Bake(sensors=sensors, controller=Controller(steer_by=(1.0, 1.0, 1.0)), interval_s=2.0, seed=21))
    rows = [
        [f"{t:.0f}", _number(sp), *(_number(x, 2) for x in row), _number(float(row.mean())), f"{100 * u:.0f}"]
        for t, sp, row, u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    head = ["# invented data", "elapsed_s,setpoint_c,T1_c,T2_c,T3_c,average_c,duty_pct"]
    return _text(head + _lines(rows, ","))


def _aborted() -> bytes:
    trace = simulate(replace(_PAIR_BAKE, stop_at_s=214.0, room_c=24.8, seed=22))
    rows = [
        [f"{t:.0f}", _number(sp), *(_number(x) for x in row), f"{100 * u:.0f}"]
        for t, sp, row, u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
    ]
    head = ["# invented data", "# start: 2024-07-02T16:20:00Z", "elapsed_s,setpoint_c,left_c,right_c,duty_pct"]
    return _text([*head, *_lines(rows, ","), "# stopped by the operator"])


def _two_runs() -> bytes:
    lines = []
    for first, seed, start in ((LEAD_FREE, 23, None), (LEADED, 24, 41.0)):
        trace = simulate(replace(_PAIR_BAKE, profile=first, seed=seed, start_c=start, load=Load(capacity=95.0)))
        lines.append("Elapsed (s),Set point (°C),Left (°C),Right (°C),Duty (%)")
        lines += [
            f"{t:.0f},{sp:.1f},{a:.1f},{b:.1f},{100 * u:.0f}"
            for t, sp, (a, b), u in zip(trace.elapsed_s, trace.setpoint_c, trace.readings, trace.duty, strict=True)
        ]
    return _text(lines)


def _minutes_slow_logger() -> bytes:
    trace: Trace = simulate(
        replace(_PAIR_BAKE, profile=LEADED, room_c=17.1, load=Load(capacity=140.0), seed=25, interval_s=3.0)
    )
    rows = [
        [_number(t / 60, 3), *(_number(x, 0) for x in row)]
        for t, row in zip(trace.elapsed_s, trace.readings, strict=True)
    ]
    return _text(["Time (min),Left (°C),Right (°C)", *_lines(rows, ",")])


def _fahrenheit(celsius: float) -> float:
    return celsius * 1.8 + 32


def _text(lines: Sequence[str], encoding: str = "utf-8", newline: str = "\n") -> bytes:
    text = newline.join(lines) + newline
    # Byte order is fixed so that the files are the same on every machine.
    return b"\xff\xfe" + text.encode("utf-16-le") if encoding == "utf-16" else text.encode(encoding)


MAKERS: dict[str, Callable[[], bytes]] = {
    "aborted.csv": _aborted,
    "average_hides_dead_channel.csv": _average_hides_dead_channel,
    "comma_celsius_duty.csv": _comma_celsius_duty,
    "epoch_seconds.csv": _epoch_seconds,
    "german_windows_1252.csv": _german_windows_1252,
    "headerless.csv": _headerless,
    "iso_stamps_fault_marks.csv": _iso_stamps_fault_marks,
    "minutes_slow_logger.csv": _minutes_slow_logger,
    "semicolon_decimal_comma.csv": _semicolon_decimal_comma,
    "serial_name_value.log": _serial_name_value,
    "space_kelvin_ms.csv": _space_kelvin_ms,
    "tab_fahrenheit.csv": _tab_fahrenheit,
    "two_runs.csv": _two_runs,
    "utf16_clock.csv": _utf16_clock,
}


def make_files(folder: Path) -> list[Path]:
    """Writes every sample log into `folder` and gives their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, maker in MAKERS.items():
        path = folder / name
        path.write_bytes(maker())
        paths.append(path)
    return paths


if __name__ == "__main__":
    for made in make_files(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(made)
