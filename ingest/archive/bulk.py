"""Many rows in one statement. Arrow takes a tenth of the time that parameters take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ingest.archive.connection import Connection


def insert_rows(con: Connection, table: str, columns: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> None:
    """Inserts rows in their order; columns that are not named stay empty."""
    if rows:
        insert_columns(con, table, dict(zip(columns, zip(*rows, strict=True), strict=True)))


def insert_columns(con: Connection, table: str, columns: Mapping[str, Any]) -> None:
    """Inserts rows given as columns: sequences, or arrays of Arrow."""
    import pyarrow as pa

    con.complete()  # a query of which only the first row was fetched would keep the table from being registered
    con.register("incoming_rows", pa.table({name: pa.array(column) for name, column in columns.items()}))
    try:
        con.execute(f"INSERT INTO {table} ({', '.join(columns)}) FROM incoming_rows")
    finally:
        con.unregister("incoming_rows")
