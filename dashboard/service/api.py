"""The service's API for controllers and programs: logs go in, runs come out. `openapi` describes it; both say the same."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from dashboard.service import journal, openapi
from dashboard.service.access import Gate
from dashboard.service.bodies import read_body
from dashboard.service.desk import PLAIN_OPTIONS, Desk, NotKept, options_from
from dashboard.service.guard import HEALTH, LOGS, basic_of, client, session_of
from dashboard.service.limits import Rate, address_key
from ingest.archive import ArchiveBusy, ArchiveError
from ingest.import_result import ImportResult
from ingest.importing import OptionsError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

MAX_LOG_BYTES = 64 * 1024 * 1024  # a week at 1 s with eight channels is 40 MB
MAX_VALUE = 400  # characters of a name or time
MAX_NOTE = 4000
NAMES = ("name", *PLAIN_OPTIONS, "load_count")
HEADER = "Ovenbook-"  # a controller that cannot build a query can send Ovenbook-Oven: ...
# A controller sends a log an hour; a folder of old ones comes as fast as it is stored. More is a loop gone wrong.
LOGS_PER_S, LOGS_BURST = 20.0, 100
READS_PER_S, READS_BURST = 20.0, 100
AT_ONCE = 4  # bodies held in memory, each up to MAX_LOG_BYTES
MOST_RUNS = 1000


@dataclass(frozen=True)
class Api:
    """The routes for one desk and its gate."""

    desk: Desk
    gate: Gate

    def routes(self) -> list[BaseRoute]:
        from starlette.requests import ClientDisconnect
        from starlette.responses import HTMLResponse, JSONResponse
        from starlette.routing import Route

        adding, reading = Rate(LOGS_PER_S, LOGS_BURST), Rate(READS_PER_S, READS_BURST)
        bodies = asyncio.Semaphore(AT_ONCE)
        # Two pools: a log that waits for the archive keeps nobody from reading or being asked for a token.
        storing = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="storing")
        asking = ThreadPoolExecutor(2 * AT_ONCE, thread_name_prefix="asking")

        async def in_thread(work: Callable[[], Any], pool: ThreadPoolExecutor = asking) -> Any:
            return await asyncio.get_running_loop().run_in_executor(pool, work)

        async def add_log(request: Request) -> Response:
            refused, controller, oven = await in_thread(partial(self._sender, request))
            if refused is not None:
                return refused
            key = controller or address_key(client(request.scope))
            if wait := adding.wait_s(key):
                return _later(429, "too many logs at once from this sender", wait)
            try:
                given = given_with(request)
                if request.headers.get("content-encoding", "identity").lower() != "identity":
                    raise OptionsError("send the log as it is, or as a .gz or .zip file, without Content-Encoding")
            except OptionsError as error:
                return _error(422, str(error))
            if bodies.locked() and not await _soon(bodies):
                return _later(503, "too many logs are coming in just now", 5)
            async with bodies:
                try:
                    body = await read_body(request, MAX_LOG_BYTES)
                except TimeoutError:
                    return _error(408, "the log took too long to arrive")
                except ClientDisconnect:
                    return _error(400, "the log did not arrive whole")  # nobody is there to read it
                if body is None:
                    return _error(413, f"a log can have {MAX_LOG_BYTES} bytes at most")
                name = given.pop("name", "log")
                who = f"controller {controller}" if controller else "network"
                try:
                    options = options_from(given, oven, who)
                    results = await in_thread(partial(self.desk.take, body, name, options, controller), storing)
                except OptionsError as error:
                    return _error(422, str(error))
                except NotKept as error:
                    return _later(503, str(error), 30)
            return JSONResponse([result.to_json() for result in results], status_of(results))

        async def runs(request: Request) -> Response:
            if wait := reading.wait_s(address_key(client(request.scope))):
                return _later(429, "too many requests", wait)
            return await self._read(in_thread, partial(self._runs, dict(request.query_params)))

        async def run(request: Request) -> Response:
            if wait := reading.wait_s(address_key(client(request.scope))):
                return _later(429, "too many requests", wait)
            return await self._read(in_thread, partial(self._run, request.path_params["run"]))

        async def health(request: Request) -> Response:
            whole = not self.gate.asks_people() or await in_thread(partial(self._is_known, request))
            facts = await in_thread(partial(self.desk.health, whole))
            return JSONResponse(facts, 200 if facts["status"] == "ok" else 503, {"Cache-Control": "no-store"})

        async def document(_: Request) -> Response:
            return JSONResponse(openapi.document())

        async def page(_: Request) -> Response:
            return HTMLResponse(openapi.page(), headers={"Content-Security-Policy": openapi.PAGE_CSP})

        async def nothing(_: Request) -> Response:
            return _error(404, "there is no such address; /api lists those there are")

        read = ["GET"]
        return [
            *_only(LOGS, add_log, ["POST"]),
            *_only("/api/runs", runs, read),
            *_only("/api/runs/{run}", run, read),
            *_only(HEALTH, health, read),
            *_only("/api/openapi.json", document, read),
            *_only("/api", page, read),
            Route("/api/{rest:path}", nothing, methods=["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"]),
        ]

    def _sender(self, request: Request) -> tuple[Response | None, str | None, str | None]:
        """(a refusal or None, the controller's name, its oven). A person signed in may add logs too."""
        if not self.gate.asks_controllers():
            return None, None, None
        address = client(request.scope)
        kind, _, given = request.headers.get("authorization", "").partition(" ")
        token = self.gate.token(given.strip(), address) if kind.lower() == "bearer" else None
        if token is not None:
            return None, token.name, token.oven
        if self.gate.wait_s(address):
            return _later(429, "too many wrong tokens or passwords from here", 60), None, None
        if self._is_known(request):
            return None, None, None
        journal.write("token_refused", address=address)
        refusal = _error(401, "a token is needed: Authorization: Bearer TOKEN (ovenbook access token add NAME)")
        refusal.headers["WWW-Authenticate"] = 'Bearer realm="Ovenbook"'
        return refusal, None, None

    def _is_known(self, request: Request) -> bool:
        if self.gate.who(session_of(request.scope)) is not None:
            return True
        basic = basic_of(request.scope)
        address = client(request.scope)
        return basic is not None and not self.gate.wait_s(address) and self.gate.right(*basic, address) is not None

    async def _read(
        self, in_thread: Callable[[Callable[[], Any]], Awaitable[Any]], work: Callable[[], Any]
    ) -> Response:
        from starlette.responses import JSONResponse

        try:
            answer = await in_thread(work)
        except OptionsError as error:
            return _error(422, str(error))
        except ArchiveBusy:
            return _later(503, "the archive is in use: try again", 2)
        except ArchiveError as error:
            self.desk.trouble(str(error))
            return _later(503, "the archive cannot be read just now", 10)
        if answer is None:
            return _error(404, "there is no such run")
        return JSONResponse(answer, headers={"Cache-Control": "no-store"})

    def _runs(self, asked: dict[str, str]) -> list[dict[str, Any]]:
        from dashboard.commands.output import records
        from dashboard.commands.runs import COLUMNS

        unknown = sorted(set(asked) - {"last", "oven", "board", "verdict", "before"})
        if unknown:
            raise OptionsError(f"{unknown[0][:40]!r} is not one of last, before, oven, board, verdict")
        numbers = {"last": 100, "before": 2**31 - 1}
        for name in numbers:
            if name in asked:
                numbers[name] = _number(asked[name], name)
        terms, values = ["run < ?"], [numbers["before"]]
        for column in ("oven", "board", "verdict"):
            if len(asked.get(column, "")) > MAX_VALUE:
                raise OptionsError(f"{column} can have {MAX_VALUE} characters at most")
            if column in asked:
                terms.append(f"{column} = ?")
                values.append(asked[column])  # pyright: ignore[reportArgumentType]
        frame = self.desk.archive.read(
            f"SELECT {', '.join(COLUMNS)} FROM run_overview WHERE {' AND '.join(terms)} ORDER BY run DESC LIMIT ?",
            [*values, min(numbers["last"], MOST_RUNS)],
        )
        return records(frame)

    def _run(self, text: str) -> dict[str, Any] | None:
        from analysis.store import run_summary

        if not (text.isascii() and text.isdigit() and len(text) <= 10) or not 0 < int(text) < 2**31:
            return None
        if self.desk.archive.read("SELECT 1 FROM run WHERE run_id = ?", (int(text),)).empty:
            return None
        return run_summary(self.desk.archive, int(text))


def status_of(results: list[ImportResult]) -> int:
    """The HTTP status for what became of the logs of one body: the one that asks most of the sender."""
    statuses = {result.status for result in results}
    if "rejected" in statuses:
        return 422
    return 202 if "held" in statuses else 200


def given_with(request: Request) -> dict[str, str]:
    """What a request says about its log: query before header, known names only, text without control characters.

    Raises OptionsError with one line. The name is a label: nothing of it ever becomes a path.
    """
    given: dict[str, str] = {}
    for name in NAMES:
        sent = request.headers.get(HEADER + name.replace("_", "-"))
        if sent is not None:
            given[name] = _utf8(sent)
    for name, value in request.query_params.multi_items():
        if name not in NAMES:
            raise OptionsError(f"{name[:40]!r} is not one of {', '.join(NAMES)}")
        given[name] = value
    for name, value in given.items():
        longest = MAX_NOTE if name == "note" else MAX_VALUE
        if len(value) > longest:
            raise OptionsError(f"{name} can have {longest} characters at most")
        if not (value.replace("\n", " ") if name == "note" else value).isprintable():
            raise OptionsError(f"{name} holds characters that cannot be shown")
    kept = {name: value.strip() for name, value in given.items() if value.strip()}
    if "name" in kept:
        kept["name"] = kept["name"].replace("\\", "/").rstrip("/").rpartition("/")[2] or "log"
    return kept


def _utf8(sent: str) -> str:
    """A header's text: servers hand bytes on as Latin-1, senders mostly mean UTF-8."""
    try:
        return sent.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return sent


def _number(text: str, name: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 9) or int(text) < 1:
        raise OptionsError(f"{name} must be a whole number from 1")
    return int(text)


async def _soon(bodies: asyncio.Semaphore) -> bool:
    """True when a place becomes free within a few seconds."""
    for _ in range(50):
        if not bodies.locked():
            return True
        await asyncio.sleep(0.1)
    return False


def _only(path: str, handler: Callable[[Any], Awaitable[Response]], methods: list[str]) -> list[BaseRoute]:
    """The route, and a refusal for every other method: without it the pages would answer in its place."""
    from starlette.routing import Route

    async def not_this(_: Request) -> Response:
        refusal = _error(405, f"use {methods[0]} here")
        refusal.headers["Allow"] = ", ".join(methods)
        return refusal

    every = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"]
    mine = [*methods, "HEAD"] if "GET" in methods else methods
    return [
        Route(path, handler, methods=methods),
        Route(path, not_this, methods=[method for method in every if method not in mine]),
    ]


def _error(status: int, line: str) -> Response:
    from starlette.responses import JSONResponse

    return JSONResponse({"error": line}, status)


def _later(status: int, line: str, wait_s: float) -> Response:
    refusal = _error(status, line)
    refusal.headers["Retry-After"] = str(max(1, round(wait_s)))
    return refusal
