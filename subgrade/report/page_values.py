"""Everything the page shows, as plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from subgrade.diagnosis import number
from subgrade.figures import eccentricity_text, likely
from subgrade.guiding.model import GuideNight
from subgrade.judging.model import DOUBTFUL
from subgrade.judging.reasons import REASONS
from subgrade.night.model import Group
from subgrade.optional_parts import attempt
from subgrade.plaintext import printable
from subgrade.report.drawings import frame_views, most_oval, motion, star_picture, whiskers
from subgrade.report.events import night_events
from subgrade.report.motion_star import smeared_picture, typical_picture, typical_stars
from subgrade.report.time_line import lane_limits, near_times
from subgrade.report.trace import exposure_path, night_trace
from subgrade.report.your_marks import (
    marked_before,
    marks_in_short,
    what_marks_changed,
    without_marks,
)
from subgrade.results import (
    Graded,
    GradedFrame,
    culled_line,
    decided,
    every_problem,
    evidence_words,
    frame_record,
    headline,
    looks,
    night_record,
    night_rms,
    problems_parted,
    quantity_numbers,
    quantity_texts,
    quoted,
    session_record,
    shells_here,
    verdict_values,
    with_marks,
)
from subgrade.stars.model import StarImage

OF_THE_SESSION = (
    "format",
    "program",
    "written_utc",
    "folder",
    "totals",
    "causes",
    "groups",
    "guiding",
    "night",
    "choice",
    "remarks",
    "teaching",
    "marks",
)
MOST_PICTURED = 1000
"""Frames whose pictures and drawings are on the page, 15 kB each: those that a person looks at
first."""
OF_THE_FRAME = ("values", "group", "shape_status", "notes")


def page_record(graded: Graded, session: dict | None = None) -> dict:
    """The night as the page reads it.

    Parameters
    ----------
    graded : Graded
    session : dict, optional
        Its `subgrade.results.session_record`, where that was made before.

    Returns
    -------
    dict
        Parts of `subgrade.results.session_record`, and ``columns`` (see
        `subgrade.results.looks`), ``reasons`` (word to short and long text), ``guiding_rms``
        (see `subgrade.results.night_rms`; None where unknown), ``trace`` (see `night_trace`,
        None without a usable record), ``typical_stars`` of the groups, ``frames`` with
        ``start_unix``, the drawings of each, what marks changed (``by_marks``) and the verdict
        without a mark that overruled it (``own_verdict``), ``doubtful`` (the confidence below which
        a verdict is), ``marked`` (see `marked_before`), ``again`` (see
        `subgrade.results.with_marks`), ``by_your_marks`` (see `marks_in_short`), ``left_out`` (the
        sentence on culled frames or None), ``problems`` of frames, ``unused_records`` (file and
        cause each), ``events`` (see `night_events`), ``headline`` (see
        `subgrade.results.headline`).
    """
    session = session_record(graded) if session is None else session
    problems, unused, _ = problems_parted(every_problem(graded))
    near = attempt(
        "places of files without a time", lambda: near_times(graded), [None] * len(graded.frames)
    )
    pictured = _pictured(graded.frames)
    moved = most_oval([frame.stars for frame in graded.frames])
    widths = [_typical_width(group) for group in graded.groups]
    typical = typical_stars(graded.frames, widths)
    changed, own = what_marks_changed(graded), without_marks(graded)
    guiding = graded.guiding if session["guiding"] and session["guiding"]["used"] else None
    record = {
        **{name: session[name] for name in OF_THE_SESSION},
        **_of_the_night(graded, session),
        "columns": looks(),
        "reasons": {r.word: {"short": r.short, "long": r.long} for r in REASONS.values()},
        "problems": [{"file": f, "cause": c} for f, c in problems],
        "unused_records": [{"file": f, "cause": c} for f, c in unused],
        "guiding_rms": [v if math.isfinite(v) else None for v in night_rms(graded)],
        "trace": night_trace(guiding) if guiding else None,
        "events": attempt("what happened between the frames", lambda: night_events(graded), []),
        "typical_stars": [typical_picture(*pair) for pair in zip(typical, widths, strict=True)],
        "frames": [
            _numbers(frame, row)
            | _facts(frame)
            | (_drawn(frame, guiding) if k in pictured else NOT_DRAWN)
            | {
                "motion": _motion(frame, typical) if k in moved else None,
                "by_marks": changed.get(frame.name, []),
                "near_unix": near[k],
                **({"own_verdict": own[frame.name]} if frame.name in own else {}),
            }
            for k, (frame, row) in enumerate(zip(graded.frames, session["frames"], strict=True))
        ],
        "doubtful": DOUBTFUL,
        "again": with_marks(graded.settings),
    }
    return _shown(record)


def review_record(settings: Mapping, folder: Path, marks: str) -> dict:
    """What `page_record` has in another way where a server keeps the marks.

    Parameters
    ----------
    settings : mapping
        As for `subgrade.results.with_marks`.
    folder : Path
        RESULTS, absolute.
    marks : str
        Name of the file in it where the marks are kept.

    Returns
    -------
    dict
        ``again``, its marks those of that file, and ``reviewed``: ``marks``, the path of the
        file, and ``command``, which opens the review anew.
    """
    path = str(folder / marks)
    command = quoted(["subgrade", "review", str(folder)], shells_here()[0])
    known = command if command.isprintable() else "subgrade review RESULTS"
    again = with_marks({**settings, "marks": None}, path)
    return {"again": again, "reviewed": _shown({"marks": path, "command": known})}


def changed_record(graded: Graded) -> dict:
    """The parts of `page_record` about the night as a whole, which follow a person's marks.

    Beside them by place among the frames, as text, what marks changed (``by_marks``) and the
    verdict without a mark that overruled it (``own``).
    """
    night = night_record(graded)
    known = {name: night[name] for name in OF_THE_SESSION if name in night}
    each = {"by_marks": what_marks_changed(graded), "own": without_marks(graded)}
    by_place = {
        key: {str(k): of[f.name] for k, f in enumerate(graded.frames) if f.name in of}
        for key, of in each.items()
    }
    return _shown(known | _of_the_night(graded, night) | by_place)


def changed_frame(frame: GradedFrame) -> dict:
    """Of a frame of `page_record` what follows a person's marks: columns, evidence, shares."""
    row = frame_record(frame)
    numbers = _numbers(frame, row)
    return _shown(
        {**verdict_values(frame), "evidence": numbers["evidence"], "shares": numbers["shares"]}
    )


