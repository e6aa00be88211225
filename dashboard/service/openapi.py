"""What the API is, as an OpenAPI 3.1 document and as a page for people made from it."""

from __future__ import annotations

from functools import lru_cache
from html import escape
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from ingest.archive.fields import KINDS, ORIENTATIONS

PAGE_CSP = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'"

_TEXT = {"type": "string", "maxLength": 400}
_MAYBE_TEXT = {"type": ["string", "null"]}
_MAYBE_NUMBER = {"type": ["number", "null"]}

# Name -> schema and meaning of what may be said about a log.
LOG_PARAMETERS: dict[str, tuple[dict[str, Any], str]] = {
    "name": (_TEXT, "The log's file name. A label: it never becomes a path."),
    "oven": (_TEXT, "The oven, by its name in the archive. A token made for one oven sets it."),
    "profile": (_TEXT, "The profile that was run; may be new."),
    "paste": (_TEXT, "The paste, by its name."),
    "jar": (_TEXT, "The jar, by its label."),
    "board": (_TEXT, "The board type, by its name, or name and revision."),
    "kind": ({"type": "string", "enum": list(KINDS)}, "What the run was for."),
    "orientation": ({"type": "string", "enum": list(ORIENTATIONS)}, "How the rack was turned, in degrees."),
    "load_count": ({"type": "integer", "minimum": 0, "maximum": 999999}, "Boards on the rack."),
    "operator": (_TEXT, "Who ran the oven."),
    "note": ({"type": "string", "maxLength": 4000}, "A note kept with the run."),
    "started_at": (_TEXT, "Start, if the log does not tell: 2025-03-14T09:30, with an offset if of another zone."),
}


def _object(properties: dict[str, Any], required: list[str] | None = None, text: str = "") -> dict[str, Any]:
    made: dict[str, Any] = {
        "type": "object",
        "properties": properties,
        "required": list(properties) if required is None else required,
    }
    return made | ({"description": text} if text else {})


def _list(items: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items}


def _ref(name: str) -> dict[str, Any]:
    return {"$ref": f"#/components/schemas/{name}"}


_SCHEMAS: dict[str, Any] = {
    "Error": _object({"error": {"type": "string"}}, text="One line that names the way out."),
    "Channel": _object(
        {
            "name": {"type": "string"},
            "role": {"enum": ["temperature", "setpoint", "duty", "state", "reference_junction", "other"]},
            "unit_original": {"type": "string"},
            "samples": {"type": "integer"},
            "peak_c": _MAYBE_NUMBER,
            "peak_at_s": _MAYBE_NUMBER,
        }
    ),
    "StoredRun": _object(
        {
            "run": {"type": ["integer", "null"]},
            "started_at": _MAYBE_TEXT,
            "zone": _MAYBE_TEXT,
            "duration_s": {"type": "number"},
            "verdict": _MAYBE_TEXT,
            "channels": _list(_ref("Channel")),
        }
    ),
    "LogResult": _object(
        {
            "file": {"type": "string"},
            "sha256": {"type": "string"},
            "status": {"enum": ["stored", "held", "duplicate", "rejected"]},
            "reason": _MAYBE_TEXT,
            "questions": _list(
                _object(
                    {
                        "id": {"type": "string"},
                        "text": {"type": "string"},
                        "choices": _list({"type": "string"}),
                        "guess": _MAYBE_TEXT,
                    }
                )
            ),
            "warnings": _list(_object({"code": {"type": "string"}, "text": {"type": "string"}})),
            "runs": _list(_ref("StoredRun")),
        },
        text="What became of one log: the item of `ovenbook import --json`.",
    ),
    "RunRow": _object(
        {
            "run": {"type": "integer"},
            "started_at": _MAYBE_TEXT,
            "oven": _MAYBE_TEXT,
            "board": _MAYBE_TEXT,
            "verdict": _MAYBE_TEXT,
            "reason": _MAYBE_TEXT,
            "limiting_metric": _MAYBE_TEXT,
            "limiting_margin": _MAYBE_NUMBER,
            "danger": {"type": ["boolean", "null"]},
            "sha256": {"type": "string"},
        },
        text="One run: a row of `ovenbook runs --json`. Times are UTC.",
    ),
    "Run": _object(
        {
            "run": {"type": "integer"},
            "verdict": {"type": "string"},
            "reason": _MAYBE_TEXT,
            "limiting": {"type": ["object", "null"]},
            "metrics": _list({"type": "object"}),
            "limits": _list({"type": "object"}),
            "findings": _list({"type": "object"}),
            "metadata": {"type": "object"},
        },
        text="One run whole: the object of `ovenbook show N --json`.",
    ),
    "Health": _object(
        {
            "status": {"enum": ["ok", "trouble"]},
            "stored": {"type": "integer"},
            "held": {"type": "integer"},
            "rejected": {"type": "integer"},
            "duplicate": {"type": "integer"},
            "waiting": {"type": "integer", "description": "Logs kept beside the archive until it can be written."},
            "last_error": {"type": ["object", "null"]},
            "alerts_sent": {"type": "integer"},
            "alerts_lost": {"type": "integer"},
            "since": {"type": "string", "description": "Start of the service; the counters count from there."},
        },
        required=["status"],
        text="Without a sign-in, where one is asked for, only the status.",
    ),
}


