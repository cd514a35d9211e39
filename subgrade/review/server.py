"""What the server answers, and how it begins and ends.

Addresses, all below ``http://127.0.0.1:PORT/TOKEN/`` (docs/review.md): the page, ``frame/N``,
``tile/N/LEVEL/COLUMN/ROW``, ``state``, and by POST ``mark`` and ``undo``.
"""

from __future__ import annotations

import asyncio
import json
import math
import os
import secrets
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import asdict
from importlib.resources import files

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from subgrade.errors import NotWritten, SubgradeError, UnreadableFile, UsageError
from subgrade.plaintext import printable
from subgrade.report import ReviewedPage, reviewed_page
from subgrade.review.connections import MOST_CONNECTIONS, BoundedProtocol
from subgrade.review.decoded import Unasked
from subgrade.review.guard import MOST_HEAD, Application, Guard, Refused
from subgrade.review.journal import TABLE, MarksJournal, read_table
from subgrade.review.model import Opened
from subgrade.review.night import ReviewedNight, followed_marks
from subgrade.review.stretch import Stretch
from subgrade.review.subs import Subs
from subgrade.review.writing import REGRADED, FollowingFiles

SCRIPTS = (
    "look.js",
    "link.js",
    "tiles.js",
    "view.js",
    "softness.js",
    "overlay.js",
    "queue.js",
    "marking.js",
    "follow.js",
    "lookbox.js",
    "begin.js",
)
STYLES = ("review.css",)
"""Files of this folder that the page has beyond its own, in their order."""
END_S = 2.0
"""Answers still going out at the end get so long."""
MOST_AHEAD = 4
"""Frames that a page may name to be read ahead."""

Begun = Callable[[str, Callable[[], None]], None]
"""Called once the server answers, with the address and with what ends the server."""


