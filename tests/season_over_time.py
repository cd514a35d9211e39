"""Seasons with known truth, made of plain values: nothing is rendered or graded."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from subgrade.season.model import NAN, FrameTable, GradedNight, NightSeries, Setup

SETUP = Setup("1.26″/px, 2400 × 1600", None, (1600, 2400), (1, 1), 1.26)
FIRST_EVENING = 1930000000.0
"""2031-02-27, 19:06:40 UTC."""


def night(
    day: int = 0,
    frames: int = 40,
    *,
    exposure: float = 120.0,
    lost: dict[str, int] | None = None,
    rms=0.6,
    fwhm_px=2.0,
    background=1000.0,
    noise=10.0,
    setup: Setup = SETUP,
    findings=(),
    pole=None,
    guiding=None,
    advice=(),
    site=(NAN, NAN),
    pointing=(NAN, NAN),
    trends=None,
    start: float = FIRST_EVENING,
) -> GradedNight:
    """A night of frames in a row; the first ones are lost to the reasons given, each in a row."""
    reasons = [r for r, count in (lost or {}).items() for _ in range(count)]
    reasons += [""] * (frames - len(reasons))
    names = tuple(f"light_{k:03d}.fits" for k in range(frames))
    begin = start + 86400.0 * day

    def column(value) -> np.ndarray:
        return np.broadcast_to(np.asarray(value, float), frames).copy()

    table = FrameTable(
        names,
        tuple(f"/subs/{day}/{n}" for n in names),
        names,
        names,
        tuple("reject" if r else "keep" for r in reasons),
        tuple(reasons),
        np.zeros(frames, int),
        begin + (exposure + 10.0) * np.arange(frames),
        column(exposure),
        column(1.0),
        column(fwhm_px),
        column(0.3),
        column(0.0),
        column(background),
        column(noise),
        column(1.0),
        np.zeros(frames, bool),
        column(rms),
        column(rms),
    )
    diagnosis = {"findings": list(findings), "advice": list(advice)}
    if pole is not None:
        diagnosis["pole"] = pole
    record = {
        "diagnosis": diagnosis,
        "guiding": None if guiding is None else {"used": True} | guiding,
    }
    label = str(np.datetime64(int(begin), "s"))[:10]
    series = NightSeries("M 31, L, 120 s", "M 31", "L", exposure, setup, 0, trends, *pointing)
    return GradedNight(label, Path(f"/graded/{day}"), table, (series,), record, True, *site)


def pole(high: float, east: float, error: float = 0.4) -> list[dict]:
    """Numbers of the polar axis as a session holds them."""
    size = float(np.hypot(high, east))
    return [
        {"name": "misalignment", "value": size, "error": error, "unit": "′"},
        {"name": "too high", "value": high, "error": error, "unit": "′"},
        {"name": "too far east on the sky", "value": east, "error": error, "unit": "′"},
    ]


def finding(topic: str, reason: str = "", numbers=(), advice: str = "") -> dict:
    """A finding with numbers (name, value, error, unit) and one line of advice."""
    given = (
        [] if not advice else [{"topic": topic, "action": advice, "because": "", "saves_s": 0.0}]
    )
    return {
        "topic": topic,
        "reason": reason,
        "numbers": [dict(zip(("name", "value", "error", "unit"), n, strict=True)) for n in numbers],
        "advice": given,
    }


def without_guiding(one: GradedNight) -> GradedNight:
    """The same night without a guiding record."""
    return replace(one, record=one.record | {"guiding": None})
