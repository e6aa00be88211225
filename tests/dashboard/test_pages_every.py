"""Every page on an empty, a season's and a damaged archive: no error, always words; every chart and table in full.

The damaged archive is a copy of the demo in which rows were made impossible by SQL: numbers that point nowhere, names of any
length and with control characters, texts that are no JSON of the kind expected, missing and endless values.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from demo_season import demo_archive
from page_archives import empty_archive
from page_fixtures import forget_archives
from page_reading import PAGES, charts, opened, said

from ingest.archive import open_archive

__all__ = ["forget_archives"]

LONG = "A very long name " * 40
CONTROL = "line\\x07 one\\r\\n\\ttwo \\u202e <b>three</b>"  # SQL's E'' strings
DAMAGE = (
    "UPDATE run SET oven_id = 999999 WHERE run_id % 11 = 0",
    "UPDATE run SET paste_id = 999999, jar_id = 999999 WHERE run_id % 7 = 0",
    "UPDATE run SET board_id = 999999 WHERE run_id % 13 = 0",
    "UPDATE run SET profile_id = NULL, setpoint_hash = NULL WHERE run_id % 17 = 0",
    "UPDATE run SET oven_id = NULL, jar_id = NULL, paste_id = NULL, board_id = NULL WHERE run_id > 415",
    "UPDATE run SET started_at = NULL WHERE run_id % 19 = 0",
    "UPDATE run SET duration_s = 'NaN', sample_interval_s = 'inf' WHERE run_id % 23 = 0",
    "UPDATE run SET ambient_c = 'NaN' WHERE run_id % 3 = 0",
    "UPDATE run SET ambient_c = -400 WHERE run_id % 29 = 0",
    f"UPDATE run SET note = '{LONG}', operator = E'{CONTROL}', serials = E'{CONTROL}', kind = 'no such kind', "
    "orientation = 'upside down', load_count = -5 WHERE run_id % 31 = 0 OR run_id >= 418",
    "UPDATE run SET notices = '\"no list\"' WHERE run_id % 5 = 0",
    f"UPDATE board SET name = '{LONG}', joints = -3 WHERE board_id = (SELECT min(board_id) FROM board)",
    f"UPDATE oven SET note = E'{CONTROL}', budget = '[]', placements = '\"none\"' "
    "WHERE oven_id = (SELECT min(oven_id) FROM oven)",
    "UPDATE paste SET liquidus_c = 'NaN', solidus_c = -1e9 WHERE paste_id = (SELECT max(paste_id) FROM paste)",
    "UPDATE jar SET paste_id = 999999, opened_at = NULL, lot = NULL WHERE jar_id % 2 = 0",
    f"UPDATE jar SET label = E'{CONTROL}' WHERE jar_id = (SELECT min(jar_id) FROM jar)",
    "UPDATE channel SET labels = '{\"a\": 1}', faults = '\"?\"', reasons = '0' WHERE run_id % 4 = 0",
    f"UPDATE channel SET placement = '{LONG}', attachment = E'{CONTROL}' WHERE run_id % 6 = 0",
    "UPDATE metric SET value = 'NaN', uncertainty = 'inf' WHERE run_id % 9 = 0",
    "UPDATE metric SET value = NULL, status = 'ok' WHERE run_id % 10 = 0",
    "UPDATE metric SET metric = 'no_such_metric' WHERE run_id % 37 = 0",
    "UPDATE limit_result SET margin = NULL, value = 'NaN', uncertainty = NULL WHERE run_id % 8 = 0",
    "UPDATE evaluation SET limiting_margin = 'NaN', limiting_metric = 'no_such_metric', limiting_unit = NULL "
    "WHERE run_id % 14 = 0",
    "UPDATE evaluation SET verdict = 'perhaps', reason = NULL WHERE run_id % 15 = 0",
    "DELETE FROM evaluation WHERE run_id % 41 = 0",
    "UPDATE finding_row SET code = 'no_such_code', evidence = '', channel_no = 99 WHERE run_id % 12 = 0",
    "UPDATE inspection SET boards_looked = -1, joints_looked = 0, method = 'by smell' WHERE inspection_id % 5 = 0",
    "UPDATE inspection SET run_id = 999999 WHERE inspection_id % 50 = 0",
    f"UPDATE defect SET term = E'{CONTROL}', count = 1000000, side = 'under it' WHERE defect_id % 9 = 0",
    "UPDATE event SET oven_id = 999999 WHERE event_id = (SELECT max(event_id) FROM event)",
    f"UPDATE event SET kind = 'no such kind', note = '{LONG}', at_precision = 'century' "
    "WHERE event_id = (SELECT min(event_id) FROM event)",
    "UPDATE log SET warnings = '{}', questions = '\"?\"', answers = '[]', head = 'null', options = '[1]' "
    "WHERE log_id % 6 = 0",
    "UPDATE log SET status = 'held', reason = NULL WHERE log_id % 100 = 0",
    "UPDATE profile SET setpoint_table = '\"no table\"' WHERE profile_id = (SELECT min(profile_id) FROM profile)",
    "UPDATE trial SET defect = 'no such defect', factor = 'no_such_factor', board_id = 999999",
    "UPDATE question SET factor = 'no_such_factor'",
)
# Runs that were hit in one way or several, and their neighbours.
RUNS = ("5", "9", "12", "14", "15", "37", "41", "210", "418", "420")


@pytest.fixture(scope="module")
def archives(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("every")
    made = {"empty": empty_archive(folder / "empty.duckdb").path}
    for name in ("season", "damaged"):
        made[name] = Path(shutil.copy(demo_archive(), folder / f"{name}.duckdb"))
    with open_archive(made["damaged"]).transaction() as con:
        for statement in DAMAGE:
            con.execute(statement)
    return made


@pytest.fixture
def chosen(request: pytest.FixtureRequest, archives: dict[str, Path], monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(archives[request.param]))
    return request.param


def without_an_error(page: str, may_end_early: bool = False, **parameters: str) -> str:
    at = opened(page, may_end_early=may_end_early, **parameters)
    assert not at.exception
    text = said(at)
    assert len(text) > 20
    assert "Traceback" not in text
    return text


@pytest.mark.parametrize("chosen", ["empty", "season", "damaged"], indirect=True)
@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_with_words_and_without_an_error(chosen: str, page: str) -> None:
    assert chosen
    without_an_error(page)


@pytest.mark.parametrize("chosen", ["damaged"], indirect=True)
@pytest.mark.parametrize("run", RUNS)
def test_every_damaged_run_opens(chosen: str, run: str) -> None:
    assert chosen
    for page, parameters in (
        ("run", {"run": run}),
        ("inspect", {"run": run}),
        ("compare", {"run": run}),
        ("compare", {"run": run, "with": "3"}),
        ("sheets", {"runs": run}),
    ):
        without_an_error(page, **parameters)


@pytest.mark.parametrize("chosen", ["damaged"], indirect=True)
def test_every_list_and_oven_of_a_damaged_archive_opens(chosen: str) -> None:
    assert chosen
    for name in ("ovens", "pastes", "jars", "boards", "profiles", "events"):
        without_an_error("reference_data", list=name)
    for oven in ("North bench", "South bench"):
        without_an_error("drift", oven=oven)
    for by, value in (("serial", "H0110"), ("oven", "North bench"), ("lot", "SAC-24C")):
        without_an_error("trace", by=by, **{by: value})


def keys_of(at, kind: str) -> list[str]:
    return [element.proto.id for element in at.get(kind)]


@pytest.mark.parametrize("chosen", ["season"], indirect=True)
@pytest.mark.parametrize(
    ("page", "parameters", "fewest"),
    [
        ("latest", {}, 2),
        ("run", {"run": "200"}, 3),
        ("compare", {"run": "200"}, 2),
        ("drift", {"oven": "North bench"}, 5),
        ("drift", {"oven": "South bench"}, 5),
        ("defects", {"defect": "tombstone"}, 4),
    ],
)
def test_every_chart_has_words_and_files(chosen: str, page: str, parameters: dict[str, str], fewest: int) -> None:
    assert chosen
    at = opened(page, **parameters)
    assert not at.exception
    assert charts(at) >= fewest
    files = [key.split("-", 2)[2] for key in keys_of(at, "download_button")]  # "png-run-200-curve"
    drawn = [key.removeprefix("png-") for key in files if key.startswith("png-")]
    assert len(drawn) == charts(at), f"{charts(at)} charts, pictures of {drawn}"
    for name in drawn:
        assert {f"svg-{name}", f"csv-{name}"} <= set(files), name
    for chart in at.get("vega_lite_chart"):
        assert len(chart.proto.alt) > 20, "a chart without a text alternative"


@pytest.mark.parametrize("chosen", ["season"], indirect=True)
@pytest.mark.parametrize("page", [p for p in PAGES if p != "about"])
def test_every_table_has_its_file(chosen: str, page: str) -> None:
    """A table whose parts are shown one by one has one file for all of them."""
    assert chosen
    at = opened(page)
    tables = sum('<table class="ob-table"' in element.proto.body for element in at.get("html")) + len(at.dataframe)
    files = [key for key in keys_of(at, "download_button") if "csv-" in key]
    assert not tables or files, f"{page}: {tables} tables and no file"
