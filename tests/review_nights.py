"""A small graded night, and the real server on it, asked over sockets."""

from __future__ import annotations

import json
import shutil
import socket
import threading
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from subgrade.pipeline import Settings, grade
from subgrade.practice import scenario_file as nights
from subgrade.practice.night import simulate_night
from subgrade.reopening import reopen
from subgrade.review.server import review


def graded_night(place: Path, mosaic: bool = False) -> Settings:
    """Nine small frames with their guiding record, graded into ``place / "graded"``."""
    scenario = nights.adapt(nights.default_scenario(), 3, 9, 300, 220, mosaic, True)
    simulate_night(place / "night", scenario)
    settings = Settings(
        (str(place / "night"),),
        str(place / "graded"),
        guide=(str(place / "night" / "guiding.csv"),),
        workers=1,
    )
    grade(settings)
    return settings


def copied(place: Path, settings: Settings) -> Path:
    """The results alone, to be written to."""
    return Path(shutil.copytree(settings.out, place / "graded"))


@dataclass
class Answer:
    """What came back: status, headers by small name, body."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> dict:
        return json.loads(self.body)


@dataclass
class Served:
    """A review that runs in a thread of this process."""

    results: Path
    port: int = 0
    address: str = ""
    problem: str | None = None
    errors: list = field(default_factory=list)

    def __enter__(self) -> Served:
        ready = threading.Event()

        def begun(address, stop):
            self.address, self._stop = address, stop
            ready.set()

        def run():
            try:
                self.problem = review(reopen(self.results), self.port, begun)
            except BaseException as error:
                self.errors.append(error)
                ready.set()

        self._thread = threading.Thread(target=run, daemon=True)
        self._thread.start()
        assert ready.wait(60)
        if self.errors:
            raise self.errors[0]
        parts = urlsplit(self.address)
        self.port, self.root = parts.port, parts.path
        return self

    def __exit__(self, *error) -> None:
        self._stop()
        self._thread.join(30)
        assert not self._thread.is_alive()

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def raw(self, request: bytes, wait: float = 20.0) -> bytes:
        """Whatever comes back for bytes, until the server closes the connection."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=wait) as stream:
            stream.sendall(request)
            found = b""
            with suppress(ConnectionResetError):  # what was sent beyond the answer
                while part := stream.recv(1 << 16):
                    found += part
        return found

    def ask(
        self, method: str, path: str, body: bytes | None = None, whole: bool = False, **headers: str
    ) -> Answer:
        """One request; ``path`` stands behind the token unless it is ``whole``."""
        known = {"Host": f"127.0.0.1:{self.port}", "Connection": "close"}
        known |= {name.replace("_", "-"): value for name, value in headers.items()}
        if body is not None:
            known["Content-Length"] = str(len(body))
        lines = [f"{method} {path if whole else self.root + path} HTTP/1.1"]
        lines += [f"{name}: {value}" for name, value in known.items() if value]
        request = "\r\n".join(lines).encode() + b"\r\n\r\n" + (body or b"")
        head, _, rest = self.raw(request).partition(b"\r\n\r\n")
        if not head:
            raise ConnectionError("no answer")
        first, *fields = head.decode("latin-1").split("\r\n")
        found = {n.lower(): v.strip() for n, _, v in (f.partition(":") for f in fields)}
        return Answer(int(first.split()[1]), found, rest)

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, **headers)

    def post(self, path: str, content: object, **headers: str) -> Answer:
        """As the page itself sends it."""
        own = {"Origin": self.origin, "Sec_Fetch_Site": "same-origin"}
        return self.ask("POST", path, json.dumps(content).encode(), **(own | headers))

    def mark(self, index: int, word: str | None) -> Answer:
        return self.post("mark", {"frame": index, "word": word})
