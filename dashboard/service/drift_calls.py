"""Open drift calls of one oven, for alerts."""

from __future__ import annotations

from ingest.archive import Archive


def open_calls(archive: Archive, oven: str) -> list[tuple[str, str, int]]:
    """(number of the call, sentence, run at which it was called) for each call that the newest runs still show."""
    from analysis.drift.calls import detect
    from analysis.drift.series import METRICS_NEEDED

    runs = archive.read("SELECT * FROM run_overview WHERE oven = ? ORDER BY run", (oven,))
    metrics = archive.read(
        "SELECT m.* FROM metric_long m JOIN run_overview r USING (run) "
        "WHERE r.oven = ? AND m.metric IN (SELECT unnest(?::VARCHAR[])) ORDER BY m.run",
        (oven, list(METRICS_NEEDED)),
    )
    events = archive.read("SELECT * FROM oven_event WHERE oven = ? ORDER BY happened_at", (oven,))
    return [
        (
            call.id,
            f"{oven}: drift is called, {call.size_text}, since about run {call.since_run}. Check first: {call.check_first}",
            call.alarm_run,
        )
        for call in detect(oven, runs, metrics, events).calls
        if call.state == "open" and call.closed_by is None
    ]