class Answers:
    """The answers to what the page asks.

    Parameters
    ----------
    night : ReviewedNight
    subs : Subs
    following : FollowingFiles
    make_page : callable
        Makes the page, which takes seconds of a long night.
    """

    def __init__(
        self,
        night: ReviewedNight,
        subs: Subs,
        following: FollowingFiles,
        make_page: Callable[[], ReviewedPage],
    ):
        self._make_page = make_page
        self._night = night
        self._subs = subs
        self._following = following
        self._marking = asyncio.Lock()
        self._last = 0

    def begin(self) -> None:
        """Make the page, and read the best frames, before anybody asks."""
        self._page = asyncio.create_task(asyncio.to_thread(self._make_page))
        self._subs.begin()

    async def page(self, request: Request) -> Response:
        """The report page with the state of the marks in it."""
        page = await asyncio.shield(self._page)
        state = await asyncio.to_thread(self._state)
        headers = {"content-security-policy": page.policy}
        return Response(page.text(state), media_type="text/html", headers=headers)

    async def frame(self, request: Request) -> Response:
        """What is known of a frame; the frames beside it are read ahead."""
        index = self._index(request)
        why = await asyncio.to_thread(self._subs.missing, index)
        if why:
            raise Refused(404, why)
        try:
            found = await asyncio.to_thread(self._night.frame, index)
        except ValueError as error:
            raise Refused(404, str(error)) from error
        self._subs.decoded.ahead(index, self._ahead(request, index, found["best"]))
        return JSONResponse(found)

    async def tile(self, request: Request) -> Response:
        """A part of a frame as a picture."""
        index = self._index(request)
        place = tuple(int(request.path_params[name]) for name in ("level", "column", "row"))
        stretch = self._stretch(request, index)
        try:
            picture = await self._subs.tile(index, place, stretch, request.is_disconnected)
        except IndexError as error:
            raise Refused(404, "no such tile") from error
        except UnreadableFile as error:
            raise Refused(404, error.cause) from error
        except Unasked:
            return Response(status_code=204)  # nobody is there to see it
        return Response(picture, media_type="image/jpeg")

    async def mark(self, request: Request) -> Response:
        """Lay a mark on a frame."""
        asked = await _object(request, {"frame", "word"})
        index, word = asked["frame"], asked["word"]
        if type(index) is not int or not 0 <= index < len(self._night.served.frames):
            raise Refused(404, "no such frame")
        if word is not None and not isinstance(word, str):
            raise Refused(400, "a mark is keep, reject or null")
        return await self._changed(lambda: self._night.mark(index, word))

    async def undo(self, request: Request) -> Response:
        """Take the last mark back."""
        await _object(request, set())
        return await self._changed(self._night.undo)

    async def state(self, request: Request) -> Response:
        """The marks and what follows from them."""
        return JSONResponse(await asyncio.to_thread(self._state))

    async def _changed(self, change: Callable[[], None]) -> Response:
        """The state after a change of the marks, which is on the disk by then."""

        def changed() -> dict:
            change()
            self._following.marked()
            return self._state()

        async with self._marking:
            if self._following.regraded:
                raise Refused(409, REGRADED)
            try:
                return JSONResponse(await asyncio.to_thread(changed))
            except ValueError as error:
                raise Refused(409, str(error)) from error
            except NotWritten as error:
                raise Refused(507, f"the mark is not kept: {error}") from error

    def _state(self) -> dict:
        problem = REGRADED if self._following.regraded else self._following.problem
        return self._night.state() | {"problem": problem and printable(problem)}

    def _index(self, request: Request) -> int:
        index = int(request.path_params["index"])
        if index >= len(self._night.served.frames):
            raise Refused(404, "no such frame")
        return index

    def _stretch(self, request: Request, index: int) -> Stretch:
        """The curve asked for, that of the group where nothing is asked."""
        values = asdict(self._night.stretch(self._night.served.frames[index]))
        try:
            for name, text in request.query_params.items():
                if name not in values:
                    raise ValueError(f"{name[:20]}: not known here")
                try:
                    values[name] = float(text)
                except ValueError as error:
                    raise ValueError(f"{name}: not a number") from error
            return Stretch(**values)
        except ValueError as error:
            raise Refused(400, printable(str(error))) from error

    def _ahead(self, request: Request, index: int, best: int | None) -> list[int]:
        """Frames to read while this one is looked at: those named, else the next that way."""
        count = len(self._night.served.frames)
        named = request.query_params.get("ahead", "")
        asked = [int(k) for k in named.split(",") if k.isascii() and k.isdigit()]
        back = index < self._last
        self._last = index
        steps = (-1, -2, 1) if back else (1, 2, -1)
        wanted = asked[:MOST_AHEAD] or [index + step for step in steps]
        beside = [best] if best is not None else []
        frames = self._night.served.frames
        known = [k for k in wanted if 0 <= k < count and frames[k].stars is not None]
        return [k for k in dict.fromkeys([*known[:1], *beside, *known[1:]]) if k != index]


async def _object(request: Request, names: set[str]) -> dict:
    """The body of a request, an object with these names."""
    try:
        found = json.loads(await request.body(), object_pairs_hook=_without_doubles)
    except (ValueError, RecursionError) as error:
        raise Refused(400, "the request is not JSON") from error
    if not isinstance(found, dict) or found.keys() != names:
        wanted = " and ".join(sorted(names)) or "nothing"
        raise Refused(400, f"the request must be an object that holds {wanted}")
    return found


