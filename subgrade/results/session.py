"""session.json: the night in one file, enough for `explain` without the frames."""

from __future__ import annotations

import datetime
import json
import math
import os
import platform
from collections import Counter
from dataclasses import asdict

from subgrade import __version__
from subgrade.installed import versions
from subgrade.judging.model import Evidence
from subgrade.judging.reasons import SURPLUS, loss_text
from subgrade.night.model import Group
from subgrade.optional_parts import attempt
from subgrade.results.choice import choice_record
from subgrade.results.columns import COLUMNS
from subgrade.results.file_identity import FileIdentity
from subgrade.results.guiding_record import guiding_record
from subgrade.results.model import Graded, GradedFrame, is_surplus
from subgrade.results.night_remarks import night_remarks
from subgrade.results.night_summary import night_summary
from subgrade.results.run_notes import every_problem
from subgrade.results.teaching import marks_record, teaching_record

OF_THE_VERDICT = (
    "verdict",
    "reasons",
    "explanation",
    "confidence",
    "cause_confidence",
    "weight",
)
"""Columns that rest on limits and marks, not on the frame alone."""
FORMAT = 1
"""Raised when a reader of an older file would be misled."""


def session_record(graded: Graded) -> dict:
    """The session as plain values, no NaN among them.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    dict
        Keys ``format``, ``program``, ``versions``, ``written_utc``, ``folder``, ``run_in``
        (the folder that paths of the settings are relative to), ``settings``, ``limits``,
        ``totals``, ``causes``, ``groups``, ``guiding`` (null without a record), ``night`` (see
        `night_summary`), ``choice`` (see `choice_record`),
        ``diagnosis`` (docs/diagnosis.md), ``remarks``, ``problems``,
        ``teaching`` and ``marks`` (null without; docs/teaching.md), ``frames``, ``culled``.
    """
    record = {
        "format": FORMAT,
        "program": {"name": "subgrade", "version": __version__},
        "versions": {"python": platform.python_version(), **versions()},
        "written_utc": utc_now(),
        "folder": str(graded.folder),
        "run_in": graded.run_in or os.getcwd(),
        "settings": graded.settings,
        "limits": graded.limits.as_dict(),
        **_parts(graded),
        "frames": [_frame(f, graded.identities.get(f.path)) for f in graded.frames],
        "culled": [
            {"frame": c.name, "path": str(c.path), "place": str(c.place), "record": c.record}
            for c in graded.culled
        ],
    }
    # last, as any part above may be missing
    return plain(record | {"problems": _problems(graded)})


def _parts(graded: Graded) -> dict:
    """What holds for the night as a whole."""
    return {
        name: attempt(what, lambda make=make: make(graded), otherwise)
        for name, (what, make, otherwise) in _PARTS.items()
    }


def night_record(graded: Graded) -> dict:
    """The parts of `session_record` that are about the night as a whole, as plain values."""
    return plain(_parts(graded))


def frame_record(frame: GradedFrame, identity: FileIdentity | None = None) -> dict:
    """What `session_record` holds of one frame, as plain values."""
    return plain(_frame(frame, identity))


def verdict_values(frame: GradedFrame) -> dict:
    """The columns of one frame that a mark can change, as plain values."""
    return plain({c.name: c.of(frame) for c in COLUMNS if c.name in OF_THE_VERDICT})


def session_json(graded: Graded, record: dict | None = None) -> str:
    """`session_record` as strict JSON text: one made before, with what has failed since."""
    record = session_record(graded) if record is None else record
    record = record | {"problems": plain(_problems(graded))}
    return json.dumps(record, indent=1, allow_nan=False) + "\n"


def _problems(graded: Graded) -> list[dict]:
    return [{"file": p.file, "cause": p.text} for p in every_problem(graded)]


def totals(graded: Graded) -> dict:
    """Frames and integration time, kept and lost; what a choice left out is among the lost."""
    count = Counter(f.judgement.verdict for f in graded.frames)
    surplus = [f for f in graded.frames if is_surplus(f)]
    return {
        "frames": len(graded.frames),
        "kept": count["keep"],
        "rejected": count["reject"],
        "surplus": len(surplus),
        "unreadable": count["unreadable"],
        "kept_s": _seconds(f for f in graded.frames if f.judgement.verdict == "keep"),
        "lost_s": _seconds(f for f in graded.frames if f.judgement.verdict != "keep"),
        "surplus_s": _seconds(surplus),
    }


