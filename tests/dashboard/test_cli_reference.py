"""Ovens, pastes, jars, boards and events on the command line, on a real archive.

Figures checked against outside values: SAC305 is counted from 217 °C and Sn63Pb37 melts at 183 °C (J-STD-020 table 5-2 and
IPC J-STD-006 as reproduced in open tables; tests/reference/solder_alloys.csv where present). Everything named is invented.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from archive_helpers import Shop


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


def test_an_oven_is_added_listed_and_corrected(shop: Shop) -> None:
    assert shop.quick("oven", "add", "Oven A", "--controller", "bench", "--control-channel", "T1").status == 0
    said = shop.quick("oven", "set", "oven a", "place:T2=board, left", "attachment:T2=tape", "note=by the door")
    assert said.status == 0
    (oven,) = shop.quick("oven", "list", "--json").json
    assert set(oven) == {
        *(
            "oven",
            "name",
            "controller",
            "control_channel",
            "note",
            "placements",
            "uncertainty_budget",
            "runs",
            "last_run",
        ),
    }
    assert oven["placements"] == {"T2": {"place": "board, left", "attachment": "tape"}}
    assert (oven["name"], oven["control_channel"], oven["note"], oven["runs"]) == ("Oven A", "T1", "by the door", 0)
    text = shop.quick("oven", "list").out
    assert "Oven A" in text
    assert "board, left" in text


def test_a_second_oven_of_the_name_is_refused(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven A")
    said = shop.quick("oven", "add", "OVEN A")
    assert said.status == 1
    assert "exists already" in said.err
    assert len(shop.quick("oven", "list", "--json").json) == 1


def test_an_unknown_field_names_the_fields(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven A")
    said = shop.quick("oven", "set", "Oven A", "colour=red")
    assert said.status == 2
    assert "control_channel" in said.err


def test_an_unknown_name_lists_the_known_ones(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven A")
    said = shop.quick("event", "add", "Oven B", "clean")
    assert said.status == 1
    assert said.err == "ovenbook: no oven is called 'Oven B'. Known: Oven A.\n"


def test_a_new_archive_knows_the_alloy_families_and_calls_them_defaults(shop: Shop) -> None:
    pastes = shop.quick("paste", "list", "--json").json
    melts = {paste["alloy"]: paste["liquidus_c"] for paste in pastes}
    assert melts["SAC305"] == 217
    assert melts["Sn63Pb37"] == 183
    assert all(paste["is_default"] for paste in pastes)
    assert all(limit["source"] and limit["is_default"] for paste in pastes for limit in paste["limits"])
    assert "the paste's own sheet wins" in " ".join(shop.quick("paste", "list").out.split())


def test_a_paste_with_its_sheet(shop: Shop) -> None:
    said = shop.quick(
        *("paste", "add", "Invented 305", "--alloy", "SAC305", "--peak", "235:250", "--above-liquidus", "40:90"),
        *("--soak", "150:200:60:120", "--ramp-up", ":3", "--source", "data sheet", "--revision", "2024-05"),
    )
    assert said.status == 0
    (paste,) = [p for p in shop.quick("paste", "list", "--json").json if p["name"] == "Invented 305"]
    assert not paste["is_default"]
    limits = {limit["metric"]: limit for limit in paste["limits"]}
    assert (limits["peak_c"]["low"], limits["peak_c"]["high"], limits["peak_c"]["unit"]) == (235, 250, "°C")
    assert limits["time_above_liquidus_s"]["parameters"] == {"liquidus_c": 217}
    assert limits["soak_time_s"]["parameters"] == {"low_c": 150, "high_c": 200}
    assert (limits["ramp_up_max_c_per_s"]["low"], limits["ramp_up_max_c_per_s"]["high"]) == (None, 3)
    assert {(limit["source"], limit["revision"]) for limit in paste["limits"]} == {("data sheet", "2024-05")}


def test_a_new_window_follows_the_old_one(shop: Shop) -> None:
    shop.quick("paste", "add", "P", "--alloy", "SAC305", "--peak", "235:250", "--source", "sheet", "--revision", "1")
    assert shop.quick("paste", "window", "P", "--peak", "235:245", "--source", "sheet", "--revision", "2").status == 0
    (paste,) = [p for p in shop.quick("paste", "list", "--json").json if p["name"] == "P"]
    assert [(limit["high"], limit["revision"]) for limit in paste["limits"]] == [(245, "2")]


def test_an_alloy_out_of_the_table_is_asked_for_not_guessed(shop: Shop) -> None:
    said = shop.quick("paste", "add", "Mystery", "--alloy", "XY12")
    assert said.status == 2
    assert "--liquidus" in said.err
    assert (
        shop.quick("paste", "add", "Mystery", "--alloy", "XY12", "--liquidus", "199", "--family", "PbFree").status == 0
    )
    (paste,) = [p for p in shop.quick("paste", "list", "--json").json if p["name"] == "Mystery"]
    assert (paste["alloy"], paste["liquidus_c"], paste["solidus_c"]) == ("XY12", 199, 199)


def test_a_jar_is_opened_and_finished(shop: Shop) -> None:
    shop.quick("paste", "add", "P", "--alloy", "SAC305", "--open-life", "30")
    said = shop.quick(
        *(
            "jar",
            "open",
            "J7",
            "--paste",
            "p",
            "--lot",
            "0012",
            "--expiry",
            "2024-06-30",
            "--opened",
            "2024-05-01T08:00",
        ),
    )
    assert said.status == 0
    (jar,) = shop.quick("jar", "list", "--json").json
    assert (jar["jar"], jar["paste"], jar["lot"], jar["expiry"][:10]) == ("J7", "P", "0012", "2024-06-30")
    assert jar["opened_at"] == "2024-05-01T08:00:00+00:00"
    assert "expired" in shop.quick("jar", "list").out
    assert shop.quick("jar", "finish", "J7", "--on", "2024-04-01").status == 1
    assert shop.quick("jar", "finish", "J7", "--on", "2024-06-01").status == 0
    assert shop.quick("jar", "list", "--json").json[0]["finished_at"] == "2024-06-01T00:00:00+00:00"


def test_boards_with_two_revisions(shop: Shop) -> None:
    for revision in ("A", "B"):
        assert shop.quick("board", "add", "Blinker", "--revision", revision, "--joints", "212").status == 0
    assert shop.quick("board", "add", "Blinker", "--revision", "B").status == 1
    boards = shop.quick("board", "list", "--json").json
    assert [(b["name"], b["revision"], b["joints"]) for b in boards] == [("Blinker", "A", 212), ("Blinker", "B", 212)]


def test_a_board_is_corrected_and_the_old_value_kept(shop: Shop) -> None:
    shop.quick("board", "add", "Blinker", "--joints", "200")
    assert shop.quick("board", "set", "blinker", "joints=212", "note=", "--why", "counted again").status == 0
    assert shop.quick("board", "list", "--json").json[0]["joints"] == 212
    assert shop.quick("board", "set", "Blinker", "colour=green").status == 2
    assert shop.quick("board", "set", "Blinker", "joints=many").status == 1
    from ingest.archive import open_archive

    (change,) = open_archive(shop.archive).read("SELECT * FROM change").to_dict("records")
    assert (change["old_value"], change["new_value"], change["why"]) == ("200", "212", "counted again")


def test_events_keep_the_precision_they_were_given_with(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven A")
    for date in ("2025-03", "2025-04-02", "2025-04-02T09:30"):
        assert shop.quick("event", "add", "Oven A", "clean", "--on", date).status == 0
    events = shop.quick("event", "list", "--json").json
    assert [(e["happened_at"], e["at_precision"]) for e in events] == [
        ("2025-03-01T00:00:00+00:00", "month"),
        ("2025-04-02T00:00:00+00:00", "day"),
        ("2025-04-02T09:30:00+00:00", "time"),
    ]
    lines = shop.quick("event", "list").out.splitlines()
    assert "2025-03 " in lines[1]
    assert "2025-03-01" not in lines[1]


def test_the_kinds_of_events_are_those_of_the_archive() -> None:
    from dashboard.commands.events import KINDS
    from ingest.archive.reference import EVENT_KINDS

    assert KINDS == EVENT_KINDS


def test_a_sheet_of_events_is_taken_whole_or_not_at_all(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven A")
    good = "oven;kind;happened_at;note;restarts_baseline\nOven A;clean;2025-03-04;flux wiped off;no\n"
    sheet = shop.write("events.csv", good + "Oven A;explosion;2025-03-05;;\nOven B;clean;2025-03-05;;\n")
    said = shop.quick("event", "import", sheet)
    assert said.status == 1
    assert "line 3" in said.err
    assert "line 4" in said.err
    assert shop.quick("event", "list", "--json").json == []
    assert shop.quick("event", "import", shop.write("good.csv", good)).status == 0
    (event,) = shop.quick("event", "list", "--json").json
    assert (event["kind"], event["note"], event["origin"], event["restarts_baseline"]) == (
        *("clean", "flux wiped off", "imported", False),
    )


@pytest.mark.parametrize("listing", ["oven", "board", "jar", "event", "layout", "profile"])
def test_empty_lists_say_what_to_do(shop: Shop, listing: str) -> None:
    assert shop.quick(listing, "list", "--json").json == []
    said = shop.quick(listing, "list")
    assert said.status == 0
    assert said.out.strip()


def test_a_name_with_brackets_is_printed_as_it_is(shop: Shop) -> None:
    shop.quick("oven", "add", "Oven [bold]A[/bold]", "--note", ":smile: [red]")
    text = shop.quick("oven", "list").out
    assert "Oven [bold]A[/bold]" in text
    assert ":smile: [red]" in text


def test_lists_fit_80_columns_and_are_whole_in_a_pipe(shop: Shop) -> None:
    name = "An oven with a long name that somebody typed in full once and never shortened again"
    shop("oven", "add", name)
    assert name in shop("oven", "list").out
    narrow = shop("oven", "list", COLUMNS="80").out
    assert max(map(len, narrow.splitlines())) <= 80
    assert "An oven with" in narrow
