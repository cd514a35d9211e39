"""Seasons of plain values for the tests of their page: nothing is measured or tied."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np

from subgrade.season.model import (
    AdviceFollowed,
    Change,
    Dependence,
    FrameTable,
    FrameWeight,
    GradedNight,
    History,
    HistoryPoint,
    HoursRow,
    NightSeries,
    Season,
    SeasonLoss,
    SeasonStack,
    Setup,
    StackPart,
    Tie,
)

SETUP = Setup("1.26″/px, 2400 × 1600", "mono", (1600, 2400), (1, 1), 1.26)
LOST_TO = ("cloud", "seeing", "wind_trail", "dec_drift", "focus")
FIRST = dt.datetime(2025, 11, 3, 20, tzinfo=dt.UTC)
EVERY_DAYS = 4


def table(night: int, frames: int, series: int, timed: bool, scaled: bool) -> FrameTable:
    """Frames of one night, filters in blocks; what was lost lies in one run."""
    rng = np.random.default_rng(night)
    order = np.arange(frames)
    start = (FIRST + dt.timedelta(days=EVERY_DAYS * night)).timestamp() + 190.0 * order
    lost = (order > 0.6 * frames) & (order < (0.6 + 0.05 * (1 + night % 5)) * frames)
    word = LOST_TO[night % len(LOST_TO)]
    clear = 0.75 + 0.25 * rng.random() - 0.2 * lost + 0.03 * rng.standard_normal(frames)
    wide = (1.9 + 0.6 * rng.random()) + 0.1 * rng.standard_normal(frames) + 0.5 * lost
    texts = {
        "name": [f"light_{k:04d}.fits" for k in order],
        "path": [f"/n/{night}/light_{k:04d}.fits" for k in order],
        "key": [""] * frames,
        "content": [f"{night}-{k}" for k in order],
        "verdict": np.where(lost, "reject", "keep").tolist(),
        "reason": np.where(lost, word, "").tolist(),
    }
    numbers = {
        "series": (order * series // max(frames, 1)).astype(int),
        "start_unix": start if timed else np.full(frames, np.nan),
        "exposure_s": np.full(frames, 180.0),
        "weight": np.where(lost, 0.0, np.clip(clear, 0, 1)),
        "fwhm_px": wide / (1.26 if scaled else 1.0),
        "eccentricity": 0.35 + 0.05 * rng.random(frames),
        "angle_deg": 180 * rng.random(frames),
        "background_adu": 900 + 200 * rng.random(frames),
        "noise_adu": 30 + rng.random(frames),
        "transparency": clear,
        "transparency_is_limit": np.zeros(frames, bool),
        "guide_rms_ra_arcsec": 0.5 + 0.1 * rng.random(frames),
        "guide_rms_dec_arcsec": 0.4 + 0.1 * rng.random(frames),
    }
    return FrameTable(**{k: tuple(v) for k, v in texts.items()}, **numbers)


def season_of_values(
    nights: int = 6,
    frames: int = 30,
    targets: tuple[str | None, ...] = ("M 31",),
    filters: tuple[str | None, ...] = ("L", "Ha"),
    folder: Path = Path("/s"),
    timed: bool = True,
    scaled: bool = True,
    more: str = "",
) -> Season:
    """A season of nights alike, with something of every kind in it.

    ``more`` is put behind every text that comes from outside.
    """
    setup = SETUP if scaled else Setup("2400 × 1600", None, (1600, 2400), (1, 1))
    pairs = [(t, f) for t in targets for f in filters]
    series = tuple(
        NightSeries(f"{t}, {f}{more}", t and t + more, f and f + more, 180.0, setup, k)
        for k, (t, f) in enumerate(pairs)
    )
    graded = tuple(
        GradedNight(
            label_of(n) + more if timed else f"night {n + 1}{more}",
            folder / f"night_{n:02d}{more}",
            table(n, frames, len(series), timed, scaled),
            series,
            {},
            notes=(f"Two nights in one folder.{more}",) if n == 1 else (),
        )
        for n in range(nights)
    )
    stacks = tuple(stack_of(graded, k, scaled, more) for k in range(len(series)))
    return Season(
        graded,
        ties_of(graded),
        stacks,
        weights_of(graded),
        histories_of(nights, more) if nights > 1 else (),
        dependences_of(more) if timed else (),
        losses_of(graded),
        advice_of(nights, more),
        (
            f"{hours(sum(s.kept_s for s in stacks))} of {nights} nights kept.{more}",
            "Cloud or haze cost most of what can not be cured.",
            "Dec drift cost 2 h 06 min: align the polar axis.",
        ),
        ((f"/s/pictures{more}", "holds no results"),),
    )


def label_of(night: int) -> str:
    return (FIRST + dt.timedelta(days=EVERY_DAYS * night)).date().isoformat()


def hours(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h"


def stack_of(graded: tuple[GradedNight, ...], series: int, scaled: bool, more: str) -> SeasonStack:
    """The stack of one series over all nights; the second of several nights harms a plain mean."""
    rows, parts = [], []
    for n, night in enumerate(graded):
        inside = night.frames.series == series
        kept = int((night.frames.kept & inside).sum())
        of = int(inside.sum())
        rows.append(
            HoursRow(n, series, 180.0, SETUP.label, of, kept, kept * 180.0, (of - kept) * 180.0)
        )
    for row in rows:
        harms = row.night == 1 and len(rows) > 2
        depth = row.kept / max(sum(r.kept for r in rows), 1)
        without = 2.21 - 0.1 * harms
        parts.append(
            StackPart(
                *(row.night, row.kept, row.kept_s, depth, 2.2 + 0.3 * harms, without, 0.31),
                *(np.sqrt(1 - depth) * (1.08 if harms else 1.0), harms),
            )
        )
    poorest = next((p.night for p in parts if p.better_without), -1)
    left = f"The plain mean is better without {graded[poorest].label}: 2.21″ instead of 2.31″."
    every = "Every night helps."
    named = graded[0].series[series]
    return SeasonStack(
        *(named.target, named.filter, tuple(rows)),
        *(sum(r.kept_s for r in rows), sum(r.lost_s for r in rows)),
        *(0, f"light_0003.fits{more}", "″" if scaled else "px", sum(r.kept for r in rows)),
        *(2.25, 0.3, 0.95 * np.sqrt(sum(r.kept for r in rows)), 2.31),
        *(0.9 * np.sqrt(sum(r.kept for r in rows)), tuple(parts), poorest),
        left if poorest >= 0 else every,
        (f"Another camera on one night.{more}",) if series == 0 else (),
    )


def ties_of(graded: tuple[GradedNight, ...]) -> tuple[Tie, ...]:
    rng = np.random.default_rng(5)
    ties = [
        Tie(n, k, *(0.8 + 0.2 * rng.random(), 0.004, 1.0, 412, 0.7 + 0.3 * rng.random()))
        for n, night in enumerate(graded)
        for k in range(len(night.series))
    ]
    if len(ties) > 4:
        ties[3] = Tie(ties[3].night, ties[3].series, note="no stars in common")
    return tuple(ties)


def weights_of(graded: tuple[GradedNight, ...]) -> tuple[FrameWeight, ...]:
    return tuple(
        FrameWeight(n, name, path, int(k), float(w), float(t))
        for n, night in enumerate(graded)
        for name, path, k, w, t in zip(
            night.frames.name,
            night.frames.path,
            night.frames.series,
            night.frames.weight,
            night.frames.transparency,
            strict=True,
        )
        if w > 0
    )


def histories_of(nights: int, more: str) -> tuple[History, ...]:
    """One that changed half way, one steady, one with a single night measured."""
    rng = np.random.default_rng(9)
    half = nights // 2
    pole = tuple(
        HistoryPoint(n, (2.1 if n < half else 10.9) + 0.3 * rng.standard_normal(), 0.3, "")
        for n in range(nights)
    )
    sentence = (
        f"The polar axis moved between {label_of(half - 1)} and {label_of(half)}: "
        f"2.1 ± 0.3′ to 10.9 ± 0.3′.{more}"
    )
    seeing = tuple(HistoryPoint(n, 2.2 + 0.3 * rng.standard_normal()) for n in range(nights))
    return (
        History(
            *("polar_error", "Polar error", "′", "", pole, 6.0, 0.4, 0.2),
            (Change(half - 1, half, 2.1, 0.3, 10.9, 0.3, 21.0, sentence),),
            sentence,
        ),
        History(
            *("seeing", "Seeing at the zenith", "″", f"L{more}", seeing, 2.2, 0.1, 0.3),
            verdict="Steady within the scatter of the nights.",
        ),
        History(
            *("worm_period", "Worm period", "s", "", (HistoryPoint(0, 478.9, 1.2),)),
            verdict="Measured on one night only.",
        ),
    )


def dependences_of(more: str) -> tuple[Dependence, ...]:
    x = tuple(np.arange(-4.0, 5.0))
    return (
        Dependence(
            *("seeing_by_hour", "Seeing", "″", "Hours from midnight", "h", f"L{more}", x),
            *(tuple(2.4 - 0.04 * v for v in x), (0.05,) * len(x), (30,) * len(x), -0.04, 0.006),
            "Seeing improves by 0.04 ± 0.006″ an hour.",
        ),
        Dependence(
            *("sky_by_moon", "Sky", "mag/arcsec²", "Altitude of the Moon", "°", ""),
            *((-20.0, 0.0, 20.0, 40.0), (0.0, 0.05, 0.6, 1.1), (0.03, 0.03, 0.05, float("nan"))),
            (120, 60, 40, 22),
            verdict="The sky is 1.1 mag brighter with the Moon at 40°.",
        ),
    )


def losses_of(graded: tuple[GradedNight, ...]) -> tuple[SeasonLoss, ...]:
    total = sum(night.frames.exposure_s.sum() for night in graded) or 1.0
    found = []
    for word in LOST_TO:
        by_night = [
            (n, count, count * 180.0)
            for n, night in enumerate(graded)
            if (count := night.frames.reason.count(word))
        ]
        if by_night:
            lost = sum(row[2] for row in by_night)
            frames = sum(row[1] for row in by_night)
            text = word.replace("_", " ")
            found.append(SeasonLoss(word, text, frames, lost, lost / total, tuple(by_night)))
    return tuple(sorted(found, key=lambda loss: -loss.lost_s))


def advice_of(nights: int, more: str) -> tuple[AdviceFollowed, ...]:
    action = f"Align the polar axis{more}"
    known = nights > 1
    return (
        AdviceFollowed(
            *("polar alignment", "dec_drift", action, (0,), "yes" if known else "not known"),
            *(1 if known else -1, "the polar error fell from 10.9 ± 0.3′ to 2.1 ± 0.3′"),
            *(12.0, 3.0, 1.5, 0.8, "yes" if known else "not known"),
            "Followed since the second night, and it helped." if known else "One night only.",
        ),
        AdviceFollowed(
            *("wind", "wind_trail", f"Shield the telescope{more}", (0, 2), "not known"),
            sentence="The record shows nothing of it.",
        ),
    )