def _answer(text: str, schema: dict[str, Any] | None = None) -> dict[str, Any]:
    return {"description": text, "content": {"application/json": {"schema": schema or _ref("Error")}}}


def _query(name: str, schema: dict[str, Any], text: str) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": False, "schema": schema, "description": text}


_LATER = {
    "429": _answer("Too many requests or wrong passwords; Retry-After says how long to wait."),
    "503": _answer("Not now; Retry-After says when to try again."),
}
_NOBODY = {"401": _answer("No access: token or sign-in missing, wrong or revoked.")}


@lru_cache(maxsize=1)
def document() -> dict[str, Any]:
    """The OpenAPI 3.1 document."""
    results = _list(_ref("LogResult"))
    whole = {"type": "integer", "minimum": 1, "maximum": 999999999}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Ovenbook",
            "version": _version(),
            "description": "Logs of small reflow ovens go in, runs with their verdicts come out.",
        },
        "paths": {
            "/api/logs": {
                "post": {
                    "operationId": "addLog",
                    "summary": "Add a log",
                    "description": "The body is the log as the controller wrote it, or a .gz or .zip file. What is known "
                    "of the run may be said in the query, or in headers: Ovenbook-Oven, Ovenbook-Load-Count and so on. "
                    "200 and 202 mean that it is on the disk. After any other answer, or none, keep it and send it again: "
                    "the same bytes are recognised and stored once.",
                    "security": [{"token": []}, {"signIn": []}, {}],
                    "parameters": [_query(name, *rest) for name, rest in LOG_PARAMETERS.items()],
                    "requestBody": {
                        "required": True,
                        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
                    },
                    "responses": {
                        "200": _answer("Stored, or in the archive already.", results),
                        "202": _answer("Held: a question must be answered first, or the archive is busy.", results),
                        "401": _NOBODY["401"],
                        "403": _answer("A page of another site may not use this service."),
                        "408": _answer("The log took too long to arrive."),
                        "413": _answer("Larger than 64 MiB."),
                        "422": _answer(
                            "Rejected: not an oven log, or a name or value in the request that is not known.",
                            {"anyOf": [results, _ref("Error")]},
                        ),
                        **_LATER,
                    },
                }
            },
            "/api/runs": {
                "get": {
                    "operationId": "listRuns",
                    "summary": "List runs, the last stored first",
                    "security": [{"signIn": []}, {}],
                    "parameters": [
                        _query("last", whole, "At most so many; 100 if not said, never more than 1000."),
                        _query("before", whole, "Only runs with a smaller number: the next page."),
                        _query("oven", _TEXT, "Only this oven."),
                        _query("board", _TEXT, "Only this board type."),
                        _query("verdict", _TEXT, "Only this verdict."),
                    ],
                    "responses": {
                        "200": _answer("The runs.", _list(_ref("RunRow"))),
                        "422": _answer("A parameter that is not known, or no number."),
                        **_NOBODY,
                        **_LATER,
                    },
                }
            },
            "/api/runs/{run}": {
                "get": {
                    "operationId": "showRun",
                    "summary": "One run with its metrics, limits and findings",
                    "security": [{"signIn": []}, {}],
                    "parameters": [
                        {
                            "name": "run",
                            "in": "path",
                            "required": True,
                            "schema": {"type": "integer", "minimum": 1, "maximum": 2147483647},
                            "description": "Its number.",
                        }
                    ],
                    "responses": {
                        "200": _answer("The run.", _ref("Run")),
                        "404": _answer("There is no such run."),
                        **_NOBODY,
                        **_LATER,
                    },
                }
            },
            "/api/health": {
                "get": {
                    "operationId": "health",
                    "summary": "Whether the service works, and what it has done since its start",
                    "security": [{}],
                    "responses": {
                        "200": _answer("It works.", _ref("Health")),
                        "503": _answer("The archive cannot be opened.", _ref("Health")),
                    },
                }
            },
        },
        "components": {
            "schemas": _SCHEMAS,
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "A controller's token. It can add logs and nothing else.",
                },
                "signIn": {"type": "http", "scheme": "basic", "description": "A person's name and password."},
            },
        },
    }


