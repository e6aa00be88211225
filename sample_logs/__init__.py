"""Invented oven logs to try things on. No real oven, shop, maker or person is behind any of them.

`files()`          paths of the small logs in this folder, one controller's layout each (table: `catalogue.SAMPLES`)
`season`           a season of an invented shop with two ovens and planted truths, written as real CSV files and sheets
`oven_model`       the thermal model both come from
`make_files`       the script that wrote the small logs
"""

from __future__ import annotations

from pathlib import Path


def files() -> list[Path]:
    """Paths of the small sample logs, by name."""
    from sample_logs.catalogue import SAMPLES

    return [Path(__file__).with_name(sample.file) for sample in SAMPLES]
