"""`ovenbook window`: limits of the house and of component bodies, and every window with its revisions.

A paste's own window is entered with the paste (`paste add`, `paste window`).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.limits import LimitRow, limit_rows
from dashboard.commands.opening import the_archive
from dashboard.commands.output import Json, print_json, records, say, wrong_usage
from dashboard.commands.reference import one_named

if TYPE_CHECKING:
    from ingest.archive import Archive

group = typer.Typer(
    help="Limits of the house and of component bodies; all windows and their revisions.", no_args_is_help=True
)

Source = Annotated[str, typer.Option("--source", metavar="TEXT", help="Where the limits stand.")]
Revision = Annotated[str, typer.Option("--revision", metavar="TEXT", help="Its revision or date.")]
Peak = Annotated[str | None, typer.Option("--peak", metavar="LOW:HIGH", help="Peak in °C, as :250.")]
Above = Annotated[
    str | None, typer.Option("--above", metavar="C:LOW:HIGH", help="Time above a liquidus in °C, in s, as 217:40:90.")
]
Soak = Annotated[
    str | None, typer.Option("--soak", metavar="FROM:TO:LOW:HIGH", help="Soak between two °C, in s, as 150:200:60:120.")
]
RampUp = Annotated[str | None, typer.Option("--ramp-up", metavar="LOW:HIGH", help="Steepest ramp up in °C/s, as :3.")]
Cooling = Annotated[str | None, typer.Option("--cooling", metavar="LOW:HIGH", help="Steepest cooling in °C/s, as :4.")]
Spread = Annotated[str | None, typer.Option("--spread", metavar="LOW:HIGH", help="Spread at peak in K, as :8.")]


@group.command("house")
def house(
    ctx: typer.Context,
    source: Source,
    revision: Revision = "",
    oven: Annotated[str | None, typer.Option("--oven", metavar="NAME", help="Only for runs of this oven.")] = None,
    board: Annotated[str | None, typer.Option("--board", metavar="NAME", help="Only for runs of this board.")] = None,
    peak: Peak = None,
    above: Above = None,
    soak: Soak = None,
    ramp_up: RampUp = None,
    cooling: Cooling = None,
    spread: Spread = None,
) -> None:
    """Record limits of your own house, for every run or those of one oven or board.

    They are judged beside the paste's. A new window follows the earlier one of the same oven or board; the earlier one is
    kept, and so are the verdicts given under it.

    \b
    Examples:
      ovenbook window house --source "shop rule 4" --revision 2025-03 --spread :8 --ramp-up :2.5
      ovenbook window house --oven "Oven A" --source "shop rule 5" --peak :248
    """
    if oven and board:
        raise wrong_usage("a house window holds for one oven or for one board, not for both: give one of them.")
    archive = the_archive(ctx)
    rows = _rows(peak, above, soak, ramp_up, cooling, spread)
    oven_id, oven_name = one_named(archive, "oven", oven) if oven else (None, None)
    board_id, board_name = one_named(archive, "board", board) if board else (None, None)
    where = f"runs of {oven_name or board_name}" if oven or board else "every run"
    _store(archive, "house", source, revision, rows, f"The house, {where}", oven_id=oven_id, board_id=board_id)


@group.command("body")
def body(
    ctx: typer.Context,
    board: Annotated[str, typer.Argument(metavar="BOARD", help="The board whose parts stand this and no more.")],
    source: Source,
    revision: Revision = "",
    peak: Peak = None,
    above: Above = None,
    ramp_up: RampUp = None,
    cooling: Cooling = None,
) -> None:
    """Record the ceiling of a board's most sensitive part from its own sheet.

    It takes the place of the ceiling of J-STD-020, which needs only the part's thickness and volume (board set).

    \b
    Example:
      ovenbook window body Blinker --source "connector data sheet" --revision C --peak :245 --above 217::60
    """
    archive = the_archive(ctx)
    rows = _rows(peak, above, None, ramp_up, cooling, None)
    if any(row[3] is None for row in rows):
        raise wrong_usage("a component body has ceilings: give each limit an upper value, as --peak :245.")
    board_id, name = one_named(archive, "board", board)
    _store(archive, "body", source, revision, rows, f"Component bodies on {name}", board_id=board_id)


@group.command("list")
def list_windows(
    ctx: typer.Context,
    every: Annotated[bool, typer.Option("--all", help="Also those followed by a newer revision.")] = False,
    as_json: Json = False,
) -> None:
    """List the windows in force, with where they come from.

    \b
    Examples:
      ovenbook window list
      ovenbook window list --all --json
    """
    from dashboard import words

    archive = the_archive(ctx)
    found = windows_of(archive, every=every)
    if as_json:
        print_json(found)
        return
    for window in found:
        default = ", a default of its alloy family: the paste's own sheet wins" if window["is_default"] else ""
        followed = f" Followed by another on {window['superseded_at'][:10]}." if window["superseded_at"] else ""
        say(f"{words.window_owner(window)}{default}", bold=True)
        for limit in window["limits"]:
            name = words.metric_text(limit["metric"], limit["parameters"])
            say(f"{name}: {words.limit_text(limit['metric'], limit['low'], limit['high'], limit['unit'])}", indent=2)
        runs = words.counted(window["runs"], "run") if window["runs"] else "no run"
        say(f"From {words.source_text(window['source'], window['revision'])}; {runs} judged by it.{followed}", indent=2)


def windows_of(archive: Archive, *, every: bool) -> list[dict[str, Any]]:
    """Windows with their owners, limits and the number of runs judged by them; `every` with superseded ones."""
    rows = records(
        archive.read(
            'SELECT w.window_id AS "window", w.scope, p.name AS paste, b.name AS board, b.revision AS board_revision,'
            " o.name AS oven, w.source, w.revision, w.is_default, w.created_at, w.superseded_at, l.metric, l.parameters,"
            " l.low, l.high, l.unit, (SELECT count(DISTINCT r.run_id) FROM limit_result r WHERE r.window_id = w.window_id)"
            " AS runs FROM limit_window w JOIN window_limit l USING (window_id) LEFT JOIN paste p USING (paste_id)"
            " LEFT JOIN board b ON b.board_id = w.board_id LEFT JOIN oven o ON o.oven_id = w.oven_id"
            " WHERE ? OR w.superseded_at IS NULL ORDER BY w.is_default, w.window_id, l.rowid",
            (every,),
        )
    )
    windows: dict[int, dict[str, Any]] = {}
    for row in rows:
        limit = {key: row.pop(key) for key in ("metric", "parameters", "low", "high", "unit")}
        limit["parameters"] = json.loads(limit["parameters"])
        windows.setdefault(row["window"], {**row, "limits": []})["limits"].append(limit)
    return list(windows.values())


def _rows(
    peak: str | None,
    above: str | None,
    soak: str | None,
    ramp_up: str | None,
    cooling: str | None,
    spread: str | None,
) -> list[LimitRow]:
    liquidus: float | None = None
    bounds = None
    if above is not None:
        text, colon, bounds = above.partition(":")
        try:
            liquidus = float(text)
        except ValueError:
            colon = ""
        if not colon or ":" not in bounds:
            raise wrong_usage(f"'{above}' is not C:LOW:HIGH. Example: --above 217:40:90 (°C, s, s)")
    rows = limit_rows(liquidus, peak, bounds, soak, ramp_up, cooling, spread)
    if not rows:
        raise wrong_usage("a window needs at least one limit. Example: --peak :250")
    return rows


def _store(
    archive: Archive,
    scope: str,
    source: str,
    revision: str,
    rows: list[LimitRow],
    whose: str,
    board_id: int | None,
    oven_id: int | None = None,
) -> None:
    from dashboard import words
    from ingest.archive.windows import add_window

    with archive.transaction() as con:
        add_window(con, scope, source, revision, rows, board_id=board_id, oven_id=oven_id)
    say(f"{whose}: {words.counted(len(rows), 'limit')} from {words.source_text(source, revision)}.")
    say("Earlier verdicts stand. What judging by it would change: ovenbook reevaluate --dry-run")


def add_to(app: typer.Typer) -> None:
    app.add_typer(group, name="window")
