"""Questions, answers and the layouts they teach, with logs written here whose dates or units nothing in them settles."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.archive import Archive, ArchiveError, open_archive
from ingest.archive.logs import held_logs, original_bytes
from ingest.archive.quality import add_inspection
from ingest.archive.reference import add_oven
from ingest.importing import ImportOptions, ImportResult, answer_log, import_bytes, import_paths
from ingest.layouts import correct_layout, forget_layout, list_layouts, rename_layout


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "book.duckdb", zone="UTC")


def log(day: int, month: int, names: str = "T1_C,T2_C", hour: int = 9, delimiter: str = ",") -> bytes:
    """A run of 300 s whose date can be read in two ways when the day is 12 or less."""
    rows = ["time," + names]
    for i in range(300):
        value = 20 + 220 * min(i, 250) / 250
        rows.append(f"{day:02d}/{month:02d}/2025 {hour:02d}:{i // 60:02d}:{i % 60:02d},{value:.1f},{value - 1:.1f}")
    return "\n".join(rows).replace(",", delimiter).encode()


def counts(day: str = "03/04/2025") -> bytes:
    """Raw whole numbers without a unit: tenths or another fraction of a degree."""
    rows = ["time,raw1,raw2"]
    for i in range(300):
        value = int(200 + 2200 * min(i, 250) / 250)
        rows.append(f"{day} 09:{i // 60:02d}:{i % 60:02d},{value},{value - 10}")
    return "\n".join(rows).encode()


def take(archive: Archive, data: bytes, name: str = "x.csv", **options: object) -> ImportResult:
    return import_bytes(archive, data, name, ImportOptions(**options))[0]  # type: ignore[arg-type]


def start(result: ImportResult) -> str:
    return str(result.runs[0].started_at)


def test_a_log_that_must_be_asked_is_held_whole_and_nothing_is_stored(archive: Archive) -> None:
    data = log(3, 4)
    result = take(archive, data)
    assert (result.status, [q.id for q in result.questions]) == ("held", ["date_order"])
    assert "day or the month" in (result.reason or "")
    assert int(archive.read("SELECT count(*) AS n FROM run")["n"][0]) == 0
    with archive.connect() as con:
        held = held_logs(con)
        assert original_bytes(con, held[0].log_id) == data
    assert held[0].head[0] == "time,T1_C,T2_C"
    assert take(archive, data).status == "held"
    assert int(archive.read("SELECT count(*) AS n FROM log")["n"][0]) == 1


def test_an_answer_stores_the_log_with_its_options_and_the_next_needs_no_question(archive: Archive) -> None:
    with archive.transaction() as con:
        add_oven(con, "Bench")
    take(archive, log(3, 4), "april.csv", oven="Bench", note="kept while held")
    results = answer_log(archive, "april.csv", {"date_order": "Day First"}, "bench controller", who="Ada")
    assert [(r.file, r.status, start(r)) for r in results] == [("april.csv", "stored", "2025-04-03 09:00:00+00:00")]
    row = archive.read("SELECT oven, note FROM run_overview").iloc[0]
    assert (row["oven"], row["note"]) == ("Bench", "kept while held")
    layout = list_layouts(archive)[0]
    assert (layout.name, layout.origin, layout.answers) == ("bench controller", "typed", {"date_order": "day first"})
    assert (layout.logs, layout.runs, layout.ovens) == (1, 1, ("Bench",))
    following = take(archive, log(5, 4))
    assert (following.status, start(following)) == ("stored", "2025-04-05 09:00:00+00:00")
    # The layout was used by one oven only, so the oven is taken over from it.
    oven = archive.read("SELECT oven FROM run_overview WHERE run = 2")["oven"]
    assert list(oven) == ["Bench"]


def test_one_answer_settles_the_other_held_logs_of_the_layout_and_no_others(archive: Archive, tmp_path: Path) -> None:
    for i in range(3):
        (tmp_path / f"{i}.csv").write_bytes(log((3, 5, 6)[i], 4))
    (tmp_path / "other.csv").write_bytes(log(3, 4, "left_C,right_C"))
    assert {r.status for r in import_paths(archive, [str(tmp_path / "*.csv")])} == {"held"}
    results = answer_log(archive, "1.csv", {"date_order": "day first"})
    assert [(r.file, r.status) for r in results] == [("1.csv", "stored"), ("0.csv", "stored"), ("2.csv", "stored")]
    with archive.connect() as con:
        assert [row.file_name for row in held_logs(con)] == ["other.csv"]


@pytest.mark.parametrize(
    "lookalike",
    [
        log(3, 4, "T1_C,T2_C", delimiter=";"),
        log(3, 4, "T1_C,T3_C"),
        log(3, 4, "T1_F,T2_F"),
    ],
)
def test_a_layout_that_only_looks_alike_is_asked_anew(archive: Archive, lookalike: bytes) -> None:
    take(archive, log(3, 4), "a.csv")
    answer_log(archive, "a.csv", {"date_order": "month first"})
    result = take(archive, lookalike)
    assert result.status == "held"
    assert "date_order" in {q.id for q in result.questions}


def test_a_date_that_proves_itself_needs_no_answer_and_obeys_none(archive: Archive) -> None:
    take(archive, log(3, 4), "a.csv")
    answer_log(archive, "a.csv", {"date_order": "month first"})
    assert start(take(archive, log(25, 4))) == "2025-04-25 09:00:00+00:00"


def test_answers_may_come_one_by_one_and_open_questions_stay(archive: Archive) -> None:
    first = take(archive, counts(), "a.csv")
    asked = {q.id for q in first.questions}
    assert {"unit", "date_order"} <= asked
    left = answer_log(archive, "a.csv", {"unit": "0.1 °C"})
    assert left[0].status == "held"
    assert "unit" not in {q.id for q in left[0].questions}
    with archive.connect() as con:
        assert held_logs(con)[0].answers == {"unit": "0.1 °C"}
    rest = {q.id: q.choices[0] for q in left[0].questions}
    done = answer_log(archive, "a.csv", rest)
    assert done[0].status == "stored"
    peaks = [c.peak_c for c in done[0].runs[0].channels if c.role == "temperature"]
    assert peaks == [pytest.approx(240.0), pytest.approx(239.0)]  # 2400 and 2390 tenths of a degree
    assert list_layouts(archive)[0].answers == {"unit": "0.1 °C", **rest}


def test_answers_given_with_the_import_teach_a_layout_too(archive: Archive) -> None:
    result = take(archive, log(3, 4), answers={"date_order": "month first"})
    assert (result.status, start(result)) == ("stored", "2025-03-04 09:00:00+00:00")
    assert start(take(archive, log(5, 4))) == "2025-05-04 09:00:00+00:00"


def test_a_corrected_layout_reads_its_logs_again_and_keeps_what_people_said(archive: Archive) -> None:
    with archive.transaction() as con:
        add_oven(con, "Bench")
    take(archive, log(3, 4), "a.csv", oven="Bench", who="Ada")
    answer_log(archive, "a.csv", {"date_order": "month first"}, "bench controller")
    take(archive, log(5, 4, hour=10), "b.csv")
    with archive.transaction() as con:
        add_inspection(
            con,
            1,
            "loupe",
            scope="all",
            boards_looked=1,
            joints_looked=40,
            who="Ada",
            at=None,
            origin="typed",
            defects=(),
        )
    judged: list[int] = []

    def judge(_con: object, run_id: int, _recording: object) -> None:
        judged.append(run_id)

    results = correct_layout(archive, "bench controller", {"date_order": "day first"}, judge, who="Ada")
    assert [(r.file, r.status) for r in results] == [("a.csv", "stored"), ("b.csv", "stored")]
    assert [start(r) for r in results] == ["2025-04-03 09:00:00+00:00", "2025-04-05 10:00:00+00:00"]
    assert [r.runs[0].run for r in results] == judged == [1, 2]
    stored = archive.read("SELECT started_at FROM run ORDER BY run_id")["started_at"]
    assert [str(s) for s in stored] == ["2025-04-03 09:00:00", "2025-04-05 10:00:00"]
    typed = archive.read("SELECT origin, who FROM run_origin WHERE run_id = 1 AND field = 'oven'").iloc[0]
    assert (typed["origin"], typed["who"]) == ("typed", "Ada")
    assert int(archive.read("SELECT count(*) AS n FROM inspection WHERE run_id = 1")["n"][0]) == 1
    changes = archive.read("SELECT table_name, field, who FROM change ORDER BY change_id")
    told = set(changes.itertuples(index=False, name=None))
    assert {("layout", "decisions", "Ada"), ("run", "started_at", "Ada")} <= told
    assert list_layouts(archive)[0].answers == {"date_order": "day first"}
    assert start(take(archive, log(7, 4))) == "2025-04-07 09:00:00+00:00"


def test_a_correction_that_cannot_be_read_leaves_the_runs_as_they_were(archive: Archive) -> None:
    take(archive, counts("13/04/2025"), "a.csv")
    with archive.connect() as con:
        questions = held_logs(con)[0].questions
    answer_log(archive, "a.csv", {q.id: q.choices[0] for q in questions}, "counts")
    before = archive.read("SELECT sum(value) AS s, count(*) AS n FROM samples").iloc[0]
    results = correct_layout(archive, "counts", {"unit": "furlong"})
    after = archive.read("SELECT sum(value) AS s, count(*) AS n FROM samples").iloc[0]
    assert "kept as it was" in (results[0].reason or "")
    assert (before["s"], before["n"]) == (after["s"], after["n"])


def test_a_forgotten_layout_is_asked_again_and_its_runs_stay(archive: Archive) -> None:
    take(archive, log(3, 4), "a.csv")
    answer_log(archive, "a.csv", {"date_order": "day first"}, "bench")
    assert forget_layout(archive, "bench").logs == 1
    assert list_layouts(archive) == []
    assert take(archive, log(5, 4)).status == "held"
    assert int(archive.read("SELECT count(*) AS n FROM run")["n"][0]) == 1


def test_layouts_are_renamed_and_names_stay_single(archive: Archive) -> None:
    take(archive, log(13, 4), "a.csv")
    take(archive, log(13, 4, "left_C,right_C"), "b.csv")
    assert [y.name for y in list_layouts(archive)] == ["as a.csv", "as b.csv"]
    rename_layout(archive, "as a.csv", "bench controller", "Ada")
    assert list_layouts(archive)[0].name == "bench controller"
    with pytest.raises(ArchiveError, match="bench controller"):
        rename_layout(archive, "as b.csv", "bench controller")
    with pytest.raises(ArchiveError, match=r"no layout named .bench.; known: bench controller, as b\.csv"):
        forget_layout(archive, "bench")


def test_answers_to_nothing_are_one_clear_line(archive: Archive) -> None:
    take(archive, log(3, 4), "a.csv")
    take(archive, log(13, 4), "sure.csv")
    take(archive, b"no log\n", "bad.csv")
    with pytest.raises(ArchiveError, match="does not ask 'unit'; it asks date_order"):
        answer_log(archive, "a.csv", {"unit": "°C"})
    with pytest.raises(
        ArchiveError, match="'sideways' is no answer to 'date_order': choose one of day first, month first"
    ):
        answer_log(archive, "a.csv", {"date_order": "sideways"})
    with pytest.raises(ArchiveError, match="no answer was given"):
        answer_log(archive, "a.csv", {})
    with pytest.raises(ArchiveError, match="is stored already: correct its layout"):
        answer_log(archive, "sure.csv", {"date_order": "day first"})
    with pytest.raises(ArchiveError, match="was rejected"):
        answer_log(archive, "bad.csv", {"date_order": "day first"})
    with pytest.raises(ArchiveError, match="99"):
        answer_log(archive, 99, {"date_order": "day first"})
