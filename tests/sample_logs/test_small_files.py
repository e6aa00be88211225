"""The small logs hold what the table says: read a second time, by hand-written instructions (plain_parse)."""

from __future__ import annotations

from pathlib import Path

import pytest
from plain_parse import peak_c, temperatures_c

import sample_logs
from sample_logs.catalogue import SAMPLES, SampleLog
from sample_logs.make_files import MAKERS, make_files

FOLDER = Path(sample_logs.__file__).parent


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.file)
def test_file_holds_the_peaks_samples_and_faults_of_the_table(sample: SampleLog) -> None:
    runs = temperatures_c(FOLDER / sample.file)
    assert tuple(len(run[0]) for run in runs) == sample.samples
    for run, peaks in zip(runs, sample.peaks_c, strict=True):
        assert [peak_c(column) for column in run] == pytest.approx(list(peaks), abs=0.051)
    missing = [sum(v is None for v in column) for column in runs[0]]
    assert missing == list(sample.faults or [0] * len(missing))


def test_table_and_folder_name_the_same_files() -> None:
    on_disk = {p.name for p in FOLDER.iterdir() if p.suffix in (".csv", ".log", ".txt")}
    assert on_disk == {s.file for s in SAMPLES} == set(MAKERS)
    assert [p.name for p in sample_logs.files()] == sorted(on_disk)
    assert all(p.is_file() for p in sample_logs.files())


def test_files_are_small() -> None:
    sizes = [p.stat().st_size for p in sample_logs.files()]
    assert max(sizes) < 40_000
    assert sum(sizes) < 400_000


def test_made_again_they_show_the_same_peaks(tmp_path: Path) -> None:
    for path in make_files(tmp_path):
        again, shipped = temperatures_c(path), temperatures_c(FOLDER / path.name)
        for run, other in zip(again, shipped, strict=True):
            # One step of the coarsest log (1 °C) apart at most: the last digit may differ between processors.
            assert [peak_c(c) for c in run] == pytest.approx([peak_c(c) for c in other], abs=1.0)


def test_encodings_and_marks_are_as_varied_as_promised() -> None:
    raw = {s.file: (FOLDER / s.file).read_bytes() for s in SAMPLES}
    assert raw["utf16_clock.csv"].startswith(b"\xff\xfe")
    assert raw["semicolon_decimal_comma.csv"].startswith(b"\xef\xbb\xbf")
    with pytest.raises(UnicodeDecodeError):
        raw["german_windows_1252.csv"].decode("utf-8")
    assert b"OPEN" in raw["iso_stamps_fault_marks.csv"]