def _without_doubles(pairs: list[tuple[str, object]]) -> dict:
    """A JSON object; a name that stands in it twice could mean either."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a name stands twice")
    return found


def application(
    answers: Answers, subs: Subs, following: FollowingFiles, begun: Callable[[], None]
) -> Starlette:
    """Everything that is served, the token taken off the paths."""

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        following.start()
        answers.begin()
        begun()
        yield
        await subs.decoded.close()
        await asyncio.to_thread(following.finish)

    tile = "/tile/{index:int}/{level:int}/{column:int}/{row:int}"
    app = Starlette(
        routes=[
            Route("/", answers.page),
            Route("/frame/{index:int}", answers.frame),
            Route(tile, answers.tile),
            Route("/state", answers.state),
            Route("/mark", answers.mark, methods=["POST"]),
            Route("/undo", answers.undo, methods=["POST"]),
        ],
        exception_handlers={Refused: _refused, 404: _not_found, SubgradeError: _failed},
        lifespan=life,
    )
    app.router.redirect_slashes = False
    return app


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)
    return JSONResponse({"error": printable(error.text)}, error.status)


def _not_found(request: Request, error: Exception) -> Response:
    return JSONResponse({"error": "not found"}, 404)


def _failed(request: Request, error: Exception) -> Response:
    return JSONResponse({"error": printable(str(error))}, 500)


def listen(port: int) -> socket.socket:
    """Listen on this machine only.

    Parameters
    ----------
    port : int
        0 takes any free one.

    Raises
    ------
    UsageError
        If the port cannot be had.
    """
    # named TCP, or asyncio leaves small answers to wait 40 ms for an acknowledgement
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name == "posix":  # elsewhere it would let two share a port
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind(("127.0.0.1", port))
        listening.listen(MOST_CONNECTIONS)  # whoever comes early waits
    except OSError as error:
        listening.close()
        raise UsageError(f"--port {port}: {error.strerror or error}") from error
    return listening


def review(opened: Opened, port: int, begun: Begun) -> str | None:
    """Serve a graded night until interrupted, and let its files follow the marks.

    Parameters
    ----------
    opened : Opened
    port : int
        0 takes any free one.
    begun : callable
        See `Begun`.

    Returns
    -------
    str or None
        Why the files do not follow the marks, if so.

    Raises
    ------
    UsageError
        If the port cannot be had.
    NotWritten
        If marks cannot be kept in the results folder.
    """
    journal = MarksJournal(opened.folder)
    other = opened.marks_file and os.path.basename(opened.marks_file) != TABLE
    journal.start(opened.marks, opened.run, bool(other), read_table(opened.folder))
    night = ReviewedNight(opened.graded, journal)
    lagging = followed_marks(night.graded) != dict(opened.marks)
    following = FollowingFiles(opened, journal, night.now, lagging)
    subs = Subs(night, opened.identities, opened.folder)

    def page() -> ReviewedPage:
        with opened.keeping():
            # in a block of their own: a name that the page has too is another's there
            scripts = ["{", *_parts(SCRIPTS), "}"]
            return reviewed_page(night.served, opened.folder, TABLE, scripts, _parts(STYLES))

    answers = Answers(night, subs, following, page)
    try:
        serve(lambda begun: application(answers, subs, following, begun), port, begun)
    finally:
        journal.close()
    return following.problem


def _parts(names: tuple[str, ...]) -> list[str]:
    return [(files("subgrade.review") / name).read_text("utf-8") for name in names]


def serve(make: Callable[[Callable[[], None]], Application], port: int, begun: Begun) -> None:
    """Serve an application behind its guard until interrupted.

    Parameters
    ----------
    make : callable
        Makes it, given what it calls when it is ready.
    port : int
        0 takes any free one.
    begun : callable
        See `Begun`.

    Raises
    ------
    UsageError
        If the port cannot be had.
    """
    token = secrets.token_urlsafe(32)
    with listen(port) as listening:
        port = listening.getsockname()[1]
        address = f"http://127.0.0.1:{port}/{token}/"

        def answering() -> None:
            begun(address, lambda: setattr(server, "should_exit", True))

        config = uvicorn.Config(
            Guard(make(answering), port, token),
            http=BoundedProtocol,
            ws="none",
            lifespan="on",
            log_level="error",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            limit_concurrency=MOST_CONNECTIONS,
            h11_max_incomplete_event_size=MOST_HEAD,
            timeout_graceful_shutdown=math.ceil(END_S),
        )
        server = uvicorn.Server(config)
        with suppress(KeyboardInterrupt):
            server.run(sockets=[listening])
