"""Frames whose pixels are damaged in part: rows empty, repeated, shifted or another frame's.

The measuring stage says what one frame's pixels show.  The night decides whose fault it is:
what the sensor, a crop or a converter does to rows it does in many frames alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.figures import figure
from subgrade.judging.evidence import Finding, evidence
from subgrade.judging.features import COPIED_ROWS, DAMAGE, DISPLACED_ROWS, Feature
from subgrade.judging.limits import Limits
from subgrade.night import Strip, find_foreign_strips
from subgrade.night.model import Night
from subgrade.night.series import GroupSeries, group_series
from subgrade.stars.model import Flaw

ALIKE_SHARE = 1 / 3
"""Share of the other frames that, with the same flaw, make it the camera's; a choice."""
LEAST_ROWS = 3
"""Rows in a row that two frames share; noise never repeats a single one."""
SAME_FILE = 0.9
"""Share of the rows from which two files are two copies of one frame, not a damaged one."""


@dataclass(frozen=True, slots=True)
class Copied:
    """Rows that another frame of the group holds, too, to the last bit."""

    first_row: int
    last_row: int
    count: int
    other: int
    """Place of that frame in the series."""


def damaged_frames(night: Night, limits: Limits) -> dict[int, Finding]:
    """Findings of damaged pixels, by index into ``night.frames``.

    Parameters
    ----------
    night : Night
    limits : Limits
        Only the cap of points is used.

    Returns
    -------
    dict of int to Finding
    """
    found = {}
    for group in night.groups:
        series = group_series(night, group)
        for place, finding in _of_group(series, night, limits).items():
            found[series.members[place]] = finding
    return found


def _of_group(series: GroupSeries, night: Night, limits: Limits) -> dict[int, Finding]:
    frames = [night.frames[i] for i in series.members]
    compared = [night.compared[i] for i in series.members]
    strips = find_foreign_strips(frames, compared)
    copies = copied_rows(series, strips)
    found = {}
    for place in range(len(series)):
        height = series.stars[place].height
        parts = [_of_flaw(f, height) for f in damage(series, place)]
        if place in copies:
            parts.append(_of_copy(copies[place], frames[copies[place].other].name, height))
        elif strips[place] is not None:
            parts.append(_of_strip(strips[place], height))
        if parts:
            found[place] = _finding(parts, limits)
    return found


def damage(series: GroupSeries, place: int) -> list[Flaw]:
    """The frame's flaws that the group's other frames do not share.

    Empty rows at the first or last row are no damage where frames were aligned.  There the
    margins at the sides differ from frame to frame, or a good part of the frames is empty at an
    end, which is more than get lost on the way to a file.
    """
    if not series.stars[place].flaws:
        return []
    others = [s for k, s in enumerate(series.stars) if k != place]
    ends = np.array([_empty_ends(s) for s in others]).reshape(-1, 2)
    aligned = len({s.margins_px for s in others if any(s.margins_px)}) > 1
    aligned |= len(others) > 1 and ends.any(axis=1).mean() >= 2 * ALIKE_SHARE
    return [
        flaw
        for flaw in series.stars[place].flaws
        if not _shared(flaw, others) and not (aligned and _at_edge(flaw, series.stars[place]))
    ]


def _at_edge(flaw: Flaw, stars) -> bool:
    return flaw.kind == "empty" and (flaw.first_row == 0 or flaw.last_row == stars.height - 1)


def _empty_ends(stars) -> tuple[bool, bool]:
    """Whether the first rows are empty, and whether the last are."""
    empty = [f for f in stars.flaws if f.kind == "empty"]
    return any(f.first_row == 0 for f in empty), any(f.last_row == stars.height - 1 for f in empty)


def _shared(flaw: Flaw, others) -> bool:
    like = sum(any(_same(flaw, f) for f in stars.flaws) for stars in others)
    return like >= max(2, ALIKE_SHARE * len(others))


def _same(one: Flaw, other: Flaw) -> bool:
    if one.kind != other.kind:
        return False
    if one.kind in ("wrapped", "flipped"):
        return True
    near = abs(one.first_row - other.first_row) <= 2 and abs(one.last_row - other.last_row) <= 2
    # a converter that enlarges repeats rows all over every frame
    return near or (one.kind == "repeated" and abs(one.share - other.share) < 0.01)


def copied_rows(series: GroupSeries, strips: Sequence[Strip | None]) -> dict[int, Copied]:
    """Frames that hold rows of another one, left over in a buffer or on a disk.

    Of two frames that share rows the one is damaged whose stars there do not fit; where both
    fit, the one taken later, since it can only hold what was there before.
    """
    known = [k for k, s in enumerate(series.stars) if s.row_marks is not None]
    heights = {len(series.stars[k].row_marks) for k in known}
    if len(known) < 2 or len(heights) != 1:
        return {}
    marks = np.stack([series.stars[k].row_marks for k in known])
    pairs = _pairs_alike(marks)
    found = {}
    for (early, late), rows in pairs:
        if len(rows) > SAME_FILE * marks.shape[1] or not _run_of(rows, LEAST_ROWS):
            continue
        early, late = known[early], known[late]
        wrong = early if _overlaps(strips[early], rows) and not strips[late] else late
        other = late if wrong == early else early
        found[wrong] = Copied(int(rows[0]), int(rows[-1]), len(rows), other)
    return found


