"""The project's reader on the sample logs and the season: what it finds equals what was written.

The truth is the table of the catalogue (checked by plain_parse, a second reading) and the season's own record.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from plain_parse import temperatures_c

import sample_logs
from ingest.reading import read_log
from ingest.recording import Recording
from sample_logs.catalogue import SAMPLES, SampleLog
from sample_logs.season import write_season

FOLDER = Path(sample_logs.__file__).parent
# Wall-clock starts in UTC, worked out by hand from the table's text; stamps without a zone are read as UTC here.
STARTS = {
    "aborted.csv": datetime(2024, 7, 2, 16, 20, tzinfo=UTC),
    "comma_celsius_duty.csv": datetime(2024, 4, 16, 8, 12, tzinfo=UTC),
    "epoch_seconds.csv": datetime(2024, 6, 12, 7, 30, tzinfo=UTC),
    "german_windows_1252.csv": datetime(2024, 5, 27, 10, 31, tzinfo=UTC),
    "iso_stamps_fault_marks.csv": datetime(2024, 6, 3, 6, 45, 10, tzinfo=UTC),
    "semicolon_decimal_comma.csv": datetime(2024, 4, 23, 14, 5, tzinfo=UTC),
}


def _read(path: Path) -> tuple[Recording, ...]:
    (reading,) = read_log(path.read_bytes(), path.name, zone="UTC")
    assert reading.status == "read", (reading.status, reading.reason, reading.questions)
    return reading.recordings


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.file)
def test_every_value_is_read_as_written(sample: SampleLog) -> None:
    recordings = _read(FOLDER / sample.file)
    truth = temperatures_c(FOLDER / sample.file)
    assert [len(r.elapsed_s) for r in recordings] == list(sample.samples)
    for recording, columns in zip(recordings, truth, strict=True):
        assert recording.elapsed_s == pytest.approx(np.arange(len(recording.elapsed_s)) * sample.interval_s, abs=1e-3)
        channels = recording.of_role("temperature")
        assert len(channels) == len(columns)
        for channel, column in zip(channels, columns, strict=True):
            wanted = np.array([np.nan if v is None else v for v in column])
            # 32-bit storage: some 1e-5 °C at these temperatures.
            np.testing.assert_allclose(channel.values, wanted, atol=1e-4)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.file)
def test_start_is_read_or_unknown_and_never_made_up(sample: SampleLog) -> None:
    assert _read(FOLDER / sample.file)[0].started_at == STARTS.get(sample.file)


def test_fault_marks_are_missing_values_with_their_mark() -> None:
    (recording,) = _read(FOLDER / "iso_stamps_fault_marks.csv")
    marks = [{f.marker for f in c.faults} for c in recording.of_role("temperature")]
    assert marks[2] == {"OPEN"}
    assert [int(np.isnan(c.values).sum()) for c in recording.of_role("temperature")] == [0, 1, 8]


def test_an_average_is_not_judged_and_the_dead_channel_is() -> None:
    (recording,) = _read(FOLDER / "average_hides_dead_channel.csv")
    judged = {c.name: c.judged for c in recording.of_role("temperature")}
    assert list(judged.values()) == [True, True, True, False]


def test_set_point_and_duty_are_told_from_temperatures() -> None:
    (recording,) = _read(FOLDER / "comma_celsius_duty.csv")
    (setpoint,) = recording.of_role("setpoint")
    (duty,) = recording.of_role("duty")
    assert setpoint.values.max() == pytest.approx(243.0)
    assert duty.values.max() == pytest.approx(1.0)
    assert not _read(FOLDER / "minutes_slow_logger.csv")[0].of_role("duty")


def test_the_whole_season_reads_without_a_question(tmp_path: Path) -> None:
    season = write_season(tmp_path, seed=4, runs=80)
    roles = {"north": ["setpoint", "temperature", "temperature", "temperature", "duty"]}
    roles["south"] = roles["north"][:4]
    for path in sorted(season.logs.iterdir()):
        (recording,) = _read(path)
        oven, day, clock = path.stem.split("_")
        assert [c.role for c in recording.channels] == roles[oven]
        assert recording.started_at is not None
        assert f"{recording.started_at:%Y-%m-%d_%H%M}" == f"{day}_{clock}"
