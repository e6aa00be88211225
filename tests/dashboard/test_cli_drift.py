"""`ovenbook drift` on the demo: the planted truths are found and nothing else is called; answers, choices, settings."""

from __future__ import annotations

import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest
from archive_helpers import Shop
from demo_season import demo_archive, demo_truth

from analysis.store.drift import oven_report
from ingest.archive import open_archive

KEYS = {
    "oven", "series", "channel", "kind", "since", "since_interval", "size", "size_interval", "unit", "rate_per_100_runs", "n",
    "tier", "causes", "check_first",
}  # fmt: skip


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    made = Shop(tmp_path_factory.mktemp("drift"))
    shutil.copy(demo_archive(), made.archive)
    return made


def day(text: str) -> date:
    return date.fromisoformat(text[:10])


def test_the_planted_truths_are_found_and_nothing_else_is_called(shop: Shop) -> None:
    calls = shop.quick("drift", "--json").json
    planted = {p.what: p for p in demo_truth().planted}
    # Firmware was noted by the import itself: it restarts the baseline and is judged by its event report, not called.
    assert set(planted) == {"heater", "sensor_offset", "seal", "firmware"}
    assert sorted(c["causes"][0]["cause"] for c in calls) == ["heater", "seal", "sensor_offset"]
    for call in calls:
        assert set(call) >= KEYS
        truth = planted[call["causes"][0]["cause"]]
        assert call["oven"] == truth.oven
        assert call["kind"] == ("trend" if truth.gradual else "step")
        low, high = (day(end) for end in call["since_interval"])
        # Two runs of slack on either side of the interval: 90 % of intervals hold the date, not all.
        assert low - timedelta(days=7) <= truth.since <= high + timedelta(days=7), (call["since_interval"], truth.since)
        assert day(call["since"]) - truth.since < timedelta(days=35)
        assert call["tier"] == "check before the next batch"
        assert call["causes"][0]["fits"]
        assert call["check_first"]


def test_sizes_are_those_planted(shop: Shop) -> None:
    by_cause = {c["causes"][0]["cause"]: c for c in shop.quick("drift", "--json").json}
    offset = by_cause["sensor_offset"]
    # TC1 left reads 4 K higher: against the mean of the others all of it, whichever channel's name the call bears.
    assert abs(abs(offset["size"]) - 4.0) < 0.6
    ramp = oven_report(open_archive(shop.archive), "North bench").effort[0]
    # 13 % of the power at the season's end; the ramp takes its losses as well (fault table: -8 to -14 % for -10 %).
    assert ramp.change is not None
    assert -0.19 < ramp.change < -0.08


def test_events_are_reported_and_a_new_firmware_counts_as_one(shop: Shop) -> None:
    reports = oven_report(open_archive(shop.archive), "North bench").events
    firmware = next(r for r in reports if r.kind == "firmware")
    assert firmware.answer == "as expected"
    assert "overshoot" in firmware.text
    seal = next(r for r in oven_report(open_archive(shop.archive), "South bench").events if r.kind == "seal")
    assert seal.answer == "as expected"
    assert "cooling time constant +" in seal.text


def test_the_text_says_what_cannot_be_told(shop: Shop) -> None:
    said = " ".join(shop.quick("drift", "--oven", "South bench").out.split())
    assert "hold duty: not evaluated, because no heater duty in the log" in said
    assert "No forecast, because" in said
    assert "record is unknown" in said
    north = " ".join(shop.quick("drift", "--oven", "North bench").out.split())
    assert "most like heater" in north.lower()
    assert "Check first: Run the reference load from cold." in north


@pytest.fixture
def own(tmp_path: Path) -> Shop:
    made = Shop(tmp_path)
    shutil.copy(demo_archive(), made.archive)
    return made


def test_an_answer_closes_the_call_and_feeds_the_record(own: Shop) -> None:
    call = next(c for c in own.quick("drift", "--json").json if c["oven"] == "North bench")
    done = own.quick("drift", "answer", call["id"][:6], "fixed", "--note", "element replaced")
    assert done.status == 0
    assert "event add" in done.out
    after = next(c for c in own.quick("drift", "--json").json if c["oven"] == "North bench")
    assert after["answer"]["answer"] == "fixed"
    said = " ".join(own.quick("drift", "--oven", "North bench").out.split())
    assert "No open call." in said
    assert "Of 1 call that someone looked into, 1 were real and 0 false." in said
    assert own.quick("verify").status == 0


def test_wrong_answers_are_one_line(own: Shop) -> None:
    for arguments, status, text in (
        (("drift", "answer", "zzz", "fixed"), 1, "No call with a number that begins with zzz"),
        (("drift", "answer", "zzz", "maybe"), 2, "'maybe' is no answer"),
        (("drift", "--budget", "0"), 2, "above 0"),
        (("drift", "--oven", "No such oven"), 1, "No such oven"),
        (("drift", "leave-out", "999999", "--why", "x"), 1, "999999"),
        (("drift", "set", "North bench", "--reference-every", "0"), 1, "makes no sense"),
    ):
        said = own.quick(*arguments)
        assert said.status == status, (arguments, said)
        assert text in said.err
        assert said.err.count("\n") == 1


def test_a_run_can_be_left_out_and_let_in_again(own: Shop) -> None:
    def reasons() -> dict[int, str]:
        runs = oven_report(open_archive(own.archive), "North bench").drift.runs
        out = runs[runs["left_out"].notna()]
        return dict(zip(out["run"].tolist(), out["left_out"].tolist(), strict=True))

    before = reasons()
    ruled = next(iter(before))
    free = next(r for r in oven_report(open_archive(own.archive), "North bench").drift.runs["run"] if r not in before)
    assert own.quick("drift", "leave-out", str(free), "--why", "door opened").status == 0
    assert own.quick("drift", "take-in", str(ruled), "--why", "it is comparable").status == 0
    after = reasons()
    assert after[int(free)] == "by hand: door opened"
    assert ruled not in after
    own.quick("drift", "by-rule", str(free))
    own.quick("drift", "by-rule", str(ruled))
    assert reasons() == before


def test_the_reference_interval_is_kept(own: Shop) -> None:
    assert own.quick("drift", "set", "North bench", "--reference-every", "7", "--budget", "0.5").status == 0
    report = oven_report(open_archive(own.archive), "North bench")
    assert report.reference.every_days == 7
    assert report.drift.budget_per_100_runs == 0.5


def test_an_empty_archive_has_no_drift(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    assert shop.quick("drift", "--json").json == []
    assert "No oven has a run yet" in shop.quick("drift").out
