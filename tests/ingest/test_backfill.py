"""Logs of the past with a sheet about them. The shop, its names and its sheet are invented."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from import_bakes import LEADED, bake

from ingest.alloys import alloy_in
from ingest.archive import Archive, open_archive
from ingest.archive.reference import add_oven, add_paste
from ingest.archive.runs import set_run_field
from ingest.backfill import import_with_sheet
from ingest.importing import ImportOptions, ImportResult, OptionsError, import_paths

HEADER = "file,oven,started_at,profile,board,paste,lot,opened,kind,orientation,joints,note\n"


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "book.duckdb", zone="Europe/Berlin")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "old"
    (place / "2023").mkdir(parents=True)
    (place / "a.csv").write_bytes(bake(None))
    (place / "b.csv").write_bytes(bake(None, variant=1, profile=LEADED))
    (place / "2023" / "c.csv").write_bytes(bake("2023-05-01T08:00:00", variant=2))
    return place


def fill(archive: Archive, folder: Path, rows: str, header: str = HEADER, **options: object) -> dict[str, ImportResult]:
    sheet = folder.parent / "sheet.csv"
    sheet.write_text(header + rows, encoding="utf-8")
    results = import_with_sheet(archive, [folder], sheet, ImportOptions(**options))  # type: ignore[arg-type]
    return {r.file.removeprefix(f"{folder}/"): r for r in results}


def runs(archive: Archive) -> dict[str, dict[str, object]]:
    frame = archive.read("SELECT * FROM run_overview")
    return {row["log_file"]: {k: (None if pd.isna(v) else v) for k, v in row.items()} for _, row in frame.iterrows()}


FULL = (
    "a.csv,Bench,2023-04-01 09:00,lead-free A,Heron,Alder SAC305 T4,23-11,2023-03-20,product,90,486,first of the season\n"
    "b.csv,Bench,2023-04-01T11:00:00+00:00,leaded A,Lantern,Alder Sn63Pb37,23-02,,product,,312,\n"
    "2023/c.csv,Floor,,,,,,,,,,\n"
)


def test_everything_a_row_says_is_recorded_as_imported_and_the_new_is_said(archive: Archive, folder: Path) -> None:
    results = fill(archive, folder, FULL, who="Ada")
    assert {name: r.status for name, r in results.items()} == dict.fromkeys(("a.csv", "b.csv", "2023/c.csv"), "stored")
    a = runs(archive)["a.csv"]
    expected = {"oven": "Bench", "profile": "lead-free A", "board": "Heron", "paste": "Alder SAC305 T4", "lot": "23-11"}
    expected |= {"kind": "product", "orientation": "90", "note": "first of the season", "alloy": "SAC305"}
    assert {key: a[key] for key in expected} == expected
    assert str(a["started_at"]) == "2023-04-01 07:00:00"  # 9 o'clock in Berlin's summer time, UTC+2
    assert str(runs(archive)["b.csv"]["started_at"]) == "2023-04-01 11:00:00"
    origins = archive.read("SELECT DISTINCT field, origin FROM run_origin WHERE run_id = ?", [a["run"]])
    told = dict(zip(origins["field"], origins["origin"], strict=True))
    for field in ("oven", "board", "jar", "kind", "orientation", "note", "started_at"):
        assert told[field] == "imported", field
    said = [w.text for w in results["a.csv"].warnings if w.code == "sheet"]
    assert any("oven 'Bench' was not known: added" in text for text in said)
    assert any("board 'Heron' was not known: added" in text for text in said)
    assert any("added as SAC305, counted from 217 °C" in text for text in said)
    assert any("jar '23-11' of Alder SAC305 T4 was not known: added" in text for text in said)
    assert not any("Bench" in w.text for w in results["b.csv"].warnings)
    joints = archive.read("SELECT name, joints FROM board ORDER BY name")
    assert dict(zip(joints["name"], joints["joints"], strict=True)) == {"Heron": 486, "Lantern": 312}
    opened = archive.read("SELECT label, opened_at FROM jar ORDER BY label")
    assert [str(v) for v in opened["opened_at"]] == ["NaT", "2023-03-19 23:00:00"]


def test_a_blank_cell_was_not_recorded_and_nothing_is_carried_into_it(archive: Archive, folder: Path) -> None:
    fill(archive, folder, FULL)
    c = runs(archive)["2023/c.csv"]
    assert c["oven"] == "Floor"
    assert [c[key] for key in ("board", "paste", "jar", "kind", "orientation")] == [None] * 5


def test_files_without_a_row_and_rows_without_a_file_are_said(archive: Archive, folder: Path) -> None:
    results = fill(archive, folder, "a.csv,Bench,,,,,,,,,,\ngone.csv,Bench,,,,,,,,,,\n")
    assert results["b.csv"].status == "stored"
    assert "sheet.csv has no row for this file" in [w.text for w in results["b.csv"].warnings]
    assert (results["gone.csv"].status, results["gone.csv"].reason) == (
        "rejected",
        "row 3 of sheet.csv names 'gone.csv', which is not among the files given",
    )


def test_a_paste_whose_alloy_cannot_be_told_is_an_error_of_that_row_alone(archive: Archive, folder: Path) -> None:
    results = fill(archive, folder, "a.csv,Attic,,,,Miracle Paste 9,,,,,,\nb.csv,Bench,,,,,,,,,,\n")
    refused = results["a.csv"]
    assert refused.status == "rejected"
    assert "row 2 of sheet.csv: paste 'Miracle Paste 9' is not known" in (refused.reason or "")
    assert "ovenbook paste add" in (refused.reason or "")
    assert sorted(runs(archive)) == ["2023/c.csv", "b.csv"]
    assert list(archive.read("SELECT name FROM oven")["name"]) == ["Bench"]
    with archive.transaction() as con:
        add_paste(con, "Miracle Paste 9", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
    again = fill(archive, folder, "a.csv,Attic,,,,Miracle Paste 9,,,,,,\nb.csv,Bench,,,,,,,,,,\n")
    assert (again["a.csv"].status, again["b.csv"].status) == ("stored", "duplicate")


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ("a.csv,,spring,,,,,,,,,", "the start 'spring' is not a time"),
        ("a.csv,,,,,,,,trial,,,", "kind 'trial' is not one of product"),
        ("a.csv,,,,,,,,,45,,", "orientation '45' is not one of 0"),
        ("a.csv,,,,Heron,,,,,,many,", "joints 'many' is no whole number"),
        ("a.csv,,,,,,23-1,,,,,", "a lot or an opened jar is of a paste"),
        (",Bench,,,,,,,,,,", "it names no file"),
    ],
)
def test_a_cell_that_cannot_be_is_one_clear_line(archive: Archive, folder: Path, row: str, problem: str) -> None:
    results = fill(archive, folder, row + "\n")
    lines = [r.reason or "" for r in results.values() if r.status == "rejected"]
    assert len(lines) == 1
    assert lines[0].startswith("row 2 of sheet.csv: ")
    assert problem in lines[0]


def test_a_file_named_twice_and_a_bare_name_in_two_folders_are_refused(archive: Archive, folder: Path) -> None:
    (folder / "2023" / "a.csv").write_bytes(bake(None, variant=7))
    results = fill(archive, folder, "b.csv,X,,,,,,,,,,\nb.csv,Y,,,,,,,,,,\na.csv,X,,,,,,,,,,\nc.csv,Z,,,,,,,,,,\n")
    rejected = [r.reason for r in results.values() if r.status == "rejected"]
    assert rejected == ["row 3 of sheet.csv: row 2 names the same file"]
    known = runs(archive)
    assert known["a.csv"]["oven"] == "X"
    assert (known["2023/c.csv"]["oven"], known["2023/a.csv"]["oven"]) == ("Z", None)


def test_logs_that_are_stored_already_get_what_the_sheet_adds_and_keep_what_was_typed(
    archive: Archive, folder: Path
) -> None:
    list(import_paths(archive, [folder]))
    with archive.transaction() as con:
        typed = add_oven(con, "Typed oven")
        run = con.execute("SELECT run_id FROM run JOIN log USING (log_id) WHERE file_name = 'a.csv'").fetchone()
        set_run_field(con, run[0] if run else 0, "oven", typed, "typed", "Ada", "I was there")
    judged: list[int] = []
    sheet = folder.parent / "sheet.csv"
    sheet.write_text(HEADER + FULL, encoding="utf-8")

    def judge(_con: object, run_id: int, _recording: object) -> None:
        judged.append(run_id)

    results = {Path(r.file).name: r for r in import_with_sheet(archive, [folder], sheet, after_store=judge)}
    assert {r.status for r in results.values()} == {"duplicate"}
    assert "metadata_filled" in {w.code for w in results["a.csv"].warnings}
    a = runs(archive)["a.csv"]
    assert (a["oven"], a["board"], a["paste"]) == ("Typed oven", "Heron", "Alder SAC305 T4")
    assert a["profile"] == "lead-free A"  # known by its set points before, without a name
    assert str(a["started_at"]) == "2023-04-01 07:00:00"
    assert sorted(judged) == [1, 2, 3]
    judged.clear()
    again = list(import_with_sheet(archive, [folder], sheet, after_store=judge))
    assert judged == []
    assert not any(w.code == "metadata_filled" for r in again for w in r.warnings)


def test_a_dry_run_adds_nothing_and_says_what_it_would(archive: Archive, folder: Path) -> None:
    before = archive.change_counter()
    results = fill(archive, folder, FULL + "gone.csv,,,,,,,,,,,\n", dry_run=True)
    assert archive.change_counter() == before
    assert any("oven 'Bench' was not known: would be added" in w.text for w in results["a.csv"].warnings)
    assert results["gone.csv"].status == "rejected"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_sheets_as_spreadsheets_save_them(archive: Archive, folder: Path, encoding: str, delimiter: str) -> None:
    sheet = folder / "sheet.csv"
    text = f"File{delimiter}Oven{delimiter}Note{delimiter}Colour\r\na.csv{delimiter}Öfchen{delimiter}\r\n\r\n"
    sheet.write_bytes(text.encode(encoding))
    results = {Path(r.file).name: r for r in import_with_sheet(archive, [folder], sheet)}
    assert sorted(results) == ["a.csv", "b.csv", "c.csv"]
    assert runs(archive)["a.csv"]["oven"] == "Öfchen"
    assert any("columns of sheet.csv left out: colour" in w.text for r in results.values() for w in r.warnings)


@pytest.mark.parametrize(
    ("text", "problem"), [("", "has no column 'file'"), ("name,oven\na,b\n", "has no column 'file'")]
)
def test_a_sheet_that_is_none_is_an_error(archive: Archive, folder: Path, text: str, problem: str) -> None:
    sheet = folder.parent / "sheet.csv"
    sheet.write_text(text)
    with pytest.raises(OptionsError, match=problem):
        list(import_with_sheet(archive, [folder], sheet))
    with pytest.raises(OptionsError, match="cannot be read"):
        list(import_with_sheet(archive, [folder], folder.parent / "none.csv"))


# Melting temperatures: tests/reference/solder_alloys.csv (IPC J-STD-006 alloy numbers, as open tables give them); the
# temperature the tin-silver-copper alloys near the eutectic are counted from is 217 °C, as J-STD-020 has it.
@pytest.mark.parametrize(
    ("name", "alloy"),
    [
        ("Alder SAC305 T4", "SAC305"),
        ("sac-305", "SAC305"),
        ("Sn96.5Ag3.0Cu0.5 no-clean", "SAC305"),
        ("Sn63Pb37", "Sn63Pb37"),
        ("63/37 water soluble", "Sn63Pb37"),
        ("Sn63", "Sn63Pb37"),
        ("60/40", "Sn60Pb40"),
        ("Sn62Pb36Ag2 T3", "Sn62Pb36Ag2"),
        ("Sn42Bi58", "BiSn"),
        ("SnBiAg low temperature", "BiSnAg"),
        ("SAC0307", "SAC0307"),
        ("lead-free", "SAC305"),
        ("unleaded", "SAC305"),
        ("leaded", "Sn63Pb37"),
        ("SAC307", None),  # no alloy of the table: asked about, not guessed
        ("Miracle Paste 9", None),
        ("Batch 6337", None),  # a number, not an alloy
        ("", None),
    ],
)
def test_alloys_by_the_name_on_the_label(name: str, alloy: str | None) -> None:
    found = alloy_in(name)
    assert (found.name if found else None) == alloy


def test_alloy_temperatures_are_those_of_the_reference_table() -> None:
    import csv

    table = Path(__file__).parents[1] / "reference" / "solder_alloys.csv"
    checked = 0
    with table.open(encoding="utf-8", newline="") as f:
        for row in csv.DictReader(f):
            found = alloy_in(row["alloy"])
            if row["alloy"] == "SAC eutectic" or found is None:
                continue
            assert found.solidus_c == float(row["solidus_C"]), row["alloy"]
            near_eutectic = row["alloy"] in ("SAC305", "SAC405", "SAC387")
            assert found.liquidus_c == (217.0 if near_eutectic else float(row["liquidus_C"])), row["alloy"]
            checked += 1
    assert checked == 12
