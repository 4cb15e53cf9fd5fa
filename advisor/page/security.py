"""Who may talk to the server: the token, the cookie it is changed for, and what every answer says to the browser."""

import hashlib
import hmac
import os
import secrets
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from advisor.wording.page import page_text

COOKIE = "advisor"
COOKIE_S = 7 * 24 * 3600
MOST_BYTES = 16_384  # of a form; the longest one has some 3,000
TOKEN_FILE = ".advisor-page"
_HEADERS = {
    "content-security-policy": "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # without any, a browser tells no origin with a form
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
_LET_IN = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="0; url=/">'
    f'<title>{page_text("product")}</title><p><a href="/">{page_text("go-on")}</a></p></html>'
)


def kept_token(folder: Path) -> str:
    """The folder's token, the same after a restart, so that a phone goes on; a new one where it can't be kept."""
    place = folder / TOKEN_FILE
    with suppress(OSError, UnicodeDecodeError):
        token = place.read_text(encoding="ascii").strip()
        if len(token) >= 22:
            return token
    token = secrets.token_urlsafe(18)
    with suppress(OSError), open(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
        file.write(token + "\n")
    return token


def cookie_of(token: str) -> str:
    """What the cookie holds: it lets in as the token does, and the token can't be told from it."""
    return hashlib.sha256(f"cookie {token}".encode()).hexdigest()


class Guard:
    """Lets through what comes from a phone that was let in, by a known name of this server, from its own pages.

    hosts  names by which the server may be called, with their port
    """

    def __init__(self, app: ASGIApp, token: str, hosts: Iterable[str]) -> None:
        self.app, self.token, self.hosts = app, token, frozenset(hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or refuse a request."""
        if scope["type"] != "http":
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(_HEADERS)
            await send(message)

        refusal = self._refusal(Request(scope))
        if refusal is None:
            body = await _body(receive)
            refusal = None if body is not None else PlainTextResponse(page_text("too-long"), 413)
        if refusal is not None:
            await refusal(scope, receive, send_safely)
            return
        left: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive_again() -> Message:
            return left.pop() if left else await receive()

        await self.app(scope, receive_again, send_safely)

    def _refusal(self, request: Request) -> Response | None:
        """Why a request is not passed on, or what lets a phone in; None where it is passed on."""
        headers = request.headers
        if headers.getlist("host") != [headers.get("host")] or headers.get("host") not in self.hosts:
            return PlainTextResponse(page_text("other-name"), 400)
        if request.method not in ("GET", "HEAD", "POST"):
            return PlainTextResponse(page_text("refused"), 405)
        if request.url.path == "/enter" and request.method == "GET":
            return self._let_in(request.query_params.get("token", ""))
        if not _same(request.cookies.get(COOKIE, ""), cookie_of(self.token)):
            return PlainTextResponse(page_text("not-let-in"), 403)
        if request.method == "POST" and not _from_own_page(headers):
            return PlainTextResponse(page_text("foreign"), 403)
        return None

    def _let_in(self, token: str) -> Response:
        if not _same(token, self.token):
            return PlainTextResponse(page_text("not-let-in"), 403)
        answer = HTMLResponse(_LET_IN)
        answer.set_cookie(COOKIE, cookie_of(self.token), max_age=COOKIE_S, httponly=True, samesite="strict")
        return answer


def _same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), right.encode())


def _from_own_page(headers: Headers) -> bool:
    plain_form = headers.get("content-type", "").partition(";")[0].strip() == "application/x-www-form-urlencoded"
    return plain_form and headers.get("origin") == f"http://{headers['host']}"


async def _body(receive: Receive) -> bytes | None:
    """The body of a request; None where it is too long."""
    body, more = b"", True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            return None
        body, more = body + message.get("body", b""), message.get("more_body", False)
        if len(body) > MOST_BYTES:
            return None
    return body
