"""The season's files and the truths hidden in them."""

from __future__ import annotations

import csv
import hashlib
from collections import Counter
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from sample_logs.season import SeasonTruth, write_season


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> SeasonTruth:
    return write_season(tmp_path_factory.mktemp("season"), seed=1, runs=420)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def _north(path: Path) -> np.ndarray:
    return np.genfromtxt(path, delimiter=",", skip_header=7)


def _south_celsius(path: Path) -> np.ndarray:
    lines = path.read_text(encoding="utf-8").splitlines()[1:]
    fahrenheit = np.array([[float(x.replace(",", ".")) for x in line.split(";")[1:]] for line in lines])
    return (fahrenheit - 32) / 1.8


def _dated(truth: SeasonTruth, oven: str, **want: str) -> list[dict[str, str]]:
    """Sheet rows of one oven's cold, whole runs, in order of time."""
    odd = {*truth.aborted, *truth.warm_starts, *truth.wrong_profiles}
    rows = [r for r in _rows(truth.metadata) if r["oven"] == oven and r["file"] not in odd]
    return [r for r in rows if all(r[k] == v for k, v in want.items())]


def test_counts_and_span(season: SeasonTruth) -> None:
    rows = _rows(season.metadata)
    on_disk = sorted(p.name for p in season.logs.iterdir())
    assert season.runs == len(rows) == len(on_disk) == 420
    assert sorted(r["file"] for r in rows) == on_disk
    assert Counter(r["oven"] for r in rows) == season.runs_by_oven
    assert Counter(r["kind"] for r in rows) == season.kinds
    assert season.kinds["reference"] >= 100
    assert season.kinds["development"] >= 5
    assert len(season.aborted) >= 4
    assert len(season.warm_starts) >= 10
    assert len(season.wrong_profiles) >= 3
    starts = [datetime.fromisoformat(r["started_at"]) for r in rows]
    assert starts == sorted(starts)
    assert (starts[-1] - starts[0]).days > 530  # eighteen months
    assert {r["board"] for r in rows} == {"Lantern", "Heron", "Anvil", "Reference plate"}
    assert len({(r["paste"], r["lot"], r["opened"]) for r in rows if r["lot"]}) >= 10


def test_nothing_starts_before_the_run_before_has_ended(season: SeasonTruth) -> None:
    for oven in season.runs_by_oven:
        starts = [datetime.fromisoformat(r["started_at"]) for r in _rows(season.metadata) if r["oven"] == oven]
        gaps = [(b - a).total_seconds() for a, b in pairwise(starts)]
        assert min(gaps) > 900


def test_jars_are_opened_before_they_are_used_and_some_are_kept_too_long(season: SeasonTruth) -> None:
    ages = [
        (datetime.fromisoformat(r["started_at"]).date() - datetime.fromisoformat(r["opened"]).date()).days
        for r in _rows(season.metadata)
        if r["opened"]
    ]
    assert min(ages) >= 0
    assert max(ages) > 90


def test_same_seed_same_files_another_seed_others(season: SeasonTruth, tmp_path: Path) -> None:
    def digest(truth: SeasonTruth) -> str:
        paths = [*sorted(truth.logs.iterdir()), truth.metadata, truth.inspections, truth.events]
        return hashlib.sha256(b"".join(p.read_bytes() for p in paths)).hexdigest()

    again = write_season(tmp_path / "again", seed=1, runs=420)
    assert digest(again) == digest(season)
    assert again.planted == season.planted
    assert digest(write_season(tmp_path / "other", seed=2, runs=420)) != digest(season)


def test_every_north_log_says_it_is_invented_and_the_firmware_changes_once(season: SeasonTruth) -> None:
    truth = next(p for p in season.planted if p.what == "firmware")
    versions = []
    for row in _dated(season, truth.oven):
        text = (season.logs / row["file"]).read_text(encoding="utf-8")
        assert "invented data" in text.splitlines()[0]
        versions.append((row["file"], text.splitlines()[3]))
    assert len({v for _, v in versions}) == 2
    changed = [b[0] for a, b in pairwise(versions) if a[1] != b[1]]
    assert changed == [truth.since_file]
    assert all("invented data" in r["note"] for r in _rows(season.metadata))


def _reference_series(season: SeasonTruth, oven: str, measure) -> tuple[list[str], np.ndarray]:
    rows = _dated(season, oven, kind="reference")
    return [r["file"] for r in rows], np.array([measure(season.logs / r["file"]) for r in rows])


def _split(season: SeasonTruth, what: str, files: list[str]) -> np.ndarray:
    truth = next(p for p in season.planted if p.what == what)
    return np.array([datetime.fromisoformat(f"{f.split('_')[1]}").date() >= truth.since for f in files])


def test_heater_loss_shows_in_the_hot_ramp_and_hardly_in_the_peak(season: SeasonTruth) -> None:
    def hot_ramp(path: Path) -> float:
        log = _north(path)
        rising = log[: int(log[:, 2].argmax())]
        seconds = np.count_nonzero((rising[:, 2] >= 180) & (rising[:, 2] < 220))
        return 40 / seconds

    files, ramps = _reference_series(season, "North bench", hot_ramp)
    _, peaks = _reference_series(season, "North bench", lambda path: _north(path)[:, 2].max())
    flashed, worn = _split(season, "firmware", files), _split(season, "heater", files)
    sound, last = ramps[flashed & ~worn], ramps[-8:]
    assert len(sound) >= 15
    assert last.mean() / sound.mean() < 0.90
    assert sound.std() / sound.mean() < 0.04
    assert abs(peaks[-8:].mean() - peaks[flashed & ~worn].mean()) < 1.5


