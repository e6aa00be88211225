"""`ovenbook show`: what one run says, danger first."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.opening import run_number, the_archive
from dashboard.commands.output import Json, heading, local_text, print_json, say, table

if TYPE_CHECKING:
    from analysis.oven_model import OvenModel
    from ingest.archive import Archive

CHANNELS_ABREAST = 4  # more channels than this do not fit beside each other in 80 columns
GROUPS = {"result": "Profile", "effort": "Heater and oven", "sensor": "Sensors"}
FIELD_WORDS = {"load_count": "boards on the rack", "ambient_c": "room temperature (°C)", "started_at": "started"}
NOT_FOR_PEOPLE = ("zone", "setpoint_hash")


def show(
    ctx: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number, or latest.")],
    model: Annotated[
        bool, typer.Option("--model", help="Also work out the oven as a small thermal model from this log.")
    ] = False,
    shape: Annotated[
        bool, typer.Option("--shape", help="Also compare the curves with those of comparable runs.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Show one run: danger, verdict, limits, findings.

    Danger leads, then the verdict in words; then the limits, the findings, the metrics and what is recorded with the run.

    \b
    Examples:
      ovenbook show 12
      ovenbook show latest --json
      ovenbook show 12 --model --shape
    """
    from analysis.store import run_summary
    from dashboard import words

    archive = the_archive(ctx)
    number = run_number(archive, run)
    summary = run_summary(archive, number)
    asked = _asked(archive, number, model=model, shape=shape)
    if as_json:
        print_json(summary | {name: asdict(found) for name, found in asked.items()})
        return
    for line in words.stop_lines(summary["findings"]):
        say(line, bold=True)
    say(f"Run {summary['run']}. {words.verdict_sentence(summary)}", bold=True)
    if not summary["limits"] and summary["metadata"]["paste"]["value"] is None:
        say(f"Name its paste to have it judged: ovenbook set {summary['run']} paste=NAME")
    _limits(summary)
    _findings(summary)
    _metrics(summary)
    if "shape" in asked:
        heading("Curves")
        from dashboard.words.models import shape_lines

        for line in shape_lines(asked["shape"], number):
            say(line, indent=2)
    if "model" in asked:
        _model(asked["model"], summary)
    _metadata(summary, archive.zone)


def _asked(archive: Archive, run: int, *, model: bool, shape: bool) -> dict[str, Any]:
    """What is worked out only when asked for."""
    from analysis.store.comparing import model_of, shape_of

    found: dict[str, Any] = {}
    if model:
        found["model"] = model_of(archive, run)
    if shape:
        found["shape"] = shape_of(archive, run)
    return found


def _model(model: OvenModel, summary: dict[str, Any]) -> None:
    from dashboard.words import models

    heading("The oven as a model")
    rows = models.model_rows(model, models.room_of({"ambient_c": summary["metadata"]["ambient_c"]["value"]}))
    if rows:
        table(models.ROWS, rows, indent=2)
    for line in models.model_lines(model, models.has_hold_duty(summary["metrics"])):
        say(line, indent=2)
    if rows:
        say(models.MODEL_MEANING, indent=2)


def _limits(summary: dict[str, Any]) -> None:
    from dashboard import words

    heading("Limits")
    if not summary["limits"]:
        say("None: no window is known for this run.", indent=2)
        return
    sources = list(dict.fromkeys(words.source_text(limit["source"], limit["revision"]) for limit in summary["limits"]))
    several = len(sources) > 1  # then each limit says by a number where it stands
    table(
        ("limit", "allowed", "margin", "verdict", *(["from"] if several else [])),
        [
            (
                _name(limit),
                words.limit_text(limit["metric"], limit["low"], limit["high"], limit["unit"]),
                "" if limit["margin"] is None else words.margin_text(limit["metric"], limit["margin"], limit["unit"]),
                limit["verdict"],
                *([sources.index(words.source_text(limit["source"], limit["revision"])) + 1] if several else []),
            )
            for limit in summary["limits"]
        ],
        right=("from",),
        indent=2,
    )
    for number, source in enumerate(sources, 1):
        say(f"{number}: {source}." if several else f"From {source}.", indent=2)


