"""`ovenbook compare`: what changed between two runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.opening import run_number, the_archive
from dashboard.commands.output import Json, Refusal, heading, print_json, records, say, table

if TYPE_CHECKING:
    from analysis.store.comparing import Comparison

ROWS = 12  # the rest is in --json and on the page; what is far down the list is usual anyway


def compare(
    ctx: typer.Context,
    first: Annotated[str, typer.Argument(metavar="A", help="The run to compare with, or good: the last good run.")],
    second: Annotated[str, typer.Argument(metavar="B", help="The run in question, or latest.")] = "latest",
    as_json: Json = False,
) -> None:
    """Tell what changed from run A to run B, the most unusual first.

    Unusual is measured against the scatter of comparable runs (same oven, set points, board and kind). With "good" for A
    the last good run before B is taken, by rule.

    \b
    Examples:
      ovenbook compare 12 34
      ovenbook compare good latest --json
    """
    from analysis.store.comparing import compare_runs, last_good_before
    from dashboard.words import comparing as words

    archive = the_archive(ctx)
    number = run_number(archive, second)
    rule = None
    if first == "good":
        choice = last_good_before(archive, number)
        if choice.run is None:
            raise Refusal(f"No good run to compare run {number} with: {choice.rule}. Name one: ovenbook runs")
        other, rule = choice.run, choice.rule
    else:
        other = run_number(archive, first)
    if other == number:
        raise Refusal(
            f"Run {number} cannot be compared with itself. Name two runs; they are listed by: ovenbook runs", 2
        )
    comparison = compare_runs(archive, other, number, with_shape=True)
    if as_json:
        print_json(as_plain(comparison, rule))
        return
    say(f"Run {other} and run {number}. {words.headline(comparison)}", bold=True)
    if rule:
        say(f"Run {other} was picked as {rule}.")
    if words.fitness_text(comparison):
        say(words.fitness_text(comparison))
    _metadata(comparison)
    _metrics(comparison)
    heading("Curves")
    say(words.curves_in_words(comparison.curves, other, number), indent=2)
    say(words.shape_text(comparison.shape, number), indent=2)


def as_plain(comparison: Comparison, rule: str | None) -> dict[str, Any]:
    """The comparison as plain values, the object of `compare A B --json`."""
    curves = comparison.curves
    return {
        "first": comparison.first["run"],
        "second": comparison.second["run"],
        "picked_by": rule,
        "not_like_with_like": comparison.alike,
        "group": {"runs": list(comparison.group.runs), "words": comparison.group.words},
        "metadata": [
            {key: (None if value is None or value != value else value) for key, value in row.items()}
            for row in records(comparison.metadata)
        ],
        "metrics": records(comparison.metrics),
        "curves": {
            "aligned": curves.aligned,
            "shift_s": curves.shift_s,
            "left_out": list(curves.left_out),
            "stretches": [
                {"channel": name, "from_s": start, "to_s": end, "mean_difference_k": mean}
                for name, (start, end, mean) in curves.stretches.items()
            ],
        },
        "shape": None
        if comparison.shape is None
        else {
            "status": comparison.shape.status,
            "reason": comparison.shape.reason,
            "n": comparison.shape.n,
            "stretches": [
                {"channel": s.channel, "from_s": s.from_s, "to_s": s.to_s, "difference_k": s.difference_k}
                for s in comparison.shape.stretches
            ],
        },
    }


def _metadata(comparison: Comparison) -> None:
    from dashboard.words import comparing as words

    heading("Recorded with them")
    rows = [row for row in comparison.metadata.to_dict("records") if row["state"] != "same"]
    if not rows:
        say("Nothing differs.", indent=2)
        return
    table(
        ("what", f"run {comparison.first['run']}", f"run {comparison.second['run']}"),
        [
            (
                words.field_words(row["field"]),
                words.field_value(row["field"], row["first"]),
                words.field_value(row["field"], row["second"]),
            )
            for row in rows
        ],
        indent=2,
    )


def _metrics(comparison: Comparison) -> None:
    from dashboard.words import comparing as words

    heading("Measured")
    rows = words.comparison_rows(comparison)
    if not rows:
        say("No number was measured in both runs.", indent=2)
        return
    table(
        (
            "what",
            "channel",
            f"run {comparison.first['run']}",
            f"run {comparison.second['run']}",
            "difference",
            "times usual",
        ),
        [
            (row["what"], row["channel"], row["first"], row["second"], row["difference"], _times(raw["unusual"]))
            for row, raw in zip(rows[:ROWS], comparison.metrics.to_dict("records"), strict=False)
        ],
        indent=2,
        right=("times usual",),
    )
    if len(rows) > ROWS:
        say(f"{len(rows) - ROWS} more differ less; all of them with --json.", indent=2)
    say(
        f"Times usual: the difference in units of what two of {len(comparison.group.runs)} comparable runs usually differ "
        f"by ({comparison.group.words}). From 3 on it is called unusual.",
        indent=2,
    )


def _times(unusual: float) -> str:
    return "unknown" if unusual != unusual else f"{unusual:.1f}"


def add_to(app: typer.Typer) -> None:
    app.command("compare")(compare)
