"""All that several graded nights come to, put together."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable
from dataclasses import replace
from importlib import import_module
from importlib.util import find_spec

from subgrade.errors import NothingToGrade, NotWritten, ResultsError
from subgrade.optional_parts import attempt, noting
from subgrade.season.folders import results_folders
from subgrade.season.gather import read_nights
from subgrade.season.model import Season
from subgrade.settings import Progress


def season_of(folders: Iterable[str | os.PathLike], progress: Progress | None = None) -> Season:
    """Several graded nights side by side.

    Parameters
    ----------
    folders : iterable of path-like
        RESULTS folders of earlier grades.
    progress : Progress, optional

    Returns
    -------
    Season

    Raises
    ------
    ResultsError
        If no folder holds results.
    NothingToGrade
        If their results hold no frame.
    """
    from subgrade.season.fields import in_one_spelling
    from subgrade.season.stacks import stacks_of
    from subgrade.season.ties import tie_nights

    progress = progress or Progress()
    nights, problems = read_nights(folders)
    if len(nights) > 1:
        progress.say("results read; the stars that the nights share are matched")
    with noting() as noted:
        tied = attempt("the light of the nights compared", lambda: tie_nights(nights), ())
        ties = tuple(tie for field in tied for tie in field.ties)
        nights = in_one_spelling(nights, [field.field for field in tied])
        stacks, weights = attempt("stacks and weights", lambda: stacks_of(nights, tied), ((), ()))
        season = Season(nights, ties, stacks, weights)
        histories = _made("histories", "histories", nights, ties)
        season = replace(
            season,
            histories=histories,
            dependences=_made("dependences", "dependences", nights, ties),
            losses=_made("losses", "losses", nights),
            advice=_made("advice", "advice_followed", nights, histories),
        )
        season = replace(season, summary=_made("summary", "summary", season))
    missing = ((name, f"left out: {cause}") for name, cause in noted.left_out.items())
    return replace(season, problems=(*problems, *_without_weight(season), *missing))


def season_of_results(
    given: Iterable[str | os.PathLike], progress: Progress | None = None
) -> Season:
    """`season_of` all results within given folders.

    Raises
    ------
    NothingToGrade
        If no folder can be used.
    """
    try:
        return season_of(results_folders(given), progress)
    except NotWritten:
        raise
    except ResultsError as error:
        raise NothingToGrade(str(error)) from error


def _without_weight(season: Season) -> Iterable[tuple[str, str]]:
    """Kept frames that nothing ties to a stack, and why: they have hours, but no weight."""
    for tie in season.ties:
        night = season.nights[tie.night]
        series = night.series[tie.series]
        kept = int((night.frames.kept & (night.frames.series == tie.series)).sum())
        if kept and not math.isfinite(tie.ratio):
            frames = "1 kept frame has" if kept == 1 else f"{kept} kept frames have"
            cause = tie.note or "nothing ties them to a stack"
            yield f"{night.label} ({series.label})", f"{frames} no weight: {cause}"


def _made(module: str, name: str, *given) -> tuple:
    """What a module of this room makes of the nights; nothing where it is not there."""
    place = f"{__package__}.{module}"
    if find_spec(place) is None:
        return ()
    return attempt(
        f"{module} of the nights", lambda: tuple(getattr(import_module(place), name)(*given)), ()
    )
