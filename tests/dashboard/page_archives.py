"""Archives for the tests of the pages: one empty, one filled through the real import with the sample logs, all invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from analysis.results import canonical_parameters
from analysis.store import evaluate_and_write, seed_defaults
from ingest.archive import Archive, open_archive
from ingest.archive.events import add_event
from ingest.archive.quality import add_inspection
from ingest.archive.reference import add_board, add_jar, add_oven, add_paste
from ingest.archive.windows import add_window
from ingest.importing import ImportOptions, import_bytes

ZONE = "Europe/Berlin"
SAMPLES = Path(__file__).parents[2] / "sample_logs"


def empty_archive(path: Path) -> Archive:
    archive = open_archive(path, zone=ZONE)
    seed_defaults(archive)
    return archive


def bake(minutes: int = 0, peak_c: float = 245.0, text: str = "ok") -> bytes:
    """A made-up log: 1 s samples, a ramp, a hold, a peak and cooling; two channels 4 K apart; `minutes` shift its start."""
    start = datetime(2025, 3, 4, 9, 0, tzinfo=UTC) + timedelta(minutes=minutes)
    corners = [(0, 25.0), (90, 150.0), (190, 200.0), (240, peak_c), (262, peak_c), (380, 60.0)]
    lines = ["time,setpoint_c,left_c,right_c,duty_pct,remark"]
    for second in range(381):
        after = next(i for i, (t, _) in enumerate(corners) if t >= second) or 1
        (t0, v0), (t1, v1) = corners[after - 1], corners[after]
        value = v0 + (v1 - v0) * (second - t0) / (t1 - t0)
        at = (start + timedelta(seconds=second)).isoformat()
        duty = 80 if v1 > v0 else (30 if v1 == v0 else 0)
        wave = 0.05 * (second % 7)  # a sensor is never quite still
        lines.append(f"{at},{value:.1f},{value + wave - 1:.2f},{value - wave * 0.8 - 4.5:.2f},{duty},{text}")
    return "\n".join(lines).encode()


UNCLEAR = "\n".join(
    ["Date,T1,T2"]
    + [
        f"03/04/2025 08:{s // 60:02d}:{s % 60:02d},{25 + min(s, 400) * 0.5:.1f},{23 + min(s, 400) * 0.49:.1f}"
        for s in range(0, 600, 2)
    ]
).encode()


def full_archive(path: Path) -> Archive:
    """Six runs of one oven, one of them cut off; a jar, boards, a window, an inspection, an event; one log held, one rejected."""
    archive = empty_archive(path)
    with archive.transaction() as con:
        oven = add_oven(con, "Invented oven", controller="invented controller")
        paste = add_paste(con, "Invented SAC paste", alloy="SAC305", family="PbFree", solidus_c=217.0, liquidus_c=217.0)
        add_jar(con, "jar 14", paste, lot="L-2231", opened_at=datetime(2025, 3, 1, tzinfo=UTC))
        add_board(con, "Heron", "C", joints=450)
        add_board(con, "Lantern", "A")
        add_window(
            con,
            "paste",
            "invented sheet",
            "B",
            [
                ("peak_c", canonical_parameters({}), 235.0, 250.0, "°C"),
                ("time_above_liquidus_s", canonical_parameters({"liquidus_c": 217}), 40.0, 90.0, "s"),
                ("soak_time_s", canonical_parameters({"low_c": 150, "high_c": 200}), 60.0, 120.0, "s"),
            ],
            paste_id=paste,
        )
        add_event(con, oven, "seal", datetime(2025, 3, 3, tzinfo=UTC), at_precision="day", note="new seal")
    options = ImportOptions(source="page", oven="Invented oven", jar="jar 14", board="Heron C", kind="product")
    for number in range(6):
        whole = bake(minutes=60 * number, peak_c=245.0 - 3 * number)
        data = whole if number != 3 else b"\n".join(whole.split(b"\n")[:150])
        result = import_bytes(archive, data, f"bake-{number}.csv", options, after_store=evaluate_and_write)[0]
        assert result.status == "stored", (result.status, result.reason, result.questions)
    with archive.transaction() as con:
        add_inspection(con, 1, "loupe", boards_looked=2, defects=[{"term": "tombstone", "count": 1, "ref_des": "C14"}])
    assert import_bytes(archive, UNCLEAR, "unclear.csv", ImportOptions(source="page"))[0].status == "held"
    assert (
        import_bytes(archive, b"nothing of interest", "shopping.txt", ImportOptions(source="page"))[0].status
        == "rejected"
    )
    return archive