def causes_counted(graded: Graded) -> list[dict]:
    """Frames and integration time lost to each first reason, most time first; a choice last.

    Frames that are calibration or cannot be read count, with what time is known.
    """
    lost: dict[str, list[GradedFrame]] = {}
    for frame in graded.frames:
        if frame.judgement.verdict != "keep":
            lost.setdefault(frame.judgement.reasons[0], []).append(frame)
    rows = [
        {
            "reason": word,
            "text": loss_text(word, [f.judgement for f in frames]),
            "frames": len(frames),
            "lost_s": _seconds(frames),
        }
        for word, frames in lost.items()
    ]
    by_cost = sorted(rows, key=lambda r: (-r["lost_s"], -r["frames"], r["reason"]))
    return sorted(by_cost, key=lambda r: r["reason"] == SURPLUS)  # a choice is no loss


def remarks_of(graded: Graded) -> list[str]:
    """Remarks on the night as a whole."""
    poor = night_remarks(graded.groups, graded.frames, graded.limits)
    return [*graded.remarks, *poor]


def _guiding(graded: Graded) -> dict | None:
    return guiding_record(graded.guiding) if graded.guiding else None


def _diagnosis(graded: Graded) -> dict | None:
    return asdict(graded.diagnosis) if graded.diagnosis else None


def _groups(graded: Graded) -> list[dict]:
    return [_group(graded, k, g) for k, g in enumerate(graded.groups)]


NO_NIGHT = {"clear_from": None, "frames": 0, "groups": []}
"""What stands for a summary of the night that could not be made."""
NO_CHOICE = {"keep": None, "prefer": "depth", "stack": "mean", "groups": []}
"""The same for the curves of how strict to be."""
_PARTS = {
    "totals": ("the totals", lambda graded: totals(graded), None),
    "causes": ("the table of losses", lambda graded: causes_counted(graded), []),
    "groups": ("the typical values", _groups, []),
    "guiding": ("the guiding record's numbers", _guiding, None),
    "night": ("the summary of the night", lambda graded: night_summary(graded), NO_NIGHT),
    "choice": ("how strict to be", lambda graded: choice_record(graded), NO_CHOICE),
    "diagnosis": ("the diagnosis", _diagnosis, None),
    "remarks": ("the remarks on the night", lambda graded: remarks_of(graded), []),
    "teaching": ("what your marks teach", lambda graded: teaching_record(graded), None),
    "marks": ("your marks", lambda graded: marks_record(graded), None),
}
"""Keys of a session with the part's name, what makes it, and what stands for it if that fails."""


def plain(value):
    """Values as JSON has them: NaN and infinity become null, tuples lists."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if value is None or isinstance(value, str | bool):
        return value
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, int | float) else str(value)


def _group(graded: Graded, index: int, group: Group) -> dict:
    members = [f for f in graded.frames if f.compared and f.compared.group == index]
    return {
        "label": group.label,
        "target": group.target,
        "filter": group.filter,
        "exposure_s": group.exposure_s,
        "frames": len(members),
        "kept": sum(f.judgement.verdict == "keep" for f in members),
        "usual": {name: asdict(usual) for name, usual in group.usual.items()},
    }


def _frame(frame: GradedFrame, identity: FileIdentity | None) -> dict:
    stars = frame.stars
    guiding = attempt(
        "guiding inside the exposures",
        lambda: asdict(frame.guiding) if frame.guiding else None,
        None,
    )
    return {
        "values": {c.name: c.of(frame) for c in COLUMNS},
        "path": str(frame.path),
        "identity": asdict(identity) if identity else None,
        "group": frame.compared.group if frame.compared else None,
        "scale_arcsec": frame.facts.scale_arcsec if frame.facts else None,
        "eccentricity_error": stars.eccentricity_error if stars else None,
        "shape_status": stars.shape_status if stars else None,
        "notes": [*(frame.facts.notes if frame.facts else ()), *(stars.notes if stars else ())],
        "guiding": guiding,
        "shares": {weighed[0][0]: dict(weighed) for weighed in frame.judgement.shares},
        "evidence": [_evidence(e) for e in frame.judgement.evidence],
    }


def _evidence(item: Evidence) -> dict:
    # plain values, which nothing need copy
    found = {name: getattr(item, name) for name in item.__slots__}
    return found if item.named else {k: v for k, v in found.items() if k != "named"}


def _seconds(frames) -> float:
    return float(sum((f.facts.exposure_s or 0.0) if f.facts else 0.0 for f in frames))


def utc_now() -> str:
    """This moment as results state it, ISO 8601 to the second."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")[:19] + "Z"
