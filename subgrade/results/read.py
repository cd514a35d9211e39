"""Read a RESULTS folder back, from session.json alone."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.lights import FrameNames
from subgrade.results.session import FORMAT

MOST_NAMED = 5


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
            Its name, a path to it, its file name, with or without ending, or a part that
            only it holds; see `subgrade.lights.FrameNames`.

        Raises
        ------
        ResultsError
            If no frame or more than one answers to it.
        """
        names = FrameNames(
            [f["values"]["frame"] for f in self.frames], [f["path"] for f in self.frames]
        )
        found = names.meant(wanted)
        if len(found) == 1:
            return self.frames[found[0]]
        if found:
            some = ", ".join(names.names[k] for k in found[:MOST_NAMED])
            more = ", …" if len(found) > MOST_NAMED else ""
            raise ResultsError(
                f"{wanted}: {len(found)} frames answer to this: {some}{more}; give more of it"
            )
        near = names.nearest(wanted)
        hint = f"; did you mean {' or '.join(near)}?" if near else ""
        raise ResultsError(
            f"{wanted}: no such frame among the {len(names.names)} of {self.folder}{hint}"
        )


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
