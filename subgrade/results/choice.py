"""How strict: what each number of kept frames would give, for session.json and the page."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from subgrade.choosing import PREFERENCES, Stack, StackCurve, stack_curve, stackable
from subgrade.results.model import Graded, GradedFrame, is_surplus

SHOWN = (("snr_over_all", 4), ("fwhm_px", 4), ("eccentricity", 4))
"""Numbers of each stack along a curve, and the decimals kept."""


def choice_record(graded: Graded) -> dict:
    """The person's choice and the curves that it lies on.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    dict
        ``keep`` (share or None), ``prefer``, ``stack`` as asked, and ``groups``: of each group
        ``passing`` and ``kept`` (frames) and, by what is preferred, a curve or None where fewer
        than two frames can be stacked.  A curve has ``order`` (places in ``frames`` of the
        session, best first, those that pass before the others), ``counts``, ``seconds`` and, for
        ``mean`` and ``weighted``, lists of what `SHOWN` names at each count; S/N is over that of
        a plain mean of all.  NaN for a stack of no frame.
    """
    asked = graded.settings
    return {
        "keep": asked.get("keep"),
        "prefer": asked.get("prefer", PREFERENCES[0]),
        "stack": asked.get("stack", "mean"),
        "groups": [_group(graded.frames, k) for k in range(len(graded.groups))],
    }


def passes(frame: GradedFrame) -> bool:
    """Whether no limit and no mark rejects a frame."""
    return frame.judgement.verdict == "keep" or is_surplus(frame)


def _group(frames: Sequence[GradedFrame], group: int) -> dict:
    mine = [k for k, f in enumerate(frames) if f.compared and f.compared.group == group]
    members = [frames[k] for k in mine]
    passing = np.array([passes(f) for f in members], bool)
    kept = sum(f.judgement.verdict == "keep" for f in members)
    record = {"passing": int(passing.sum()), "kept": kept}
    if sum(stackable(f.stars, f.compared) for f in members) < 2:
        return record | dict.fromkeys(PREFERENCES)
    for prefer in PREFERENCES:
        curve = stack_curve(
            [f.stars for f in members], [f.compared for f in members], passing, prefer, [kept]
        )
        record[prefer] = _curve(curve, mine, members)
    return record


def _curve(curve: StackCurve, places: list[int], members: Sequence[GradedFrame]) -> dict:
    times = np.cumsum([members[k].facts.exposure_s or 0.0 for k in curve.order])
    # the last count is that of all frames, whatever the order
    whole = curve.mean[-1].snr
    return {
        "order": [places[k] for k in curve.order],
        "counts": list(curve.counts),
        "seconds": [round(float(times[n - 1]), 3) for n in curve.counts],
        "mean": _numbers(curve.mean, whole),
        "weighted": _numbers(curve.weighted, whole),
    }


def _numbers(stacks: Sequence[Stack], whole: float) -> dict[str, list[float]]:
    values = {
        "snr_over_all": [s.snr / whole for s in stacks],
        "fwhm_px": [s.fwhm_px for s in stacks],
        "eccentricity": [s.eccentricity for s in stacks],
    }
    return {name: [round(v, digits) for v in values[name]] for name, digits in SHOWN}