def _of_the_night(graded: Graded, session: dict) -> dict:
    """What the page says of the night as a whole, beside what the session holds of it."""
    missing = problems_parted(every_problem(graded)).parts
    return {
        "diagnosis": _story(session["diagnosis"]),
        "headline": headline(session["causes"], session["diagnosis"]),
        "remarks": [*session["remarks"], *(f"Missing: {name}: {cause}" for name, cause in missing)],
        "left_out": culled_line(graded),
        "marked": marked_before(graded),
        "by_your_marks": marks_in_short(graded),
    }


def _shown(value: object) -> object:
    """Plain values with every text as a screen may have it, names as keys among them."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, dict):
        return {printable(k): _shown(v) for k, v in value.items()}
    return [_shown(v) for v in value] if isinstance(value, list) else value


def _story(diagnosis: dict | None) -> dict | None:
    """The diagnosis with its numbers as text, those left out that the sentence holds."""
    if diagnosis is None:
        return None
    findings = [
        {
            **found,
            "numbers": [
                f"{q['name']} {text}"
                for q in found["numbers"]
                if (text := number(q["value"], q["error"], q["unit"])) not in found["sentence"]
                and number(q["value"], None, q["unit"]) not in found["sentence"]
            ],
        }
        for found in diagnosis["findings"]
    ]
    return {**diagnosis, "findings": findings}


def _numbers(frame: GradedFrame, row: dict) -> dict:
    """The numbers of a frame, without what the page does not show."""
    reasons = (row["values"]["reasons"] or "").split(";")
    evidence = [
        {
            "reason": e["reason"],
            "quantity": evidence_words(e),
            **_cells(frame, e),
            **_bar(frame, e, reasons),
            "points": round(e["points"], 1),
            **({"decided": True} if decided(e, reasons) and not e["clue"] else {}),
            # of other reasons the numbers are enough, which keeps the page small
            **({"text": e["text"]} if e["reason"] in reasons else {}),
        }
        for e in row["evidence"]
    ]
    stars = frame.stars
    oval = eccentricity_text(stars.eccentricity, stars.eccentricity_error) if stars else None
    return {
        **{name: row[name] for name in OF_THE_FRAME},
        "values": row["values"] | _unrounded(frame, row),
        "limits": lane_limits(frame, row),
        "evidence": evidence,
        # of two choices a cause may be in both; that of the first reason comes first
        "shares": {
            word: likely(share)
            for weighed in reversed(row["shares"].values())
            for word, share in weighed.items()
        },
        "eccentricity_text": oval if oval != "unknown" else None,
    }


def _unrounded(frame: GradedFrame, row: dict) -> dict[str, float]:
    """Numbers of the table that the evidence shows too: rounded once only, they read alike."""
    inside, scale = frame.guiding, frame.facts.scale_arcsec if frame.facts else None
    shown = {e["quantity"]: e["value"] for e in row["evidence"]}
    found = {name: shown.get(name, row["values"][name]) for name in ("fwhm_px", "eccentricity")}
    if scale and found["fwhm_px"] is not None:
        found["fwhm_arcsec"] = found["fwhm_px"] * scale
    if inside is not None and inside.samples:
        found |= {
            "guide_rms_ra_arcsec": inside.rms_ra,
            "guide_rms_dec_arcsec": inside.rms_dec,
            "guide_peak_arcsec": inside.peak,
        }
    return {
        name: round(float(v), 6) for name, v in found.items() if v is not None and math.isfinite(v)
    }


def _cells(frame: GradedFrame, e: dict) -> dict[str, str]:
    """Value, typical value and limit as text, each left out where there is none."""
    scale = frame.facts.scale_arcsec if frame.facts else None
    texts = zip(("value", "usual", "limit"), quantity_texts(e, scale), strict=True)
    return {name: text for name, text in texts if text}


def _bar(frame: GradedFrame, e: dict, reasons: list[str]) -> dict[str, dict]:
    """What is held against a limit, or decided without one, as numbers to draw; no clue is."""
    if e["clue"] or (e["limit"] is None and not decided(e, reasons)):
        return {}
    scale = frame.facts.scale_arcsec if frame.facts else None
    numbers = quantity_numbers(e, scale)
    return {} if numbers is None else {"bar": numbers}


def _typical_width(group: Group) -> float:
    usual = group.usual.get("fwhm_px")
    return usual.centre if usual else math.nan


def _motion(frame: GradedFrame, typical: list[StarImage | None]) -> dict | None:
    """The inferred motion: its size and direction, and the star it makes of the typical one."""
    found, group = motion(frame.stars), frame.compared.group if frame.compared else -1
    if found is None:
        return None
    star = typical[group] if group >= 0 else None
    sizes = {name: found[name] for name in ("angle_deg", "rms_px", "rms_error_px")}
    return sizes | smeared_picture(frame.stars, star, found)


def _pictured(frames: Sequence[GradedFrame]) -> set[int]:
    """Indices of the frames with pictures: what was lost first, then the doubtful keeps."""

    def first(k: int) -> tuple[bool, float]:
        judgement = frames[k].judgement
        return judgement.verdict == "keep", judgement.confidence

    return set(sorted(range(len(frames)), key=first)[:MOST_PICTURED])


def _facts(frame: GradedFrame) -> dict:
    facts, stars = frame.facts, frame.stars
    return {
        "start_unix": facts.start_unix if facts else None,
        "elapsed_s": (facts.elapsed_s or facts.exposure_s) if facts else None,
        "scale_arcsec": facts.scale_arcsec if facts else None,
        "width": stars.width if stars else None,
        "height": stars.height if stars else None,
    }


def _drawn(frame: GradedFrame, guiding: GuideNight | None) -> dict:
    return {
        "star": star_picture(frame.stars),
        "whiskers": whiskers(frame.stars),
        "path": exposure_path(guiding, frame.facts) if guiding else None,
        **frame_views(frame),
    }


NOT_DRAWN = {
    "star": None,
    "whiskers": None,
    "path": None,
    "thumbnail": None,
    "crops": [],
    "drawn": False,
}
"""What stands for the pictures of the frames beyond `MOST_PICTURED`."""
