"""Everything the page shows, as plain values."""

from __future__ import annotations

import math

from subgrade.diagnosis import number
from subgrade.figures import eccentricity_text, likely
from subgrade.guiding.model import GuideNight
from subgrade.judging.reasons import REASONS
from subgrade.optional_parts import attempt
from subgrade.plaintext import printable
from subgrade.report.drawings import frame_views, most_oval, motion, star_picture, whiskers
from subgrade.report.events import night_events
from subgrade.report.time_line import lane_limits, near_times
from subgrade.report.trace import exposure_path, night_trace
from subgrade.results import (
    Graded,
    GradedFrame,
    culled_line,
    decided,
    every_problem,
    evidence_words,
    headline,
    looks,
    night_rms,
    problems_parted,
    quantity_texts,
    session_record,
)

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
    "remarks",
    "teaching",
    "marks",
)
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
        None without a usable record), ``frames`` with ``start_unix`` and the drawings of each,
        ``left_out`` (the sentence on culled frames or None), ``problems`` of frames,
        ``unused_records`` (file and cause each), ``events`` (see `night_events`),
        ``headline`` (see `subgrade.results.headline`).
    """
    session = session_record(graded) if session is None else session
    problems, unused, missing = problems_parted(every_problem(graded))
    near = attempt(
        "places of files without a time", lambda: near_times(graded), [None] * len(graded.frames)
    )
    moved = most_oval([frame.stars for frame in graded.frames])
    guiding = graded.guiding if session["guiding"] and session["guiding"]["used"] else None
    record = {
        **{name: session[name] for name in OF_THE_SESSION},
        "diagnosis": _story(session["diagnosis"]),
        "headline": headline(session["causes"], session["diagnosis"]),
        "remarks": [*session["remarks"], *(f"Missing: {name}: {cause}" for name, cause in missing)],
        "columns": looks(),
        "reasons": {r.word: {"short": r.short, "long": r.long} for r in REASONS.values()},
        "left_out": culled_line(graded),
        "problems": [{"file": f, "cause": c} for f, c in problems],
        "unused_records": [{"file": f, "cause": c} for f, c in unused],
        "guiding_rms": [v if math.isfinite(v) else None for v in night_rms(graded)],
        "trace": night_trace(guiding) if guiding else None,
        "events": attempt("what happened between the frames", lambda: night_events(graded), []),
        "frames": [
            _numbers(frame, row) | {"near_unix": near[k]} | _drawn(frame, guiding, k in moved)
            for k, (frame, row) in enumerate(zip(graded.frames, session["frames"], strict=True))
        ],
        "marked": _marked(graded),
    }
    return _shown(record)


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
            "points": round(e["points"], 1),
            **({"decided": True} if decided(e, reasons) else {}),
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


def _drawn(frame: GradedFrame, guiding: GuideNight | None, moved: bool) -> dict:
    facts, stars = frame.facts, frame.stars
    return {
        "start_unix": facts.start_unix if facts else None,
        "elapsed_s": (facts.elapsed_s or facts.exposure_s) if facts else None,
        "scale_arcsec": facts.scale_arcsec if facts else None,
        "width": stars.width if stars else None,
        "height": stars.height if stars else None,
        "star": star_picture(stars),
        "whiskers": whiskers(stars),
        "motion": motion(stars) if moved else None,
        "path": exposure_path(guiding, facts) if guiding else None,
        **frame_views(frame),
    }


def _marked(graded: Graded) -> dict[str, str]:
    """Marks given to this run that the verdicts alone do not show, by frame."""
    person = graded.person
    if person is None:
        return {}
    other = {"keep": "reject", "reject": "keep"}
    verdicts = {f.name: f.judgement.verdict for f in graded.frames}
    marks = {name: other.get(verdicts.get(name)) for name in person.still}
    marks |= {name: verdicts.get(name) for name in person.overruled}
    return {name: word for name, word in marks.items() if word in other}
