"""Read a RESULTS folder back, from session.json alone."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.results.session import FORMAT


@dataclass(frozen=True, slots=True)
class Session:
    """A results folder and what its session.json holds."""

    folder: Path
    record: dict

    @property
    def frames(self) -> list[dict]:
        """The frames' records, in the order taken."""
        return self.record["frames"]

    def frame(self, wanted: str) -> dict:
        """The record of one frame.

        Parameters
        ----------
        wanted : str
            Its name, a path to it, its file name, or a fragment that only it holds.

        Raises
        ------
        ResultsError
            If no frame or more than one answers to it.
        """
        names = [f["values"]["frame"] for f in self.frames]
        full = os.path.abspath(wanted)
        tests = (
            lambda k: names[k] == wanted or names[k] == wanted.replace(os.sep, "/"),
            lambda k: f"./{names[k]}" == wanted,
            lambda k: self.frames[k]["path"] == full,
            lambda k: names[k].rsplit("/", 1)[-1] == wanted,
            lambda k: names[k].endswith("/" + wanted.lstrip("./")),
            lambda k: wanted.lower() in names[k].lower(),
        )
        for test in tests:
            found = [k for k in range(len(names)) if wanted and test(k)]
            if len(found) == 1:
                return self.frames[found[0]]
            if found:
                some = ", ".join(names[k] for k in found[:5])
                more = ", …" if len(found) > 5 else ""
                raise ResultsError(
                    f"{wanted}: {len(found)} frames answer to this: {some}{more}; give more of it"
                )
        raise ResultsError(f"{wanted}: no such frame among the {len(names)} of {self.folder}")


def open_results(folder: str | Path) -> Session:
    """Open a results folder.

    Raises
    ------
    ResultsError
        If it does not exist or holds no readable session.json.
    """
    folder = Path(folder)
    path = folder / "session.json"
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise ResultsError(
            f"{folder}: holds no session.json; name the --out folder of an earlier grade"
        ) from error
    except (OSError, ValueError) as error:
        raise ResultsError(f"{path}: cannot be read: {error}") from error
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise ResultsError(f"{path}: was written by another version; run grade again")
    return Session(folder, record)
