"""Read a RESULTS folder back, from session.json alone."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.figures import listed
from subgrade.lights import FrameNames
from subgrade.nearest_names import did_you_mean, nearest_path
from subgrade.plaintext import printable
from subgrade.results.run_notes import whereabouts
from subgrade.results.session import FORMAT

MOST_NAMED = 5
SESSION = "session.json"


@dataclass(frozen=True, slots=True)
class Session:
    """A results folder and what its session.json holds."""

    folder: Path
    record: dict

    @property
    def frames(self) -> list[dict]:
        """The frames' records, in the order taken."""
        return self.record["frames"]

    @property
    def culled(self) -> list[dict]:
        """Frames that were culled before this grade: ``frame``, ``path``, ``place``, ``record``."""
        return self.record.get("culled", [])  # none in results of an early version

    def frame(self, wanted: str) -> dict:
        """The record of one frame; of a culled one that of the grade before, ``culled`` added.

        Parameters
        ----------
        wanted : str
            Its name, a path to it, its file name, with or without ending, or a part that
            only it holds; see `subgrade.lights.FrameNames`.

        Raises
        ------
        ResultsError
            If no frame or more than one matches it.
        """
        here = {frame["values"]["frame"] for frame in self.frames}
        away = [c for c in self.culled if c["frame"] not in here]
        names = FrameNames(
            [*(f["values"]["frame"] for f in self.frames), *(c["frame"] for c in away)],
            [*(f["path"] for f in self.frames), *(c["path"] for c in away)],
        )
        found = names.meant(wanted)
        if len(found) == 1 and found[0] >= len(self.frames):
            return self._away(away[found[0] - len(self.frames)])
        if len(found) == 1:
            return self.frames[found[0]]
        if found:
            some = ", ".join(printable(names.names[k]) for k in found[:MOST_NAMED])
            more = ", …" if len(found) > MOST_NAMED else ""
            raise ResultsError(
                f"{wanted}: {len(found)} frames match this: {some}{more}; give more of the name"
            )
        near = sorted(map(printable, names.nearest(wanted)))
        hint = did_you_mean(listed(near, "or"))
        raise ResultsError(
            f"{wanted}: no such frame among the {len(self.frames)} of {self.folder}{hint}"
        )

    def _away(self, culled: dict) -> dict:
        where = whereabouts(culled["frame"], culled["path"], culled["place"])
        if culled["record"] is None:
            raise ResultsError(f"{printable(where)}; {self.folder} no longer holds a verdict on it")
        return {**culled["record"], "culled": f"{where}; this is the verdict of the grade before."}


def open_results(folder: str | Path) -> Session:
    """Open a results folder.

    Raises
    ------
    ResultsError
        If it does not exist or holds no readable session.json.
    """
    folder = must_be_results(folder)
    path = folder / SESSION
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        cause = getattr(error, "strerror", None) or error
        raise ResultsError(f"{path}: cannot be read: {cause}") from error
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise ResultsError(f"{path}: was written by another version; run grade again")
    if not _is_whole(record):
        raise ResultsError(f"{path}: was damaged or changed by hand; run grade again")
    return Session(folder, record)


def _is_whole(record: dict) -> bool:
    """Whether a session has the frames that every reader of it looks for."""
    frames, culled = record.get("frames"), record.get("culled", [])
    return (
        isinstance(frames, list)
        and isinstance(culled, list)
        and all(_has(f, path=str, values=dict) and _has(f["values"], frame=str) for f in frames)
        and all(_has(c, frame=str, path=str, place=str) and "record" in c for c in culled)
    )


def _has(value, **kinds: type) -> bool:
    return isinstance(value, dict) and all(isinstance(value.get(k), t) for k, t in kinds.items())


def must_be_results(folder: str | Path, marks: tuple[str, ...] = (SESSION,)) -> Path:
    """Make sure that a folder is one that grade wrote, and expand its ``~``.

    Parameters
    ----------
    folder : path-like
    marks : tuple of str
        Files of which one at least must be there.

    Raises
    ------
    ResultsError
        If it is not; names a results folder near it where there is one.
    """
    wanted = os.path.expanduser(os.fspath(folder))

    if any(os.path.isfile(os.path.join(wanted, name)) for name in marks):
        return Path(wanted)
    cause = f"holds no {SESSION}" if os.path.isdir(wanted) else "no such folder"
    if os.path.isfile(wanted):
        cause = "is a file"
    hint = did_you_mean(nearest_results(wanted, marks))
    raise ResultsError(f"{folder}: {cause}{hint or '; name the --out folder of an earlier grade'}")


def nearest_results(wanted: str, marks: tuple[str, ...] = (SESSION,)) -> str | None:
    """The results folder that may be meant by a path that is none; None where none is near.

    Parameters
    ----------
    wanted : str
    marks : tuple of str
        As for `must_be_results`.
    """

    def holds(path: str) -> bool:
        return any(os.path.isfile(os.path.join(path, name)) for name in marks)

    near = nearest_path(wanted, holds)
    # a file of the results, or the folder that they lie in or beside
    around = (os.path.dirname(wanted), wanted, os.curdir)
    return near or next((found for place in around if (found := _results_in(place, holds))), None)


def _results_in(folder: str, holds) -> str | None:
    """A folder itself, or the only one in it, that holds results."""
    if holds(folder):
        return folder
    try:
        inside = [os.path.join(folder, name) for name in sorted(os.listdir(folder or os.curdir))]
    except OSError:
        return None
    found = [path for path in inside if path.isprintable() and holds(path)]
    return os.path.normpath(found[0]) if len(found) == 1 else None


def record_used(folder: str | Path) -> str | None:
    """The guiding record that the results in a folder used; None without results or record."""
    try:
        guiding = open_results(folder).record.get("guiding")
    except ResultsError:
        return None
    return guiding["file"] if _has(guiding, file=str) and guiding.get("used") else None
