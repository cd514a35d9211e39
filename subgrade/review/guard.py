"""Who may ask, and for how much: every request passes here before anything is done for it.

Other pages that the browser has open, other users of the machine and names that lead to this
address from elsewhere must get nothing: see docs/review.md.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import re
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

METHODS = ("GET", "HEAD", "POST")
PLACE = re.compile(rb"[A-Za-z0-9/]{0,80}")
"""What may stand behind the token; nothing in it needs decoding."""
MOST_HEAD, MOST_QUERY, MOST_BODY = 16 * 1024, 300, 2000
"""Bytes; what the page sends has a third of it at most."""
BODY_S = 10.0
"""A body that takes longer is not waited for."""
HEADERS = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)
POLICY = b"default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
"""Of every answer that states none of its own."""


class Refused(Exception):
    """A request that is answered with an error.

    Parameters
    ----------
    status : int
    text : str
        Why, for a person.
    """

    def __init__(self, status: int, text: str):
        self.status, self.text = status, text
        super().__init__(text)


class Guard:
    """An application behind its guard.

    Parameters
    ----------
    application : callable
        ASGI; sees paths without the token.
    port : int
        Where the server listens.
    token : str
        First part of every path.
    """

    def __init__(self, application: Application, port: int, token: str):
        self._application = application
        self._token = token.encode("ascii")
        self._hosts = {f"{name}:{port}".encode() for name in ("127.0.0.1", "localhost", "[::1]")}
        self._origins = {b"http://" + host for host in self._hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._application(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        send = with_headers(send)
        try:
            self._check_sender(scope)
            path = self._place(scope)
            body = await _body(scope, receive) if scope["method"] == "POST" else b""
        except Refused as refusal:
            await answer(send, refusal)
            return
        scope = {**scope, "path": path, "raw_path": path.encode("ascii")}
        await self._application(scope, _given(body, receive), send)

    def _check_sender(self, scope: Scope) -> None:
        """Only the page itself asks for anything but the page.

        Raises
        ------
        Refused
        """
        if sum(len(name) + len(value) for name, value in scope["headers"]) > MOST_HEAD:
            raise Refused(431, "the request's head is too long")
        named: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            named.setdefault(name.lower(), []).append(value.strip())
        hosts = named.get(b"host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            raise Refused(403, "this server answers only as 127.0.0.1 or localhost")
        origins = named.get(b"origin", [])
        if any(origin not in self._origins for origin in origins):
            raise Refused(403, "another page asked")
        method = scope["method"]
        sites = named.get(b"sec-fetch-site", [])
        own = all(site in (b"same-origin", b"none") for site in sites)
        if method == "POST":
            if len(origins) != 1 or any(site != b"same-origin" for site in sites):
                raise Refused(403, "only the page itself may mark frames")
        elif not own and named.get(b"sec-fetch-mode", [b"navigate"]) != [b"navigate"]:
            raise Refused(403, "another page asked")
        if method not in METHODS:
            raise Refused(405, "only GET, HEAD and POST are known here")

    def _place(self, scope: Scope) -> str:
        """The path behind the token.

        Raises
        ------
        Refused
            The same for whatever is not there, token included.
        """
        raw = scope.get("raw_path") or b""
        first, slash, rest = raw.removeprefix(b"/").partition(b"/")
        known = hmac.compare_digest(first, self._token)
        if not (known and slash and PLACE.fullmatch(rest)):
            raise Refused(404, "not found")
        if len(scope.get("query_string", b"")) > MOST_QUERY:
            raise Refused(414, "the query is too long")
        return "/" + rest.decode("ascii")


async def _body(scope: Scope, receive: Receive) -> bytes:
    """The whole body.

    Raises
    ------
    Refused
        If it is too long, or does not come.
    """
    if _claimed(scope) > MOST_BODY:
        raise Refused(413, "the request is too long")
    body = b""
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    raise Refused(400, "the request ended early")
                body += message.get("body", b"")
                if len(body) > MOST_BODY:
                    raise Refused(413, "the request is too long")
                if not message.get("more_body", False):
                    return body
    except TimeoutError as error:
        raise Refused(408, "the request took too long") from error


def _claimed(scope: Scope) -> int:
    """The length that a request states of its body; 0 where none is stated."""
    stated = [value for name, value in scope["headers"] if name.lower() == b"content-length"]
    return max((int(value) for value in stated if value.isdigit()), default=0)


def _given(body: bytes, receive: Receive) -> Receive:
    """A body already received, then what comes behind it."""
    waiting = [{"type": "http.request", "body": body, "more_body": False}]

    async def given() -> Message:
        return waiting.pop() if waiting else await receive()

    return given


def with_headers(send: Send) -> Send:
    """Add the headers that every answer has."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", []))
            stated = {name.lower() for name, _ in headers}
            headers += [pair for pair in HEADERS if pair[0] not in stated]
            if b"content-security-policy" not in stated:
                headers.append((b"content-security-policy", POLICY))
            message = {**message, "headers": headers}
        await send(message)

    return sending


async def answer(send: Send, refusal: Refused) -> None:
    """Say why a request is refused; the connection ends with it."""
    text = json.dumps({"error": refusal.text}).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(text)).encode()),
        (b"connection", b"close"),
    ]
    if refusal.status == 405:
        headers.append((b"allow", ", ".join(METHODS).encode()))
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    await send({"type": "http.response.body", "body": text})
