"""The default pastes and windows of the alloy families, put into a new archive once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.windows import DEFAULT_REVISION, DEFAULT_SOURCE, default_pastes

if TYPE_CHECKING:
    from ingest.archive import Archive


def seed_defaults(archive: Archive) -> None:
    """Add each family default paste, with its window, that the archive does not have yet; all of them or none.

    A second call reads one short list and changes nothing. The J-STD-020 ceilings need no rows: they are worked out from
    a board's most sensitive package (analysis.windows). An archive opened read-only is left as it is.
    """
    with archive.connect() as con:
        have = {row[0] for row in con.execute("SELECT alloy FROM paste WHERE is_default").fetchall()}
    missing = [paste for paste in default_pastes() if paste.alloy.name not in have]
    if not missing or archive.read_only:
        return
    from ingest.archive.reference import add_paste, add_window

    with archive.transaction() as con:
        # Another process may have been quicker.
        have = {row[0] for row in con.execute("SELECT alloy FROM paste WHERE is_default").fetchall()}
        for paste in (paste for paste in missing if paste.alloy.name not in have):
            paste_id = add_paste(
                con,
                paste.name,
                alloy=paste.alloy.name,
                family=paste.alloy.family,
                solidus_c=paste.alloy.solidus_c,
                liquidus_c=paste.alloy.liquidus_c,
                is_default=True,
                note="; ".join(f"{row[0]}: {source}" for row, source in zip(paste.limits, paste.sources, strict=True)),
            )
            add_window(con, "paste", DEFAULT_SOURCE, DEFAULT_REVISION, paste.limits, paste_id=paste_id, is_default=True)
