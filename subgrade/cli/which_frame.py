"""What `explain` answers where the frame is missing, or stands where the results should."""

from __future__ import annotations

import os

from subgrade.errors import ResultsError

MOST_DOUBTFUL = 5
"""Frames offered where none was named."""
ORDER = "RESULTS comes first, then FRAME"


def opened(results: str, frame: str | None):
    """The results; where a frame was given in their place, an error that states the order.

    Parameters
    ----------
    results, frame : str
        As the person gave them; ``frame`` is None if there was one word only.

    Returns
    -------
    subgrade.results.Session

    Raises
    ------
    ResultsError
    """
    from subgrade.results import open_results

    try:
        return open_results(results)
    except ResultsError as error:
        if os.path.isdir(os.path.expanduser(results)):
            raise
        folder = _folder_for(results, frame)
        if folder is not None:
            typed = _typed(folder, results)
            raise ResultsError(f"{results}: is no results folder. {ORDER}: {typed}") from None
        if frame is None:
            end = "" if str(error).endswith("?") else "."
            raise ResultsError(f"{error}{end} {ORDER}.") from None
        raise


def frame_missing(results: str, session) -> ResultsError:
    """What to type where no frame was named, and the frames whose verdict is least certain."""
    from subgrade.cli.particulars import DOUBTFUL
    from subgrade.lights import FrameNames
    from subgrade.plaintext import printable

    graded = [f["values"] for f in session.frames if f["values"]["confidence"] is not None]
    graded.sort(key=lambda v: v["confidence"])
    doubtful = [v for v in graded if v["confidence"] < DOUBTFUL][:MOST_DOUBTFUL]
    names = FrameNames(f["values"]["frame"] for f in session.frames)
    example = next((names.shortest(v["frame"]) for v in doubtful or graded), "FRAME")
    lines = [f"which frame? For instance: {_typed(results, example)}"]
    if doubtful:
        lines.append("The verdicts of lowest confidence are")
    for v in doubtful:
        reasons = f" ({v['reasons'].replace(';', ', ')})" if v["reasons"] else ""
        name = printable(names.shortest(v["frame"]))
        lines.append(f"{name}: {v['verdict']}{reasons}, {v['confidence']:.2f}")
    return ResultsError("\n  ".join(lines))


def _folder_for(results: str, frame: str | None) -> str | None:
    """The results that a frame given first belongs to; None where it is no frame."""
    from subgrade.results import open_results
    from subgrade.results.read import nearest_results

    folder = nearest_results(results) if frame is None else frame
    try:
        session = open_results(folder or "")
        if frame is None:
            session.frame(results)
    except ResultsError:
        return None
    return folder


def _typed(*words: str) -> str:
    from subgrade.cli.particulars import command
    from subgrade.cli.screen import HARD

    return command("explain", *words).replace(HARD, " ")
