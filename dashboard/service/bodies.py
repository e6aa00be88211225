"""Reading what a request carries, with an end: of bytes and of time."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.requests import Request

BODY_S = 120.0  # 64 MB over a poor radio link; a sender that dawdles longer is not sending a log


async def read_body(request: Request, limit: int) -> bytes | None:
    """The body, or None when it is longer than `limit` bytes.

    Raises TimeoutError when it takes longer than `BODY_S` [s], ClientDisconnect when the sender goes.
    """
    said = request.headers.get("content-length", "")
    if said.isascii() and said.isdigit() and int(said[:20]) > limit:
        return None
    body = bytearray()
    async with asyncio.timeout(BODY_S):
        async for piece in request.stream():  # a body in chunks says no length
            body += piece
            if len(body) > limit:
                return None
    return bytes(body)