def test_firmware_change_shows_in_the_overshoot_and_not_in_the_ramp(season: SeasonTruth) -> None:
    files, over = _reference_series(season, "North bench", lambda p: _north(p)[:, 2].max() - _north(p)[:, 1].max())
    after, worn = _split(season, "firmware", files), _split(season, "heater", files)
    assert over[~after].mean() - over[after & ~worn].mean() > 1.0


def test_the_sensor_steps_hot_and_cold_and_the_others_do_not(season: SeasonTruth) -> None:
    def cold(path: Path) -> float:
        start = _south_celsius(path)[:5].mean(axis=0)
        return start[1] - start[2]

    files, gap = _reference_series(season, "South bench", cold)
    after = _split(season, "sensor_offset", files)
    size = next(p for p in season.planted if p.what == "sensor_offset").size
    assert gap[after].mean() - gap[~after].mean() == pytest.approx(size, abs=0.3)


def test_the_door_side_goes_cold_and_a_new_seal_ends_it(season: SeasonTruth) -> None:
    def right_less_middle(path: Path) -> float:
        peaks = _south_celsius(path).max(axis=0)
        return peaks[3] - peaks[2]

    files, gap = _reference_series(season, "South bench", right_less_middle)
    days = [datetime.fromisoformat(f.split("_")[1]).date() for f in files]
    truth = next(p for p in season.planted if p.what == "seal")
    renewed = datetime.fromisoformat(next(r for r in _rows(season.events) if r["kind"] == "seal")["happened_at"]).date()
    before = gap[[d < truth.since for d in days]].mean()
    worst = gap[[truth.until <= d < renewed for d in days]].mean()
    after = gap[[d > renewed for d in days]].mean()
    assert worst < before - 3.0
    assert after == pytest.approx(before, abs=0.8)


def test_normal_runs_are_sound(season: SeasonTruth) -> None:
    """Before anything is planted both profiles lie inside the usual windows: peak 235 to 250 and 40 to 90 s above 217
    for SAC305, 205 to 225 and 30 to 90 s above 183 for Sn63Pb37; ramps below 3 °C/s; full power through 60-120 and
    180-220 °C in the oven that logs it; a hold of at least a minute. (Windows: the project's domain notes, from
    component makers' sheets and common practice.)"""
    early = [r for r in _dated(season, "North bench") if r["started_at"] < "2024-07" and r["kind"] != "development"]
    assert len(early) >= 30
    for row in early:
        log = _north(season.logs / row["file"])
        lead_free = "SAC305" in row["paste"]
        low, high, melts, least = (235, 250, 217, 40) if lead_free else (205, 225, 183, 30)
        temperatures = log[:, 2:5]
        assert low < temperatures.max(axis=0).min()
        assert temperatures.max() < high
        assert least < np.count_nonzero(temperatures > melts, axis=0).min()
        assert np.count_nonzero(temperatures > melts, axis=0).max() < 90
        assert np.abs(temperatures[20:] - temperatures[:-20]).max() / 20 < 3.0
        heating = log[: int(log[:, 2].argmax())]
        spans = ((60, 120), (180, 220)) if lead_free else ((60, 115),)
        for a, b in spans:
            duty = heating[(heating[:, 2] > a) & (heating[:, 2] < b), 5]
            assert duty.min() == 100
        longest = max(len(list(run)) for run in np.split(log[:, 1], np.flatnonzero(np.diff(log[:, 1])) + 1)[:-1])
        assert longest >= 60


def test_inspections_have_denominators_and_clean_runs(season: SeasonTruth) -> None:
    rows = _rows(season.inspections)
    kinds = {r["file"]: r["kind"] for r in _rows(season.metadata)}
    looked = {r["file"] for r in rows}
    assert all(int(r["inspected"]) > 0 for r in rows)
    assert {kinds[f] for f in looked} == {"product"}
    clean = {r["file"] for r in rows if r["count"] == "0"}
    with_defects = {r["file"] for r in rows if r["defect"]}
    assert clean
    assert not clean & with_defects
    assert len(looked) < season.kinds["product"]  # some were never looked at
    for truth in season.defects:
        assert sum(r["defect"] == truth.term for r in rows) == truth.runs
        assert truth.runs >= 8
        assert truth.inspected == len(looked)


def test_each_defect_follows_its_own_cause_only(season: SeasonTruth) -> None:
    rows = _rows(season.inspections)
    looked = sorted({r["file"] for r in rows})
    lag = np.array([season.drivers[f][0] for f in looked])
    days = np.array([season.drivers[f][1] for f in looked])

    def has(term: str) -> np.ndarray:
        hit = {r["file"] for r in rows if r["defect"] == term}
        return np.array([f in hit for f in looked])

    long_lag, old_jar = lag > np.quantile(lag, 0.85), days > np.quantile(days, 0.7)
    stones, balls = has("tombstone"), has("solder ball")
    assert stones[long_lag].mean() > stones[~long_lag].mean() + 0.2
    assert balls[old_jar].mean() > balls[~old_jar].mean() + 0.2
    assert abs(balls[long_lag].mean() - balls[~long_lag].mean()) < 0.2


def test_too_short_a_season_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="60 at least"):
        write_season(tmp_path, runs=20)


@pytest.mark.parametrize("runs", [60, 150, 600])
def test_other_lengths_keep_their_story(tmp_path: Path, runs: int) -> None:
    truth = write_season(tmp_path, seed=3, runs=runs)
    assert truth.runs == runs
    assert {p.what for p in truth.planted} == {"firmware", "heater", "sensor_offset", "seal"}
