"""The archive from a notebook: the documented names, an executed example, and the README's own lines. Data is invented."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "dashboard"))

from page_archives import full_archive  # noqa: E402

# A notebook's cells: what is written here is what a user may write.
CELLS = (
    """
    from analysis import compare_runs, last_good_before, metric_frame, run_summary
    from ingest import open_archive

    archive = open_archive()
    """,
    """
    # A row a run, a column a series: how does the hottest place change with the profile?
    metrics = metric_frame(archive, ["peak_c"])
    print(metrics["peak_c | left_c"].round(0).tolist())
    """,
    """
    # What one run says, and why.
    summary = run_summary(archive, 6)
    limiting = summary["limiting"]
    print(summary["verdict"], limiting["metric"], limiting["channel"], round(limiting["margin"], 1), limiting["unit"])
    """,
    """
    # What changed between two runs: the most unusual difference first.
    changed = compare_runs(archive, 1, 6).metrics
    row = changed[(changed["metric"] == "peak_c") & (changed["channel"] == "left_c")].iloc[0]
    print(round(row["difference"]), row["unit"])
    """,
    """
    # Any SQL on the stable views.
    curve = archive.read("SELECT elapsed_s, value FROM sample WHERE run = ? AND channel = ?", [1, "left_c"])
    print(len(curve), curve["elapsed_s"].iloc[-1])
    """,
)


def executed(code: str, path: Path) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        cwd=path.parent,
        env={**os.environ, "OVENBOOK_ARCHIVE": str(path), "PYTHONPATH": str(ROOT)},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return full_archive(tmp_path_factory.mktemp("api") / "archive.duckdb").path


def dedented(cell: str) -> str:
    return re.sub(r"(?m)^ {4}", "", cell)


def test_a_notebook_gets_its_answers(path: Path) -> None:
    lines = executed("\n".join(dedented(cell) for cell in CELLS), path).splitlines()
    # The made-up logs peak at 245 °C less 3 K a run, and the left sensor reads 0.7 to 1 K less; the fourth was cut off on
    # the way up, so it has no peak.
    assert lines[0] == "[244.0, 241.0, 238.0, nan, 232.0, 229.0]"
    # Run 6: 230 °C set, 4.5 K less on the right, 235 °C the lowest allowed.
    assert lines[1] == "fails peak_c right_c -9.5 °C"
    assert lines[2] == "-15 °C"
    assert lines[3] == "381 380.0"


def test_the_lines_of_the_readme_run_as_they_stand(path: Path) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert blocks
    for block in blocks:
        executed(block, path)


def test_every_documented_name_is_there_and_loads_nothing_before_it_is_used() -> None:
    code = (
        "import sys, analysis\n"
        "heavy = ('scipy', 'sklearn', 'statsmodels', 'duckdb', 'pandas')\n"
        "assert not [m for m in heavy if m in sys.modules]\n"
        "for name in analysis.__all__:\n"
        "    assert getattr(analysis, name) is not None and name in analysis.__doc__, name\n"
        "try:\n"
        "    analysis.nothing\n"
        "except AttributeError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert "has no attribute 'nothing'" in done.stdout
