"""What the summary holds below its table, a labelled line each."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from subgrade.cli.screen import HARD, Screen, padded
from subgrade.figures import eccentricity_text
from subgrade.lights import FrameNames
from subgrade.results.guiding_record import (
    ambiguous,
    clock_sentence,
    clock_text,
    night_rms,
    usable,
)
from subgrade.results.model import Graded, GradedFrame
from subgrade.results.night_summary import group_scales, stack_lines, width_text
from subgrade.results.run_notes import problems_parted
from subgrade.results.session import remarks_of
from subgrade.results.teaching import person_lines

LABEL = 12
"""Columns of the words in front of a line."""
MOST_PROBLEMS = 5
MOST_GROUPS, MOST_STACKS = 8, 3
"""Lines on a screen, that which names the rest included."""
DOUBTFUL = 0.95
"""Confidence below which a reject is offered as a doubtful one."""
LISTED = ("report.html", "summary.csv", "keeps.txt", "rejects.txt")

Part = tuple[str, str]
"""A label and what stands behind it."""


def particulars(graded: Graded, out: str, screen: Screen) -> list[Part]:
    """Typical values, best and worst frames, record, stack, remarks, advice, files, next steps.

    Parameters
    ----------
    graded : Graded
    out : str
        The results folder as the user named it.
    screen : Screen
    """
    parts = [("Group", text) for text in _groups(graded, screen)]
    parts += _best_and_worst(graded, screen)
    if graded.guiding is not None:
        parts.append(("Guiding", guiding_line(graded)))
    parts += [("Guiding", text) for text in _unread_records(graded, screen)]
    parts += [("Stack", text) for text in _at_most(stack_lines(graded), MOST_STACKS, screen)]
    parts += [("Remark", text) for text in (*_kept_remarks(graded), *_night_remarks(graded))]
    parts += [("Your marks", text) for text in person_lines(graded)]
    parts += [("Not graded", text) for text in _problems(graded, screen)]
    parts += [
        ("Missing", f"{name}: {cause}") for name, cause in problems_parted(graded.problems).parts
    ]
    parts += _advice(graded)
    return parts + _where(graded, out)


def command(*words: str) -> str:
    """A call as a shell takes it, not to be folded."""
    import shlex

    return shlex.join(["subgrade", *words]).replace(" ", HARD)


def guiding_line(graded: Graded) -> str:
    """The night's guiding RMS, what the record covers, and its clock."""
    night = graded.guiding
    if not usable(night):
        candidates = clock_text(night)
        if not candidates:
            return f"record not used: {night.clock.how}"
        return f"record not used, {ambiguous(night)}"
    held = [f for f in graded.frames if f.compared is not None]
    covered = sum(f.guiding is not None and f.guiding.samples > 0 for f in held)
    names = ("x", "y") if night.record.axes == "xy" else ("RA", "Dec")
    rms = ", ".join(
        f"{axis} {value:.2f}″"
        for axis, value in zip(names, night_rms(graded), strict=True)
        if value == value
    )
    of = f"all {len(held)}" if covered == len(held) > 1 else f"{covered} of {len(held)}"
    parts = [f"RMS {rms}, median of the kept frames"] if rms else []
    frames = "frame" if len(held) == 1 else "frames"
    parts.append(f"the record covers {of} {frames}, {clock_sentence(night)}")
    return "; ".join(parts)


def _groups(graded: Graded, screen: Screen) -> list[str]:
    """A line a group with as many of its numbers as every line has room for."""
    from rich.cells import cell_len

    rows = [_group(graded, k) for k in range(len(graded.groups))]
    names = [screen.shown(name) for name, *_ in rows]
    room = screen.width - LABEL if screen.folds else math.inf
    # the eccentricity goes first, then the pixels, then the width; the name last
    for shown in (3, 2, 1, 0):
        texts = _lined_up(names, [row[1:] for row in rows], shown)
        if all(cell_len(text) <= room for text in texts):
            break
    else:
        names = [screen.shortened(name, max(screen.width - LABEL - 18, 12)) for name in names]
        texts = _lined_up(names, [row[1:] for row in rows], 0)
    return _at_most([text for text in texts if text], MOST_GROUPS, screen)


def _group(graded: Graded, index: int) -> tuple[str, str, str, str, str]:
    """Name, frames kept, typical width, the same in px, typical eccentricity."""
    group = graded.groups[index]
    members = [f for f in graded.frames if f.compared and f.compared.group == index]
    kept = sum(f.judgement.verdict == "keep" for f in members)
    scale = group_scales(graded)[index]
    # the headline has counted all frames already
    counted = f"{kept} of {len(members)} kept" if len(members) < len(graded.frames) else ""
    fwhm, oval = group.usual.get("fwhm_px"), group.usual.get("eccentricity")
    width = pixels = shape = ""
    if fwhm and fwhm.centre == fwhm.centre:
        width = f"{'typical ' if len(members) > 1 else ''}FWHM {width_text(fwhm.centre, scale)}"
        pixels = f" ({fwhm.centre:.2f} px)" if scale else ""
    if oval and oval.centre == oval.centre:
        shape = f"ecc. {oval.centre:.2f}"
    return group.label, counted, width, pixels, shape


def _lined_up(names: Sequence[str], rows: Sequence[tuple], shown: int) -> list[str]:
    """The lines with so many of width, pixels and eccentricity, their columns lined up."""
    from rich.cells import cell_len

    lines = []
    for counted, width, pixels, shape in rows:
        width = (width if shown > 0 else "") + (pixels if shown > 1 else "")
        lines.append([counted, width, shape if shown > 2 else ""])
    wide = [max(len(line[k]) for line in lines) for k in range(3)] if lines else []
    long = max(map(cell_len, names), default=0)
    texts = []
    for name, line in zip(names, lines, strict=True):
        cells = [padded(cell, wide[k], right=True) for k, cell in enumerate(line) if wide[k]]
        numbers = ", ".join(cells).rstrip(" ,")
        texts.append(f"{padded(f'{name}:', long + 1)} {numbers}" if numbers else name)
    return texts


