"""Write the RESULTS folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from subgrade.errors import NotWritten, ResultsError
from subgrade.optional_parts import attempt, noted, part
from subgrade.results import bug_report
from subgrade.results.files import Staged, room_for, sweep
from subgrade.results.lists import path_list
from subgrade.results.model import Graded
from subgrade.results.session import session_json, session_record
from subgrade.results.table import summary_csv, summary_ecsv, weights_csv
from subgrade.results.teaching import TAUGHT_FILE, TAUGHT_MARK, taught_toml

FILES = ("summary.csv", "summary.ecsv", "rejects.txt", "keeps.txt", "weights.csv", "session.json")
SESSION = "session.json"
BYTES, BYTES_A_FRAME, BYTES_OF_PAGE = 100_000, 30_000, 6_000_000
"""About what the results need on the disk: measured on nights of 34 and 300 frames."""

Page = Callable[[Graded, dict | None], str]
"""Makes another file of the night and its session record, None where that could not be made."""


def open_folder(out: str | Path, frames: int = 0, pages: int = 0) -> Path:
    """The results folder, made if missing, once it is known that results can be written there.

    Parameters
    ----------
    out : path-like
    frames, pages : int
        How many frames' results, and how many pages, its disk must have room for.

    Raises
    ------
    ResultsError
        If it is a file.
    NotWritten
        If it cannot be made or written to, or its disk is too full.
    """
    folder = Path(out).absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise ResultsError(f"{folder}: is a file; --out must name a folder") from error
    except OSError as error:
        raise NotWritten(f"{folder}: cannot be made: {error.strerror or error}") from error
    room_for(folder, BYTES + BYTES_A_FRAME * frames + BYTES_OF_PAGE * pages)
    return folder


def write_results(graded: Graded, out: str | Path, pages: Mapping[str, Page] | None = None) -> Path:
    """Write every file of the results folder: all of them, or none where the disk fails.

    Parameters
    ----------
    graded : Graded
    out : path-like
        Folder, made if missing.
    pages : mapping of str to callable, optional
        Other files by name, made of the night; each one that cannot be made or written is left out.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ResultsError
        If a graded frame or the person's marks would be overwritten.
    NotWritten
        If a file cannot be written; what an earlier run wrote is as it was.
    """
    folder = open_folder(out)
    never_over(folder, (f.path for f in graded.frames), graded.settings)
    contents = _contents(graded, folder)
    record = attempt(SESSION, lambda: session_record(graded), None)
    for name, make in (pages or {}).items():
        contents[name] = attempt(name, lambda make=make: make(graded, record), None)
    sweep(folder)
    with Staged(folder) as staged:
        for name in FILES:
            if name != SESSION and contents[name] is not None:
                staged.add(name, contents[name])
        for name in contents.keys() - {*FILES}:
            if contents[name] is not None:
                contents[name] = _added(staged, name, contents[name])
        # last, as it lists what is missing
        contents[SESSION] = _session_added(staged, graded, record, pages or {}, contents)
        contents[bug_report.FILE] = _report_added(staged, graded, folder)
        staged.install(gone=[name for name, text in contents.items() if text is None])
    return folder


def _contents(graded: Graded, folder: Path) -> dict[str, str | None]:
    """Tables and lists as text, None for one that could not be made."""
    style = graded.settings.get("list_style", "relative")
    makers = {
        "summary.csv": lambda: summary_csv(graded),
        "summary.ecsv": lambda: summary_ecsv(graded),
        "rejects.txt": lambda: path_list(graded, ("reject",), style),
        "keeps.txt": lambda: path_list(graded, ("keep",), style),
        "weights.csv": lambda: weights_csv(graded),
    }
    contents = {name: attempt(name, make, None) for name, make in makers.items()}
    if graded.person is not None and graded.person.taught is not None:
        never_over_limits(folder)
        contents[TAUGHT_FILE] = attempt(TAUGHT_FILE, lambda: taught_toml(graded), None)
    return contents


def _added(staged: Staged, name: str, text: str) -> str | None:
    """A file that the others can do without, staged; None where it could not be."""
    with part(name):
        staged.add(name, text)
        return text
    return None


def _session_added(staged: Staged, graded: Graded, record, pages, contents: dict) -> str | None:
    """session.json staged, in the place of the pages where there is no room for both."""
    text = attempt(SESSION, lambda: session_json(graded, record), None)
    if text is None:
        return None
    try:
        staged.add(SESSION, text)
    except NotWritten as error:
        held = [name for name in pages if contents.get(name) is not None]
        if not held:
            raise
        for name in held:
            staged.drop(name)
            contents[name] = None
            with part(name):
                raise error
        staged.add(SESSION, session_json(graded, record))
    return text


def _report_added(staged: Staged, graded: Graded, folder: Path) -> str | None:
    """The bug report staged where something crashed; "" where another's file has its name."""
    path = folder / bug_report.FILE
    if os.path.lexists(path) and not bug_report.is_own(path):
        return ""
    if not noted().crashes:
        return None
    text = bug_report.bug_report(noted().crashes, graded.settings)
    try:
        staged.add(bug_report.FILE, text)
    except NotWritten:
        return None
    return text


def never_over(folder: Path, frames: Iterable[Path], settings: Mapping[str, object]) -> None:
    """Stop before a frame, or the person's own marks, would be written over.

    Raises
    ------
    ResultsError
    """
    targets = {os.path.realpath(folder / name) for name in (*FILES, TAUGHT_FILE)}
    for path in frames:
        if os.path.realpath(path) in targets:
            raise ResultsError(f"{path}: is a frame; choose another folder with --out")
    for option in ("teach", "marks"):
        path = settings.get(option)
        if path and os.path.realpath(str(path)) in targets:
            raise ResultsError(
                f"{path}: would be written over by the results; copy it elsewhere and give the "
                f"copy to --{option}"
            )


def never_over_limits(folder: Path) -> None:
    """Stop before limits that a person wrote would be written over by those taught.

    Raises
    ------
    ResultsError
        If a file of that name is there that this program did not write.
    """
    path = folder / TAUGHT_FILE
    try:
        own = not path.exists() or path.read_bytes().startswith(TAUGHT_MARK.encode())
    except OSError as error:
        raise ResultsError(f"{path}: cannot be read: {error.strerror or error}") from error
    if not own:
        raise ResultsError(
            f"{path}: was not written by subgrade and is left alone; rename it or choose another "
            "--out"
        )
