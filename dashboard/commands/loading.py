"""Which file holds which command, and loading only the file that is needed.

Building a command costs about a millisecond for each of its options; building all of them would be a quarter of the
time from `ovenbook import` to the verdict. Help loads them all.
"""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping
from importlib import import_module
from typing import Any

import typer
import typer.main

# Command or group -> file of this folder, in the order of work: take in, look, record, run, keep. A later command is one
# more file with its own add_to and a line here.
FILES: dict[str, str] = {
    "demo": "demo",
    "import": "imports",
    "held": "questions",
    "answer": "questions",
    "watch": "standing",
    "capture": "standing",
    "serve": "standing",
    "access": "access",
    "runs": "runs",
    "show": "show",
    "drift": "drift",
    "compare": "compare",
    "inspect": "inspections",
    "defects": "defects",
    "set": "corrections",
    "event": "events",
    "oven": "reference",
    "paste": "pastes",
    "jar": "jars",
    "board": "boards",
    "window": "windows",
    "profile": "profiles",
    "layout": "layouts",
    "sheet": "sheet",
    "export": "export",
    "publish": "publish",
    "fleet": "fleet",
    "verify": "care",
    "backup": "care",
    "restore": "care",
    "rebuild": "care",
    "reevaluate": "care",
}


class LoadedWhenNeeded(MutableMapping[str, Any]):
    """The commands by name; a command's file is imported when the command is asked for."""

    def __init__(self) -> None:
        self._built: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._built:
            if name not in FILES:
                raise KeyError(name)
            app = typer.Typer(rich_markup_mode=None)
            import_module(f"dashboard.commands.{FILES[name]}").add_to(app)
            self._built.update(typer.main.get_group(app).commands)
        return self._built[name]

    def __setitem__(self, name: str, command: Any) -> None:
        self._built[name] = command

    def __delitem__(self, name: str) -> None:
        del self._built[name]

    def __iter__(self) -> Iterator[str]:
        return iter(FILES)

    def __len__(self) -> int:
        return len(FILES)

    def __contains__(self, name: object) -> bool:
        return name in FILES
