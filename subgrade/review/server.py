"""The server: what may be asked of it, and by whom."""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable
from functools import lru_cache
from importlib.resources import files

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from subgrade import lights
from subgrade.report import reviewed_page
from subgrade.review.levels import levels_of
from subgrade.review.night import ReviewedNight
from subgrade.review.stretch import Stretch, encoded

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


def application(night: ReviewedNight, token: str) -> Starlette:
    """Everything that is served, below ``/TOKEN/``."""
    frames = night.served.frames

    @lru_cache(maxsize=4)
    def levels(index: int):
        return levels_of(lights.read_light(night.path(index)))

    def page(request: Request) -> Response:
        return Response(
            reviewed_page(night.served, night.state(), _parts(SCRIPTS), _parts(STYLES)),
            media_type="text/html",
        )

    def frame(request: Request) -> Response:
        index = request.path_params["index"]
        if index >= len(frames):
            return JSONResponse({"error": "no such frame"}, 404)
        return JSONResponse(night.frame(index))

    def tile(request: Request) -> Response:
        place = request.path_params
        own = night.stretch(frames[place["index"]])
        asked = {
            name: float(request.query_params.get(name, getattr(own, name)))
            for name in ("black", "white", "softness")
        }
        cut = levels(place["index"]).tile(place["level"], place["column"], place["row"])
        return Response(encoded(Stretch(**asked).grey(cut)), media_type="image/jpeg")

    async def mark(request: Request) -> Response:
        asked = json.loads(await request.body())
        night.mark(asked["frame"], asked["word"])
        return JSONResponse(night.state())

    async def undo(request: Request) -> Response:
        night.undo()
        return JSONResponse(night.state())

    def state(request: Request) -> Response:
        return JSONResponse(night.state())

    root = f"/{token}"
    return Starlette(
        routes=[
            Route(f"{root}/", page),
            Route(f"{root}/frame/{{index:int}}", frame),
            Route(f"{root}/tile/{{index:int}}/{{level:int}}/{{column:int}}/{{row:int}}", tile),
            Route(f"{root}/mark", mark, methods=["POST"]),
            Route(f"{root}/undo", undo, methods=["POST"]),
            Route(f"{root}/state", state),
        ]
    )


def _parts(names: tuple[str, ...]) -> list[str]:
    return [(files("subgrade.review") / name).read_text(encoding="utf-8") for name in names]


def serve(night: ReviewedNight, port: int, started: Callable[[str], None]) -> None:
    """Serve the night until interrupted."""
    import socket

    import uvicorn

    token = secrets.token_urlsafe(32)
    listening = socket.socket()
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind(("127.0.0.1", port))
    config = uvicorn.Config(application(night, token), log_level="warning", http="h11", ws="none")
    started(f"http://127.0.0.1:{listening.getsockname()[1]}/{token}/")
    uvicorn.Server(config).run(sockets=[listening])