def _findings(summary: dict[str, Any]) -> None:
    from dashboard import words

    heading("Findings")
    seen = [finding for finding in summary["findings"] if finding["state"] in ("suspect", "fail")]
    if not seen:
        say("Nothing seen by the checks that could run.", indent=2)
    for finding in seen:
        say(words.finding_sentence(finding), indent=2)
        if finding["meaning"]:
            say(finding["meaning"], indent=4)
        if finding["check_first"]:
            say(f"Check first: {finding['check_first']}", indent=4)
    unseen: dict[str, list[str]] = {}
    for finding in summary["findings"]:
        if finding["state"] in ("not evaluated", "missing"):
            name = words.finding_name(finding["code"])
            where = f" ({finding['channel']})" if finding["channel"] else ""
            unseen.setdefault(finding["evidence"].rstrip("."), []).append(name + where)
    for reason, names in unseen.items():
        say(f"Could not be checked: {words.listed(names)}: {reason}.", indent=2)


def _metrics(summary: dict[str, Any]) -> None:
    from dashboard import words

    channels = list(dict.fromkeys(m["channel"] for m in summary["metrics"] if m["channel"]))
    abreast = len(channels) <= CHANNELS_ABREAST
    for group, title in GROUPS.items():
        metrics = [m for m in summary["metrics"] if words.group_of(m["metric"]) == group]
        own = [m for m in metrics if m["channel"]]
        of_run = [m for m in metrics if not m["channel"]]
        if not metrics:
            continue
        heading(title)
        if own and abreast:
            _beside_each_other(own, channels)
        elif own:
            table(("metric", "channel", "value"), [(_name(m), m["channel"], _value(m)) for m in own], indent=2)
        if of_run:
            table(("of the run", "value"), [(_name(m), _value(m)) for m in of_run], indent=2)
        _reasons(metrics)


def _beside_each_other(metrics: list[dict[str, Any]], channels: list[str]) -> None:
    """A row a metric, a column a channel; the unit stands with the metric's name."""
    from dashboard import words

    rows: dict[str, dict[str, str]] = {}
    for metric in metrics:
        unit = words.shown_unit(metric["metric"])
        name = f"{_name(metric)}, {unit}" if unit else _name(metric)
        rows.setdefault(name, {})[metric["channel"]] = _value(metric).removesuffix(f" {unit}")
    table(
        ("metric", *channels),
        [(name, *(row.get(channel, "") for channel in channels)) for name, row in rows.items()],
        indent=2,
    )


def _name(metric: dict[str, Any]) -> str:
    from dashboard import words

    return words.metric_text(metric["metric"], metric["parameters"])


def _value(metric: dict[str, Any]) -> str:
    from dashboard import words

    if metric["value"] is None:
        return metric["status"]
    value = words.quantity_text(metric["metric"], metric["value"], metric["uncertainty"], metric["unit"])
    return value if metric["status"] == "ok" else f"{value} ({metric['status']})"


def _reasons(metrics: list[dict[str, Any]]) -> None:
    """Why there is no value, each reason once with the metrics it holds for."""
    from dashboard import words

    lacking: dict[tuple[str, str], list[str]] = {}
    for metric in metrics:
        if metric["status"] != "ok" and metric["reason"]:
            names = lacking.setdefault((metric["status"], metric["reason"].rstrip(".")), [])
            label = words.metric_label(metric["metric"])
            if label not in names:
                names.append(label)
    for (status, reason), names in lacking.items():
        say(f"{status[0].upper()}{status[1:]}: {words.listed(names)}: {reason}.", indent=2)


def _metadata(summary: dict[str, Any], zone: str) -> None:
    from dashboard import words

    heading("Recorded with it")
    rows: list[tuple[str, Any, str]] = []
    unknown: list[str] = []
    for name, entry in summary["metadata"].items():
        if name in NOT_FOR_PEOPLE:
            continue
        label: str = FIELD_WORDS.get(name) or name.replace("_", " ")
        value = local_text(entry["value"], zone) if name == "started_at" and entry["value"] else entry["value"]
        if value in (None, ""):
            unknown.append(label)
        else:
            rows.append((label, value, entry["origin"]))
    if rows:
        table(("what", "value", "origin"), rows, indent=2)
    if unknown:
        say(f"Not recorded: {words.listed(unknown)}.", indent=2)


def add_to(app: typer.Typer) -> None:
    app.command("show")(show)
