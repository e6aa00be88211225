"""What a log should carry, and which questions it cannot answer without."""

from __future__ import annotations

from ingest.recording import Notice, Reading

# What is missing, and the question that is lost with it.
_LOST = {
    "clock": "no wall-clock start: note the time of the bake yourself, or runs cannot be put in order",
    "setpoint": "no set point: the profile cannot be recognised, nor overshoot and lag against it given",
    "duty": "no heater command: no early sign of heater loss, and heat at zero command cannot be seen",
    "second": "only one temperature channel: no sensor check and no spread across the board",
    "firmware": "no firmware text: cannot confirm that a flash took effect",
    "interval": "sample interval above 5 s: short times above liquidus and steep ramps are blurred",
}


def missing_from(reading: Reading) -> list[Notice]:
    """One notice for each thing this log does not carry. Empty for a log that was not read."""
    lost: list[str] = []
    if not reading.recordings:
        return []
    channels = [c for r in reading.recordings for c in r.channels]
    roles = {c.role for c in channels}
    if any(r.started_at is None for r in reading.recordings):
        lost.append("clock")
    lost += [role for role in ("setpoint", "duty") if role not in roles]
    if max(len([c for c in r.of_role("temperature") if c.judged]) for r in reading.recordings) < 2:
        lost.append("second")
    if "firmware" not in reading.metadata:
        lost.append("firmware")
    if any(len(r.elapsed_s) > 1 and r.duration_s / (len(r.elapsed_s) - 1) > 5 for r in reading.recordings):
        lost.append("interval")
    return [Notice(f"log_lacks_{key}", _LOST[key]) for key in lost]


def what_a_log_should_carry() -> str:
    """The hint for those who write a controller's log line."""
    return (
        "A log that answers every question carries, per sample: time since start, set point, every channel raw and "
        "separate, heater command per element, fan and door state, fault flags; per run: wall-clock start, oven, "
        "firmware version, profile name and set points, control parameters, sample interval, channel names, why it "
        "ended. All of it may be missing: the answer then says which question is lost."
    )
