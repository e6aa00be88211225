"""A simulated bake as the log its oven's controller writes: two controllers, two layouts."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from sample_logs.oven_model import Trace
from sample_logs.season_bakes import firmware_of
from sample_logs.season_plan import PlannedRun
from sample_logs.shop import NORTH, SHOP


def log_text(run: PlannedRun, trace: Trace, profile_name: str) -> str:
    return _north(run, trace, profile_name) if run.bench is NORTH else _south(run, trace)


def _north(run: PlannedRun, trace: Trace, profile_name: str) -> str:
    """Commas, remarks first, elapsed seconds, °C, duty in percent."""
    head = (
        f"# {SHOP}, invented data\n# oven: {run.bench.name}\n# controller: {run.bench.controller_name}\n"
        f"# firmware: {firmware_of(run)}\n# profile: {profile_name}\n# start: {run.at.isoformat()}\n"
        "elapsed_s,setpoint_c,left_c,centre_c,right_c,duty_pct\n"
    )
    columns = zip(
        trace.elapsed_s.tolist(),
        trace.setpoint_c.tolist(),
        trace.readings.tolist(),
        (100 * trace.duty).tolist(),
        strict=True,
    )
    return head + "".join(f"{t:.0f},{sp:.1f},{a:.2f},{b:.2f},{c:.2f},{u:.0f}\n" for t, sp, (a, b, c), u in columns)


def _south(run: PlannedRun, trace: Trace) -> str:
    """Semicolons, decimal commas, wall-clock stamps, °F, no remarks and no heater command."""
    fahrenheit = np.column_stack([trace.setpoint_c, trace.readings]) * 1.8 + 32
    rows = "".join(
        f"{run.at + timedelta(seconds=t):%Y-%m-%d %H:%M:%S};{sp:.1f};{a:.1f};{b:.1f};{c:.1f}\n"
        for t, (sp, a, b, c) in zip(trace.elapsed_s.tolist(), fahrenheit.tolist(), strict=True)
    )
    names = "".join(f";{sensor.name} [°F]" for sensor in run.bench.sensors)
    return f"Time;Target [°F]{names}\n" + rows.replace(".", ",")