def _at_most(lines: list[str], most: int, screen: Screen) -> list[str]:
    """The lines, or the first of them and how many more there are, where there is a screen."""
    if not screen.folds or len(lines) <= most:
        return lines
    return [*lines[: most - 1], f"and {len(lines) - most + 1} more, in session.json"]


def _best_and_worst(graded: Graded, screen: Screen) -> list[Part]:
    """The kept frames of most and of least weight, of equal ones the sharper first."""
    from rich.cells import cell_len

    kept = [f for f in graded.frames if f.judgement.verdict == "keep" and f.stars is not None]
    if len(kept) < 2:
        return []
    kept.sort(key=lambda f: (-f.judgement.weight, f.stars.fwhm_px))
    best, worst = kept[0], kept[-1]
    room = max(screen.width - LABEL - 39, 12)
    names = [screen.shortened(frame.name, room) + ":" for frame in (best, worst)]
    wide = max(map(cell_len, names))
    return [
        (label, f"{padded(name, wide)} {_numbers(frame, group_scales(graded))}")
        for label, name, frame in zip(("Best", "Worst kept"), names, (best, worst), strict=True)
    ]


def _numbers(frame: GradedFrame, scales: Sequence[float | None]) -> str:
    stars, group = frame.stars, frame.compared.group if frame.compared is not None else -1
    scale = scales[group] if group >= 0 else None
    parts = [f"FWHM {width_text(stars.fwhm_px, scale)}"] if stars.fwhm_px == stars.fwhm_px else []
    if stars.eccentricity == stars.eccentricity:
        parts.append(f"ecc. {eccentricity_text(stars.eccentricity, stars.eccentricity_error)}")
    return ", ".join([*parts, f"weight {frame.judgement.weight:.2f}"])


def _kept_remarks(graded: Graded) -> list[str]:
    count = Counter(
        reason
        for f in graded.frames
        if f.judgement.verdict == "keep"
        for reason in f.judgement.reasons
    )
    counted = ", ".join(f"{word} {frames}" for word, frames in count.most_common())
    return [f"on kept frames: {counted}"] if counted else []


def _night_remarks(graded: Graded) -> list[str]:
    """Remarks on the whole night; the only group need not be named again."""
    only = f"{graded.groups[0].label}: " if len(graded.groups) == 1 else ""
    return [text.removeprefix(only) for text in remarks_of(graded)]


def _unread_records(graded: Graded, screen: Screen) -> list[str]:
    """The records that could not be understood, each with its cause."""
    return [
        f"record not used: {screen.shortened(name, screen.width - LABEL - 20)}: {cause}"
        for name, cause in problems_parted(graded.problems).records
    ]


def _problems(graded: Graded, screen: Screen) -> list[str]:
    problems = problems_parted(graded.problems).frames
    lines = [
        f"{screen.shortened(name, screen.width - LABEL - 20)}: {cause}"
        for name, cause in problems[:MOST_PROBLEMS]
    ]
    if len(problems) > MOST_PROBLEMS:
        lines.append(f"and {len(problems) - MOST_PROBLEMS} more, in summary.csv")
    return lines


def _advice(graded: Graded) -> list[Part]:
    """What would have saved most, with the first sentence of its caution."""
    advice = graded.diagnosis.advice if graded.diagnosis is not None else ()
    if not advice:
        return []
    first = advice[0]
    saves = f" ({first.saves})" if first.saves else ""
    parts = [("Advice", f"{first.action}{saves}")]
    if first.caution:
        parts.append(("Caution", first.caution.split(". ")[0].rstrip(".") + "."))
    return parts


def _where(graded: Graded, out: str) -> list[Part]:
    """Where the files are and what to type next."""
    if graded.settings.get("dry_run"):
        return [
            ("Files", "none: a dry run writes nothing, measurements included"),
            ("Next", "the same command without --dry-run; the rejects would be:"),
        ]
    folder = Path(out).absolute()
    files = [name for name in LISTED if (folder / name).is_file()]
    if not graded.settings.get("report", True):
        files = [name for name in files if name != "report.html"]  # of an earlier run
    parts = [("Files", f"{folder}: {', '.join(files)}" if files else f"{folder}")]
    parts.append(("Next", command("diagnose", out)))
    doubtful = _lowest_confidence(graded.frames)
    if doubtful is not None and doubtful.name.isprintable():  # else it cannot be typed
        asked = command("explain", out, _short_name(graded, doubtful))
        confidence = doubtful.judgement.confidence
        why = f"  (lowest-confidence reject, {confidence:.2f})" if confidence < DOUBTFUL else ""
        parts.append(("Next", f"{asked}{why[:2]}{why[2:].replace(' ', HARD)}"))
    if doubtful is not None:
        parts.append(("Next", command("cull", out, "--to", "DIR")))
    return parts


def _lowest_confidence(frames: Sequence[GradedFrame]) -> GradedFrame | None:
    rejects = [f for f in frames if f.judgement.verdict == "reject"]
    return min(
        rejects, key=lambda f: (not f.name.isprintable(), f.judgement.confidence), default=None
    )


def _short_name(graded: Graded, frame: GradedFrame) -> str:
    """As little of a frame's name as `explain` takes for it alone."""
    names = dict.fromkeys(f.name for f in (*graded.frames, *graded.culled))
    return FrameNames(names).shortest(frame.name)