def _version() -> str:
    try:
        return version("ovenbook")
    except PackageNotFoundError:
        return "0"


_EXAMPLE = """curl --data-binary @bake-0412.csv \\
  -H "Authorization: Bearer $OVENBOOK_TOKEN" \\
  "http://127.0.0.1:8501/api/logs?name=bake-0412.csv&oven=Bench%20oven\""""


@lru_cache(maxsize=1)
def page() -> str:
    """The document as a plain page, without a script."""
    told = document()
    parts = [
        "<!doctype html><html lang='en'><head><meta charset='utf-8'><title>API · Ovenbook</title>",
        "<meta name='viewport' content='width=device-width'>",
        "<style>body{font:16px/1.5 system-ui,sans-serif;color:#20242a;max-width:50rem;margin:2rem auto;padding:0 1rem}",
        "table{border-collapse:collapse}td,th{text-align:left;vertical-align:top;padding:.2rem 1rem .2rem 0}",
        "pre,code{background:#f4f5f6}pre{padding:.6rem;overflow:auto}</style></head><body>",
        f"<h1>Ovenbook API</h1><p>{escape(told['info']['description'])} For programs: "
        "<a href='/api/openapi.json'>openapi.json</a>. <a href='/'>Back to the pages</a></p>",
        f"<pre>{escape(_EXAMPLE)}</pre>",
    ]
    for path, methods in told["paths"].items():
        for method, about in methods.items():
            parts.append(f"<h2><code>{method.upper()} {escape(path)}</code></h2><p>{escape(about['summary'])}.</p>")
            if "description" in about:
                parts.append(f"<p>{escape(about['description'])}</p>")
            rows = [(p["name"], p["description"]) for p in about.get("parameters", ())]
            parts.append(_rows("May be said", rows) if rows else "")
            parts.append(_rows("Answers", [(code, a["description"]) for code, a in about["responses"].items()]))
    parts.append("<h2>What comes back</h2>")
    for name, schema in told["components"]["schemas"].items():
        if "properties" in schema:
            fields = ", ".join(escape(key) for key in schema["properties"])
            parts.append(f"<p><strong>{escape(name)}</strong>: {fields}. {escape(schema.get('description', ''))}</p>")
    return "\n".join([*parts, "</body></html>"])


def _rows(title: str, rows: list[tuple[str, str]]) -> str:
    cells = "".join(f"<tr><td><code>{escape(a)}</code></td><td>{escape(b)}</td></tr>" for a, b in rows)
    return f"<table><thead><tr><th colspan='2'>{title}</th></tr></thead><tbody>{cells}</tbody></table>"