def _pairs_alike(marks: np.ndarray) -> list[tuple[tuple[int, int], np.ndarray]]:
    """Frames, earlier and later, with the rows whose marks they share; at least `LEAST_ROWS`.

    Parameters
    ----------
    marks : ndarray, shape (frames, rows)
        0 where a row has none.
    """
    by_row = np.ascontiguousarray(marks.T)
    order = np.argsort(by_row, axis=1, kind="stable")
    ranked = np.take_along_axis(by_row, order, axis=1)
    row, step = np.nonzero((ranked[:, 1:] == ranked[:, :-1]) & (ranked[:, 1:] != 0))
    # a stable sort leaves equal marks in the order of their frames
    name = order[row, step] * len(marks) + order[row, step + 1]
    together = np.argsort(name, kind="stable")
    names, starts, counts = np.unique(name[together], return_index=True, return_counts=True)
    shared = zip(names, starts, counts, strict=True)
    return [
        (divmod(int(one), len(marks)), row[together[first : first + count]])
        for one, first, count in shared
        if count >= LEAST_ROWS
    ]


def _run_of(rows: np.ndarray, least: int) -> bool:
    return len(rows) >= least and bool((rows[least - 1 :] - rows[: 1 - least] == least - 1).any())


def _overlaps(strip: Strip | None, rows: np.ndarray) -> bool:
    return strip is not None and strip.first_row <= rows[-1] and strip.last_row >= rows[0]


def _rows(first: int, last: int) -> str:
    return f"row {first}" if first == last else f"rows {first} to {last}"


def _edges(flaw: Flaw) -> str:
    """The row boundaries at which stars are cut."""
    if flaw.first_row == flaw.last_row:
        return f"the line between rows {flaw.first_row - 1} and {flaw.first_row}"
    return f"the edges of rows {flaw.first_row} to {flaw.last_row}"


def _of_flaw(flaw: Flaw, height: int) -> tuple[Feature, float, str]:
    """(number of evidence, share of the frame, sentence part)."""
    rows, share = _rows(flaw.first_row, flaw.last_row), figure(100 * flaw.share, "%")
    text = {
        "empty": f"{rows} hold no image: {share} of the pixels in one stretch have one value",
        "repeated": f"{flaw.count} of {height} rows are the same as others to the last bit "
        f"({rows}), which noise never is",
        "garbled": f"{rows} hold numbers but no image ({share} of the frame)",
        "flipped": f"about {flaw.count} pixels differ from their neighbours by a power of two: "
        "bits were flipped",
        "wrapped": "pixel values wrap around at the limit of 16 bits or lie far below zero: the "
        "sign or the zero point of the numbers was lost",
        "exchanged": f"high and low bytes of the pixels have changed places in {rows}",
        "cut": f"{flaw.count} stars are cut off along {_edges(flaw)}: what lies behind "
        "belongs elsewhere",
    }[flaw.kind]
    if flaw.kind == "empty" and flaw.count > 1:
        text = f"{flaw.count} stretches in {rows} hold no image ({share} of the pixels)"
    return DAMAGE[flaw.kind], flaw.share, text


def _of_copy(copy: Copied, name: str, height: int) -> tuple[Feature, float, str]:
    rows = _rows(copy.first_row, copy.last_row)
    return COPIED_ROWS, copy.count / height, f"{rows} are those of {name} to the last bit"


def _of_strip(strip: Strip, height: int) -> tuple[Feature, float, str]:
    rows = _rows(strip.first_row, strip.last_row)
    text = f"in {rows} {strip.missing} of {strip.expected} stars are not in their place"
    if strip.shift_px is None:
        text += f" and {strip.strangers} others stand there"
    else:
        dx, dy = strip.shift_px
        text += f" but {figure(dx, 'px')} along the row"
        text += f" and {figure(dy, 'px')} across it" if abs(dy) >= 1 else ""
    share = (strip.last_row - strip.first_row + 1) / height
    return DISPLACED_ROWS, share, f"{text}; elsewhere the stars fit"


def _finding(parts: list[tuple[Feature, float, str]], limits: Limits) -> Finding:
    points = limits.verdict.points_cap
    items = tuple(
        evidence("incomplete", feature, points, text, value=share) for feature, share, text in parts
    )
    sentence = "; ".join(text for _, _, text in parts)
    return Finding("incomplete", points, True, f"the frame is damaged: {sentence}", items)
