"""`ovenbook board`: board types, with their size and what they can stand."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.opening import assignments, the_archive, who
from dashboard.commands.output import Json, print_json, records, say, table, wrong_usage
from dashboard.commands.reference import one_named

BOARD_FIELDS = (
    *("name", "revision", "width_mm", "height_mm", "thickness_mm", "layers", "mass_g", "joints", "components"),
    *("package_thickness_mm", "package_volume_mm3", "note"),
)

boards = typer.Typer(help="Board types, with their revision and what they can stand.", no_args_is_help=True)


@boards.command("add")
def add_board(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The board's name.")],
    revision: Annotated[str, typer.Option(metavar="TEXT", help="Its revision.")] = "",
    width: Annotated[float | None, typer.Option("--width", metavar="MM", min=0, help="Width in mm.")] = None,
    height: Annotated[float | None, typer.Option("--height", metavar="MM", min=0, help="Height in mm.")] = None,
    thickness: Annotated[
        float | None, typer.Option("--thickness", metavar="MM", min=0, help="Thickness in mm.")
    ] = None,
    layers: Annotated[int | None, typer.Option("--layers", metavar="N", min=1, help="Copper layers.")] = None,
    mass: Annotated[float | None, typer.Option("--mass", metavar="G", min=0, help="Mass in g, as weighed.")] = None,
    joints: Annotated[
        int | None, typer.Option("--joints", metavar="N", min=0, help="Solder joints on a board.")
    ] = None,
    components: Annotated[
        int | None, typer.Option("--components", metavar="N", min=0, help="Parts on a board.")
    ] = None,
    package_thickness: Annotated[
        float | None,
        typer.Option(
            "--package-thickness",
            metavar="MM",
            min=0,
            help="Thickness of the part most sensitive to heat, for its ceiling.",
        ),
    ] = None,
    package_volume: Annotated[
        float | None, typer.Option("--package-volume", metavar="MM3", min=0, help="Volume of that part in mm³.")
    ] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything worth knowing.")] = None,
) -> None:
    """Record a board type.

    With the thickness and volume of its most sensitive package, runs are also judged by the body ceiling of J-STD-020.

    \b
    Example:
      ovenbook board add Blinker --revision B --joints 212 --package-thickness 1.2 --package-volume 180
    """
    from ingest.archive import reference

    archive = the_archive(ctx)
    with archive.transaction() as con:
        reference.add_board(
            con,
            name,
            revision,
            width_mm=width,
            height_mm=height,
            thickness_mm=thickness,
            layers=layers,
            mass_g=mass,
            joints=joints,
            components=components,
            package_thickness_mm=package_thickness,
            package_volume_mm3=package_volume,
            note=note,
        )
    say(f"Board '{' '.join(filter(None, (name, revision)))}' is recorded.")


@boards.command("set")
def set_board(
    ctx: typer.Context,
    name: Annotated[
        str, typer.Argument(metavar="BOARD", help="The board's name, with its revision if it has several.")
    ],
    fields: Annotated[
        list[str], typer.Argument(metavar="FIELD=VALUE...", help=f"Fields: {', '.join(BOARD_FIELDS)}. Empty: unknown.")
    ],
    why: Annotated[str | None, typer.Option(metavar="TEXT", help="Why it is corrected.")] = None,
) -> None:
    """Correct what is recorded of a board.

    The old value is kept with who, when and why.

    \b
    Example:
      ovenbook board set Blinker joints=212 package_thickness_mm=1.2 package_volume_mm3=180
    """
    from dashboard.judging import bring_up_to_date
    from ingest.archive import reference

    changes = assignments(fields, "ovenbook board set Blinker joints=212")
    for field in changes:
        if field not in BOARD_FIELDS:
            raise wrong_usage(f"a board has no field '{field}'. Fields: {', '.join(BOARD_FIELDS)}.")
    archive = the_archive(ctx)
    board_id, board_name = one_named(archive, "board", name)
    with archive.transaction() as con:
        for field, value in changes.items():
            reference.correct(con, "board", board_id, field, value or None, who(), why)
    say(f"Board '{board_name}': {', '.join(changes)} set.")
    told = bring_up_to_date(archive).sentence()
    if told:
        say(told)


@boards.command("list")
def list_boards(ctx: typer.Context, as_json: Json = False) -> None:
    """List board types with the number of their runs.

    \b
    Example:
      ovenbook board list
    """
    archive = the_archive(ctx)
    rows = records(
        archive.read(
            "SELECT b.board_id AS board, b.* EXCLUDE (board_id, created_at), count(r.run_id) AS runs"
            " FROM board b LEFT JOIN run r USING (board_id) GROUP BY ALL ORDER BY b.name, b.revision"
        )
    )
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No board is recorded. Add one: ovenbook board add NAME --joints 212")
        return
    table(
        ("name", "revision", "runs", "joints", "size mm", "note"),
        [(r["name"], r["revision"], r["runs"], r["joints"], _size(r), r["note"]) for r in rows],
        right=("runs", "joints"),
    )


def _size(board: dict[str, Any]) -> str:
    sides = [board[key] for key in ("width_mm", "height_mm", "thickness_mm")]
    return " × ".join(f"{side:g}" for side in sides) if all(side is not None for side in sides) else ""


def add_to(app: typer.Typer) -> None:
    app.add_typer(boards, name="board")
