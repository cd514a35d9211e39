"""Everything the page shows, as plain values."""

from __future__ import annotations

from subgrade.causes.reasons import REASONS
from subgrade.guiding.model import GuideNight
from subgrade.report.drawings import frame_views, most_oval, motion, star_picture, whiskers
from subgrade.report.trace import exposure_path, night_trace
from subgrade.results import (
    Graded,
    GradedFrame,
    culled_line,
    problems_parted,
    quantity_text,
    quantity_words,
    session_record,
)

OF_THE_SESSION = (
    "format", "program", "written_utc", "folder", "totals", "causes", "groups", "guiding",
    "night", "diagnosis", "remarks", "teaching", "marks",
)  # fmt: skip
OF_THE_FRAME = ("values", "group", "shape_status", "notes")


def page_record(graded: Graded) -> dict:
    """The night as the page reads it.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    dict
        Parts of `subgrade.results.session_record`, and ``reasons`` (word to short and long
        text), ``trace`` (see `night_trace`, None without a usable record), ``frames`` with
        ``start_unix`` and the drawings of each, ``left_out`` (the sentence on culled frames or
        None), ``problems`` of frames, ``unused_records`` (file and cause each).
    """
    problems, unused = problems_parted(graded.problems)
    session = session_record(graded)
    moved = most_oval([frame.stars for frame in graded.frames])
    guiding = graded.guiding if session["guiding"] and session["guiding"]["used"] else None
    return {
        **{name: session[name] for name in OF_THE_SESSION},
        "reasons": {r.word: {"short": r.short, "long": r.long} for r in REASONS.values()},
        "left_out": culled_line(graded),
        "problems": [{"file": f, "cause": c} for f, c in problems],
        "unused_records": [{"file": f, "cause": c} for f, c in unused],
        "trace": night_trace(guiding) if guiding else None,
        "frames": [
            _told(row) | _drawn(frame, guiding, k in moved)
            for k, (frame, row) in enumerate(zip(graded.frames, session["frames"], strict=True))
        ],
        "marked": _marked(graded),
    }


def _told(row: dict) -> dict:
    """The numbers of a frame, without what the page does not show."""
    reasons = (row["values"]["reasons"] or "").split(";")
    evidence = [
        {
            "reason": e["reason"],
            "quantity": quantity_words(e["quantity"]),
            **{
                n: quantity_text(e["quantity"], e[n], e["unit"])
                for n in ("value", "usual", "limit")
                if e[n] is not None
            },
            "points": round(e["points"], 1),
            # what speaks of other reasons is told by its numbers alone, which keeps the page small
            **({"text": e["text"]} if e["reason"] in reasons else {}),
        }
        for e in row["evidence"]
    ]
    return {name: row[name] for name in OF_THE_FRAME} | {"evidence": evidence}


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
    """Marks given to this run that the verdicts alone do not tell, by frame."""
    person = graded.person
    if person is None:
        return {}
    other = {"keep": "reject", "reject": "keep"}
    verdicts = {f.name: f.judgement.verdict for f in graded.frames}
    told = {name: other.get(verdicts.get(name)) for name in person.still}
    told |= {name: verdicts.get(name) for name in person.overruled}
    return {name: word for name, word in told.items() if word in other}
