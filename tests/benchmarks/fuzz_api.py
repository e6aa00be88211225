"""Requests made from the OpenAPI document, by the thousand: no server error, no answer that the document does not name.

    pip install schemathesis, then: python tests/benchmarks/fuzz_api.py [--seconds 100]

Only to 127.0.0.1, at most 15 a second. A body that is any bytes to the document may be no oven log to the reader, and a name of
an oven one that is not known: 422 counts as an answer to data that the document allows.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
CONFIG = """
[checks.positive_data_acceptance]
expected-statuses = ["2xx", "401", "404", "422"]
"""
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "dashboard")]

from page_archives import bake, empty_archive  # noqa: E402
from service_process import serving  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, default=100)
    parser.add_argument("--program", default=shutil.which("st") or "st", help="the schemathesis command")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="ovenbook-fuzz-") as folder:
        archive = empty_archive(Path(folder) / "archive.duckdb")
        config = Path(folder) / "schemathesis.toml"
        config.write_text(CONFIG)
        with serving(archive.path) as service:
            for minutes in (0, 30):
                service.post(bake(minutes=minutes))
            done = subprocess.run(
                [
                    *(
                        asked.program,
                        "--config-file",
                        str(config),
                        "run",
                        f"http://127.0.0.1:{service.port}/api/openapi.json",
                    ),
                    *("--max-time", str(asked.seconds), "-n", "100", "-w", "1", "--rate-limit", "15/s", "--seed", "1"),
                    *("--continue-on-failure", "--warnings", "off", "--no-color"),
                ],
                check=False,
            )
            print(service.ask("GET", "/api/health").json)
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
