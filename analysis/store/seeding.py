"""The default pastes and windows of the alloy families, put into a new archive once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.windows import DEFAULT_REVISION, DEFAULT_SOURCE, default_pastes

if TYPE_CHECKING:
    from ingest.archive.connection import Connection


def seed_defaults(con: Connection) -> None:
    """Add each family default paste, with its window, that the archive does not have yet; all of them or none.

    A second call reads one short list and changes nothing. The J-STD-020 ceilings need no rows: they are worked out from
    a board's most sensitive package (analysis.windows). An archive opened read-only is left as it is.
    """
    have = {row[0] for row in con.execute("SELECT alloy FROM paste WHERE is_default").fetchall()}
    missing = [paste for paste in default_pastes() if paste.alloy.name not in have]
    if not missing or _read_only(con):
        return
    from ingest.archive.reference import add_paste, add_window

    con.begin()
    try:
        for paste in missing:
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
    except BaseException:
        con.rollback()
        raise
    con.commit()


def _read_only(con: Connection) -> bool:
    row = con.execute("SELECT readonly FROM duckdb_databases() WHERE database_name = current_database()").fetchone()
    return bool(row and row[0])
