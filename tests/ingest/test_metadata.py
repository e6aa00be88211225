"""Metadata nearly free: what is given, said, seen and carried over, each with its origin. Rules: domain brief, section 3."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from import_bakes import LEAD_FREE, LEADED, bake

from ingest.archive import Archive, open_archive
from ingest.archive.reference import add_board, add_jar, add_oven, add_paste
from ingest.importing import ImportOptions, import_bytes, import_paths


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """One oven, two pastes of one jar each, a board: an invented shop."""
    archive = open_archive(tmp_path / "book.duckdb", zone="UTC")
    with archive.transaction() as con:
        add_oven(con, "Bench")
        free = add_paste(con, "Alder SAC305", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
        lead = add_paste(con, "Alder Sn63Pb37", alloy="Sn63Pb37", family="SnPb", solidus_c=183, liquidus_c=183)
        add_jar(con, "F1", free, opened_at=datetime(2025, 2, 1, tzinfo=UTC))
        add_jar(con, "L1", lead, opened_at=datetime(2025, 2, 2, tzinfo=UTC))
        add_board(con, "Heron")
    return archive


def take(archive: Archive, data: bytes, **options: Any) -> int:
    result = import_bytes(archive, data, f"{hash(data) % 10**8}.csv", ImportOptions(**options))[0]
    assert result.status == "stored", result.reason
    return result.runs[0].run or 0


def record(archive: Archive, run: int) -> dict[str, Any]:
    row = archive.read(
        "SELECT oven, profile, paste, jar, board, kind, orientation, operator, firmware, ambient_c FROM run_overview "
        "WHERE run = ?",
        [run],
    ).iloc[0]
    return {key: (None if value is None or value != value else value) for key, value in row.items()}


def origins(archive: Archive, run: int) -> dict[str, str]:
    frame = archive.read("SELECT field, origin FROM run_origin WHERE run_id = ?", [run])
    return dict(zip(frame["field"], frame["origin"], strict=True))


def test_nothing_is_known_that_nothing_tells(archive: Archive) -> None:
    run = take(archive, bake(None, cold_c=(60.0, 64.0)))
    known = record(archive, run)
    assert {key for key, value in known.items() if value is not None} == {"profile"}
    assert origins(archive, run) == {"setpoint_hash": "derived", "profile": "imported"}


def test_given_is_typed_and_the_next_run_takes_it_over(archive: Archive) -> None:
    first = take(
        archive,
        bake(),
        oven="Bench",
        jar="F1",
        board="Heron",
        kind="product",
        orientation="90",
        operator="Ada",
        who="Ada",
    )
    assert origins(archive, first)["oven"] == "typed"
    assert (record(archive, first)["paste"], origins(archive, first)["paste"]) == ("Alder SAC305", "derived")
    second = take(archive, bake("2025-03-03T10:30:00", variant=1))
    expected = {"oven": "Bench", "jar": "F1", "paste": "Alder SAC305", "board": "Heron", "kind": "product"}
    expected |= {"orientation": "90", "operator": "Ada"}
    known = record(archive, second)
    assert {key: known[key] for key in expected} == expected
    for field in ("oven", "jar", "board", "kind", "orientation", "operator"):
        assert origins(archive, second)[field] == "carried over", field
    assert origins(archive, second)["profile"] == "derived"
    who = archive.read("SELECT field, who FROM run_origin WHERE run_id = ? AND who IS NOT NULL", [second])
    assert len(who) == 0


def test_options_override_what_would_be_carried(archive: Archive) -> None:
    take(archive, bake(), oven="Bench", jar="F1", orientation="0")
    run = take(archive, bake("2025-03-03T10:00:00"), orientation="180", paste="Alder Sn63Pb37")
    known = record(archive, run)
    assert (known["orientation"], known["paste"], known["jar"]) == ("180", "Alder Sn63Pb37", "L1")
    assert origins(archive, run)["orientation"] == origins(archive, run)["paste"] == "typed"


def test_a_log_older_than_all_runs_takes_nothing_from_them(archive: Archive) -> None:
    take(archive, bake("2025-03-03T09:00:00"), oven="Bench", jar="F1", board="Heron", kind="product")
    old = take(archive, bake("2025-02-20T09:00:00", variant=1))
    known = record(archive, old)
    assert [known[key] for key in ("oven", "jar", "paste", "board", "kind")] == [None] * 5


def test_a_log_between_two_runs_takes_from_the_one_before(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench", orientation="0")
    take(archive, bake("2025-03-09T09:00:00"), oven="Bench", orientation="180")
    between = take(archive, bake("2025-03-05T09:00:00"))
    assert record(archive, between)["orientation"] == "0"


def test_logs_of_unknown_start_that_come_together_take_nothing_over(archive: Archive, tmp_path: Path) -> None:
    take(archive, bake(), oven="Bench", jar="F1")
    for i in range(2):
        (tmp_path / f"{i}.csv").write_bytes(bake(None, variant=5 + i))
    results = list(import_paths(archive, [str(tmp_path / "?.csv")]))
    for result in results:
        assert record(archive, result.runs[0].run or 0)["oven"] is None
    # Alone it comes after the bake that was just made: the last run before it is the last run.
    assert record(archive, take(archive, bake(None, variant=9)))["oven"] == "Bench"


def test_a_jar_is_inherited_until_another_is_opened(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench", jar="F1")
    assert record(archive, take(archive, bake("2025-03-02T09:00:00")))["jar"] == "F1"
    with archive.transaction() as con:
        add_jar(con, "F2", 1, opened_at=datetime(2025, 3, 3, tzinfo=UTC))
    result = import_bytes(archive, bake("2025-03-03T09:00:00"), "x.csv")[0]
    assert record(archive, result.runs[0].run or 0)["jar"] == "F2"
    assert "jar_changed" in {w.code for w in result.warnings}
    # A log of the day before the opening still gets the old jar.
    assert record(archive, take(archive, bake("2025-03-02T15:00:00", variant=3)))["jar"] == "F1"


def test_a_finished_jar_hands_on_to_no_run_but_the_paste_stays(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench", jar="F1")
    with archive.transaction() as con:
        con.execute("UPDATE jar SET finished_at = '2025-03-01 18:00:00' WHERE label = 'F1'")
    known = record(archive, take(archive, bake("2025-03-02T09:00:00")))
    assert (known["jar"], known["paste"]) == (None, "Alder SAC305")


def test_alternating_pastes_follow_the_profile_not_the_clock(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench", jar="F1")
    take(archive, bake("2025-03-01T11:00:00", profile=LEADED), oven="Bench", jar="L1")
    assert record(archive, take(archive, bake("2025-03-01T13:00:00", variant=1)))["jar"] == "F1"
    assert record(archive, take(archive, bake("2025-03-01T15:00:00", profile=LEADED, variant=1)))["jar"] == "L1"


def test_a_paste_carried_into_a_new_profile_is_said(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench", paste="Alder SAC305")
    result = import_bytes(archive, bake("2025-03-01T11:00:00", profile=LEADED), "x.csv")[0]
    assert "paste_carried_other_profile" in {w.code for w in result.warnings}


def test_a_reference_run_hands_on_neither_its_kind_nor_its_board(archive: Archive) -> None:
    with archive.transaction() as con:
        add_board(con, "Reference plate")
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench", board="Heron", kind="product")
    take(archive, bake("2025-03-01T11:00:00"), oven="Bench", board="Reference plate", kind="reference")
    known = record(archive, take(archive, bake("2025-03-01T13:00:00")))
    assert (known["board"], known["kind"]) == ("Heron", "product")


def test_the_preamble_names_oven_firmware_operator_and_profile(archive: Archive) -> None:
    said = {"oven": "bench", "firmware": "2.4.1", "operator": "Grace", "profile": "lead-free A"}
    run = take(archive, bake(preamble=said))
    known = record(archive, run)
    assert [known[k] for k in ("oven", "firmware", "operator", "profile")] == ["Bench", "2.4.1", "Grace", "lead-free A"]
    assert {origins(archive, run)[k] for k in ("oven", "firmware", "operator", "profile")} == {"imported"}


def test_board_paste_and_lot_of_the_preamble_count_where_they_are_known(archive: Archive) -> None:
    with archive.transaction() as con:
        add_jar(con, "F9", 1, lot="24-117")
    run = take(archive, bake(preamble={"board": "HERON", "lot": "24-117"}))
    known = record(archive, run)
    assert (known["board"], known["jar"], known["paste"]) == ("Heron", "F9", "Alder SAC305")
    other = take(archive, bake(None, variant=2, preamble={"board": "Stork", "paste": "Alder Sn63Pb37"}))
    assert (record(archive, other)["board"], record(archive, other)["paste"]) == (None, "Alder Sn63Pb37")


def test_an_oven_named_by_the_log_is_added_and_said(archive: Archive) -> None:
    result = import_bytes(archive, bake(preamble={"oven": "Attic oven"}), "x.csv")[0]
    assert "oven_added" in {w.code for w in result.warnings}
    assert record(archive, result.runs[0].run or 0)["oven"] == "Attic oven"


def test_an_oven_given_wins_over_the_logs_and_the_difference_is_said(archive: Archive) -> None:
    result = import_bytes(archive, bake(preamble={"oven": "Attic"}), "x.csv", ImportOptions(oven="Bench"))[0]
    assert record(archive, result.runs[0].run or 0)["oven"] == "Bench"
    assert "oven_differs" in {w.code for w in result.warnings}


def test_one_layout_on_two_ovens_tells_no_oven(archive: Archive) -> None:
    with archive.transaction() as con:
        add_oven(con, "Floor")
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench")
    take(archive, bake("2025-03-01T11:00:00"), oven="Floor")
    result = import_bytes(archive, bake("2025-03-01T13:00:00"), "x.csv")[0]
    assert record(archive, result.runs[0].run or 0)["oven"] is None
    assert "oven_unknown" in {w.code for w in result.warnings}


def test_a_profile_is_recognised_by_set_points_and_named_when_a_name_comes(archive: Archive) -> None:
    first = take(archive, bake())
    assert str(record(archive, first)["profile"]).startswith("unnamed, up to 245 °C")
    second = take(archive, bake("2025-03-04T09:00:00"), profile="lead-free A")
    assert record(archive, first)["profile"] == record(archive, second)["profile"] == "lead-free A"
    third = take(archive, bake("2025-03-05T09:00:00"))
    assert (record(archive, third)["profile"], origins(archive, third)["profile"]) == ("lead-free A", "derived")


def test_new_set_points_under_an_old_name_are_a_version_of_their_own(archive: Archive) -> None:
    hotter = tuple((at, value + 5 if value > 200 else value) for at, value in LEAD_FREE)
    take(archive, bake(preamble={"profile": "lead-free A"}))
    result = import_bytes(
        archive, bake("2025-03-04T09:00:00", profile=hotter, preamble={"profile": "lead-free A"}), "x"
    )[0]
    assert "profile_changed" in {w.code for w in result.warnings}
    profiles = archive.read("SELECT name, count(DISTINCT setpoint_hash) AS n FROM profile GROUP BY name")
    assert (list(profiles["name"]), list(profiles["n"])) == (["lead-free A"], [2])


def test_a_run_stopped_early_is_given_to_the_profile_it_begins(archive: Archive) -> None:
    take(archive, bake(), profile="lead-free A")
    whole = bake("2025-03-04T09:00:00", variant=1).splitlines(keepends=True)
    run = take(archive, b"".join(whole[:212]))
    assert record(archive, run)["profile"] == "lead-free A"
    hashes = list(archive.read("SELECT setpoint_hash FROM run ORDER BY run_id")["setpoint_hash"])
    assert hashes[0] != hashes[1]


def test_a_run_stopped_early_of_profiles_that_begin_alike_needs_a_name(archive: Archive) -> None:
    hotter = tuple((at, value + 5 if value > 200 else value) for at, value in LEAD_FREE)
    take(archive, bake(), profile="lead-free A")
    take(archive, bake("2025-03-04T09:00:00", profile=hotter), profile="lead-free hot")
    short = [b"".join(bake(f"2025-03-0{d}T09:00:00").splitlines(keepends=True)[:192]) for d in (5, 6)]
    assert record(archive, take(archive, short[0]))["profile"] is None
    assert record(archive, take(archive, short[1], profile="lead-free hot"))["profile"] == "lead-free hot"
    assert int(archive.read("SELECT count(*) AS n FROM profile")["n"][0]) == 2


def test_ambient_from_a_cold_start_is_the_mean_and_derived(archive: Archive) -> None:
    run = take(archive, bake(cold_c=(21.4, 21.8)))
    assert record(archive, run)["ambient_c"] == pytest.approx(21.6, abs=0.01)
    assert origins(archive, run)["ambient_c"] == "derived"


@pytest.mark.parametrize(
    ("cold_c", "names"),
    [
        ((21.0, 22.2), ("left_c", "right_c")),  # they disagree by more than 1 °C
        ((44.0, 44.5), ("left_c", "right_c")),  # no workshop
        ((3.0, 3.5), ("left_c", "right_c")),
        ((21.0, 21.0), ("left_c",)),  # one channel cannot tell a cold oven from a warm one
    ],
)
def test_no_ambient_from_a_start_that_does_not_show_it(
    archive: Archive, cold_c: tuple[float, float], names: tuple[str, ...]
) -> None:
    assert record(archive, take(archive, bake(cold_c=cold_c, names=names)))["ambient_c"] is None


def test_no_ambient_within_three_hours_after_a_run(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00"), oven="Bench")
    soon = take(archive, bake("2025-03-01T09:40:00", cold_c=(33.0, 33.5)))
    later = take(archive, bake("2025-03-01T13:30:00"))
    assert record(archive, soon)["ambient_c"] is None
    assert record(archive, later)["ambient_c"] == pytest.approx(21.6, abs=0.01)


def events(archive: Archive) -> list[tuple[str, str, str, str]]:
    frame = archive.read("SELECT kind, note, happened_at, origin FROM oven_event ORDER BY happened_at")
    return [(k, n, str(at), o) for k, n, at, o in frame.itertuples(index=False)]


def test_a_firmware_change_is_an_event_of_the_oven(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00", preamble={"firmware": "1.3"}), oven="Bench")
    take(archive, bake("2025-03-02T09:00:00", preamble={"firmware": "1.3"}))
    assert events(archive) == []
    take(archive, bake("2025-03-08T09:00:00", preamble={"firmware": "1.4"}))
    take(archive, bake("2025-03-09T09:00:00", preamble={"firmware": "1.4"}))
    assert events(archive) == [("firmware", "firmware: 1.3 -> 1.4", "2025-03-08 09:00:00", "derived")]
    # A log found later shows that the change came sooner: the event moves, none is added.
    take(archive, bake("2025-03-05T09:00:00", preamble={"firmware": "1.4"}), oven="Bench")
    assert events(archive) == [("firmware", "firmware: 1.3 -> 1.4", "2025-03-05 09:00:00", "derived")]


def test_control_parameters_of_the_preamble_are_watched_and_run_facts_are_not(archive: Archive) -> None:
    take(archive, bake("2025-03-01T09:00:00", preamble={"Kp": "20", "operator": "Ada", "board": "1"}), oven="Bench")
    take(archive, bake("2025-03-02T09:00:00", preamble={"Kp": "25", "operator": "Grace", "board": "2"}))
    assert [(kind, note.casefold()) for kind, note, _, _ in events(archive)] == [("controller", "kp: 20 -> 25")]


def test_a_preamble_value_that_differs_from_run_to_run_is_no_event(archive: Archive) -> None:
    for day in range(1, 6):
        said = {"Sensor check": str(100 + day), "firmware": "1.3"}
        take(archive, bake(f"2025-03-0{day}T09:00:00", preamble=said), oven="Bench")
    assert len(events(archive)) <= 1  # the second run cannot know yet; from the third on it does


def test_no_ambient_for_a_run_close_after_another_of_the_same_log(archive: Archive) -> None:
    rows = [b"time,left_c,right_c"]
    for hour in (9, 10, 15):  # the third run starts hours after the second
        for i in range(1500):
            value = 22 + (220 * min(i, 250) / 250 if i <= 250 else max(0.0, 220 - (i - 250) / 5))
            rows.append(b"2025-03-03 %02d:%02d:%02d,%.2f,%.2f" % (hour, i // 60, i % 60, value, value))
    result = import_bytes(archive, b"\n".join(rows), "three.csv")[0]
    assert [str(r.started_at)[11:13] for r in result.runs] == ["09", "10", "15"]
    ambient = archive.read("SELECT ambient_c FROM run ORDER BY part")["ambient_c"]
    assert list(ambient.notna()) == [True, False, True]
