"""The page on which people sign in: one form, no script, nothing of the archive on it."""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from dashboard.service import journal
from dashboard.service.access import SESSION_S, Gate
from dashboard.service.bodies import read_body
from dashboard.service.guard import COOKIE, SIGN_IN, client, session_of

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

_FORM_BYTES = 8192
_CSP = "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Sign in · Ovenbook</title>
<style>body{{font:16px/1.5 system-ui,sans-serif;color:#20242a;max-width:22rem;margin:12vh auto;padding:0 1rem}}
label{{display:block;margin:1rem 0 .25rem}}input{{font:inherit;width:100%;box-sizing:border-box;padding:.4rem}}
button{{font:inherit;margin-top:1.25rem;padding:.45rem 1.2rem}}</style></head>
<body><h1>Ovenbook</h1>{line}
<form method="post" action="{action}"><input type="hidden" name="next" value="{next}">
<label for="name">Name</label><input id="name" name="name" autocomplete="username" required autofocus>
<label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password" required>
<button>Sign in</button></form>
<p>Forgotten? On the computer that serves this: <code>ovenbook access password NAME</code></p></body></html>
"""

# A link alone does not sign anybody out: another site could hold one.
_OUT = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Sign out · Ovenbook</title></head>
<body style="font:16px/1.5 system-ui,sans-serif;max-width:22rem;margin:12vh auto">
<form method="post" action="/signout"><button>Sign out</button></form></body></html>
"""


def routes(gate: Gate) -> list[BaseRoute]:
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import HTMLResponse, RedirectResponse
    from starlette.routing import Route

    async def show(request: Request) -> Response:
        return _page("", _safe_next(request.query_params.get("next", "/")), 200)

    async def sign_in(request: Request) -> Response:
        body = await read_body(request, _FORM_BYTES)
        given = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True) if body is not None else {}
        name, password = (given.get(key, [""])[0] for key in ("name", "password"))
        to = _safe_next(given.get("next", ["/"])[0])
        address = client(request.scope)
        if gate.wait_s(address):
            return _page("Too many wrong passwords from here. Wait a minute.", to, 429)
        person = await run_in_threadpool(gate.right, name, password, address)
        if person is None:
            # The name is not written: people type passwords into the wrong field.
            journal.write("sign_in_refused", address=address)
            return _page("Name or password is wrong.", to, 403)
        answer = RedirectResponse(to, 303)
        answer.set_cookie(
            COOKIE,
            gate.sign_in(person),
            max_age=int(SESSION_S),
            httponly=True,
            samesite="lax",
            secure=request.url.scheme == "https",
        )
        journal.write("sign_in", name=person.name, address=address)
        return answer

    async def ask_out(_: Request) -> Response:
        return HTMLResponse(_OUT, headers={"Content-Security-Policy": _CSP, "Cache-Control": "no-store"})

    async def sign_out(request: Request) -> Response:
        gate.sign_out(session_of(request.scope) or "")
        answer = RedirectResponse(SIGN_IN, 303)
        answer.delete_cookie(COOKIE)
        return answer

    return [
        Route(SIGN_IN, show, methods=["GET"]),
        Route(SIGN_IN, sign_in, methods=["POST"]),
        Route("/signout", ask_out, methods=["GET"]),
        Route("/signout", sign_out, methods=["POST"]),
    ]


def _safe_next(to: str) -> str:
    """A page of this service to go on to; anything else leads to the first page."""
    return to if re.fullmatch(r"/(?!/)[\w\-/]*(\?[\w\-=&%.+]*)?", to, re.ASCII) and len(to) < 500 else "/"


def _page(line: str, to: str, status: int) -> Response:
    from starlette.responses import HTMLResponse

    html = _PAGE.format(
        line=f'<p role="alert"><strong>{escape(line)}</strong></p>' if line else "",
        action=SIGN_IN,
        next=escape(to, quote=True),
    )
    return HTMLResponse(html, status, {"Content-Security-Policy": _CSP, "Cache-Control": "no-store"})
