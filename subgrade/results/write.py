"""Write the RESULTS folder."""

from __future__ import annotations

from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.results.files import write_whole
from subgrade.results.lists import path_list
from subgrade.results.model import Graded
from subgrade.results.session import session_json
from subgrade.results.table import summary_csv, summary_ecsv, weights_csv
from subgrade.results.teaching import TAUGHT_FILE, TAUGHT_MARK, taught_toml

FILES = ("summary.csv", "summary.ecsv", "rejects.txt", "keeps.txt", "weights.csv", "session.json")


def open_folder(out: str | Path) -> Path:
    """The results folder, made if missing.

    Raises
    ------
    ResultsError
        If it is a file, or cannot be made or written to.
    """
    folder = Path(out).absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise ResultsError(f"{folder}: is a file; --out must name a folder") from error
    except OSError as error:
        raise ResultsError(f"{folder}: cannot be made: {error.strerror or error}") from error
    return folder


def write_results(graded: Graded, out: str | Path) -> Path:
    """Write every file of the results folder, each whole or not at all.

    Parameters
    ----------
    graded : Graded
    out : path-like
        Folder, made if missing.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ResultsError
        If a file cannot be written, or a graded frame or the person's marks would be
        overwritten.
    """
    folder = open_folder(out)
    style = graded.settings.get("list_style", "relative")
    _never_over_a_sub(graded, folder)
    contents = taught_limits(graded, folder) | {
        "summary.csv": summary_csv(graded),
        "summary.ecsv": summary_ecsv(graded),
        "rejects.txt": path_list(graded, ("reject",), style),
        "keeps.txt": path_list(graded, ("keep",), style),
        "weights.csv": weights_csv(graded),
        "session.json": session_json(graded),
    }
    for name, text in contents.items():
        write_whole(folder / name, text)
    return folder


def taught_limits(graded: Graded, folder: Path) -> dict[str, str]:
    """The file of taught limits by its name; empty where nothing was taught.

    Raises
    ------
    ResultsError
        If a file of that name is there that this program did not write.
    """
    if graded.person is None or graded.person.taught is None:
        return {}
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
    return {TAUGHT_FILE: taught_toml(graded)}


def _never_over_a_sub(graded: Graded, folder: Path) -> None:
    """Stop before a frame, or the person's own marks, would be written over."""
    targets = {(folder / name).resolve() for name in (*FILES, TAUGHT_FILE)}
    for frame in graded.frames:
        if frame.path.resolve() in targets:
            raise ResultsError(f"{frame.path}: is a frame; choose another folder with --out")
    for option in ("teach", "marks"):
        path = graded.settings.get(option)
        if path and Path(path).resolve() in targets:
            raise ResultsError(
                f"{path}: would be written over by the results; copy it elsewhere and give the "
                f"copy to --{option}"
            )
