"""The command line explains itself: every command has help with an example that can be copied, wrong usage is one line and
exit status 2, and a start without work imports nothing heavy."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

from dashboard import cli

# Written out from the contract, so that a command that vanishes is missed.
PROMISED = {
    *("demo", "import", "held", "answer", "watch", "capture", "serve", "runs", "show", "inspect", "set", "event add"),
    *("event list", "rebuild", "verify", "backup", "restore", "reevaluate", "oven add", "oven list", "oven set"),
    *("paste add", "paste list", "jar open", "jar list", "board add", "board list", "layout list", "layout correct"),
    *("layout forget",),
}
READING = (
    "held",
    "runs",
    "show",
    "oven list",
    "paste list",
    "jar list",
    "board list",
    "event list",
    "layout list",
    "verify",
)


def commands(group: Any = None, path: tuple[str, ...] = ()) -> dict[str, Any]:
    """Every command by its full name."""
    group = group if group is not None else typer.main.get_command(cli.app)
    found: dict[str, Any] = {}
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            found |= commands(command, (*path, name))
        else:
            found[" ".join((*path, name))] = command
    return found


ALL = commands()


def examples(command: Any) -> list[str]:
    """The example lines of a command's help; a line ending in a backslash goes on."""
    text = (command.help or "").replace("\\\n", " ")
    return [line.strip() for line in text.splitlines() if line.strip().startswith("ovenbook ")]


def options(command: Any) -> set[str]:
    return {name for parameter in command.params for name in (*parameter.opts, *parameter.secondary_opts)}


def test_every_promised_command_is_there() -> None:
    assert set(ALL) >= PROMISED


@pytest.mark.parametrize("name", sorted(ALL))
def test_help_says_what_it_does_and_shows_an_example(name: str) -> None:
    result = CliRunner().invoke(cli.app, [*name.split(), "--help"])
    assert result.exit_code == 0
    assert "Example" in result.output
    assert f"ovenbook {name}" in result.output
    first = (ALL[name].help or "").strip().splitlines()[0]
    assert first.endswith((".", ":"))
    assert len(first) <= 78  # shown whole in the list of commands
    for parameter in ALL[name].params:
        if parameter.name != "help":
            assert getattr(parameter, "help", ""), f"{parameter.name} of {name} is not explained"


@pytest.mark.parametrize("name", sorted(ALL))
def test_examples_name_existing_options(name: str) -> None:
    shown = examples(ALL[name])
    assert shown
    for line in shown:
        words = shlex.split(line)[1:]
        assert words[: len(name.split())] == name.split()
        for word in words:
            if word.startswith("--"):
                assert word.split("=")[0] in options(ALL[name]) | {"--archive"}, line


@pytest.mark.parametrize("name", READING)
def test_reading_commands_speak_json(name: str) -> None:
    assert "--json" in options(ALL[name])


@pytest.mark.parametrize(
    "arguments",
    [
        ["nonsense"],
        ["runs", "--nonsense"],
        ["show"],
        ["import"],
        ["import", "-", "a.csv"],
        ["import", "-", "--metadata", "sheet.csv"],
        ["inspect"],
        ["inspect", "1", "--looked", "none"],
        ["event", "add", "Oven A", "explosion"],
        ["paste", "add", "Nameless", "--peak", "235:250"],
        ["paste", "add", "P", "--alloy", "SAC305", "--peak", "250:235", "--source", "s"],
        ["paste", "add", "P", "--alloy", "SAC305", "--peak", "235:250"],
        ["answer", "7", "unit"],
        ["jar", "open", "J1"],
    ],
    ids=" ".join,
)
def test_wrong_usage_is_one_line_and_status_2(arguments: list[str], tmp_path: Any) -> None:
    done = ovenbook("--archive", str(tmp_path / "a.duckdb"), *arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("ovenbook: ")
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def ovenbook(*arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dashboard.cli", *arguments], capture_output=True, text=True, check=False, **more
    )


def test_no_arguments_shows_the_way_in() -> None:
    done = ovenbook()
    assert "ovenbook demo" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_help_has_no_drawing_in_a_pipe() -> None:
    text = ovenbook("--help").stdout
    assert not set(text) & set("─│╭╮╰╯┌┐└┘━┃\x1b")


@pytest.mark.parametrize("arguments", [["--help"], ["import", "--help"], ["--version"]], ids=" ".join)
def test_a_start_without_work_imports_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys, json\nfrom dashboard import cli\n"
        f"sys.argv = ['ovenbook', *{arguments!r}]\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(json.loads(done.stderr.splitlines()[-1]))
    assert not loaded & {"pandas", "numpy", "duckdb", "pyarrow", "streamlit", "altair", "scipy", "sklearn", "rich"}


def test_the_archive_option_may_stand_after_the_command() -> None:
    assert cli.hoisted(["runs", "--archive", "a.duckdb", "--json"]) == ["--archive", "a.duckdb", "runs", "--json"]
    assert cli.hoisted(["runs", "--archive=a.duckdb"]) == ["--archive=a.duckdb", "runs"]
    assert cli.hoisted(["import", "--", "--archive"]) == ["import", "--", "--archive"]
