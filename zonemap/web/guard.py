"""Who may ask: this machine's own page, with the key of this run. Everything else is refused before it is read."""

from __future__ import annotations

import hmac
from collections.abc import Iterable

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: header that carries the key of this run: another page cannot read it, and cannot send it without being asked first
KEY_HEADER = "x-zonemap-key"
#: bytes of a body; the longest change is an area of 2000 corners
MOST_BYTES = 200_000

_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Middleware that lets only the page of this run through.

    Parameters
    ----------
    hosts
        Values of the Host header that are this server: another one is a name made to point here (rebinding).
    key
        Random, of this run.
    """

    def __init__(self, app: ASGIApp, *, hosts: Iterable[str], key: str) -> None:
        self.app, self.hosts, self.key = app, frozenset(hosts), key

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # a web socket is closed by leaving it unanswered

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                named = {name.lower() for name, _ in message["headers"]}
                added = [(n.encode(), v.encode()) for n, v in _HEADERS.items() if n.encode() not in named]
                message = {**message, "headers": [*message["headers"], *added]}
            await send(message)

        answer = self.refusal(Request(scope)) or self.app
        await answer(scope, receive, with_headers)

    def refusal(self, request: Request) -> Response | None:
        """Why a request is refused; ``None`` when it may pass."""
        headers = request.headers
        if headers.get("host", "") not in self.hosts:
            return refused(400, "this server is not called that")
        origin = headers.get("origin")
        if origin is not None and origin not in {f"http://{host}" for host in self.hosts}:
            return refused(403, "another page asked")
        if headers.get("sec-fetch-site", "none") not in {"same-origin", "none"}:
            return refused(403, "another page asked")
        if request.method not in {"GET", "HEAD", "POST"}:
            return refused(405, "only GET and POST are answered")
        if request.url.path.startswith("/api/") and not hmac.compare_digest(
            headers.get(KEY_HEADER, "").encode(), self.key.encode()
        ):
            return refused(403, "the key of this run is missing; open the address that the terminal shows")
        if request.method == "POST" and headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            return refused(415, "only JSON is read")
        if request.method == "POST" and not headers.get("content-length", "0").isdigit():
            return refused(400, "the length is no number")
        if request.method == "POST" and int(headers.get("content-length", "0")) > MOST_BYTES:
            return refused(413, "the request is too long")
        return None


class TooLongError(Exception):
    """A body is longer than is read."""


async def body_of(request: Request) -> bytes:
    """Read a body, however its length was stated.

    Raises
    ------
    TooLongError
        When it is longer than `MOST_BYTES`.
    """
    read = bytearray()
    async for chunk in request.stream():
        read += chunk
        if len(read) > MOST_BYTES:
            raise TooLongError
    return bytes(read)


def refused(status: int, why: str) -> JSONResponse:
    """Answer with a sentence."""
    return JSONResponse({"error": why}, status_code=status)
