"""Nights with holes in them: nothing fails, nothing is divided by, no sentence holds a nan."""

from __future__ import annotations

import warnings
from dataclasses import asdict, replace

import numpy as np
import pytest

from subgrade.season.advice import advice_followed
from subgrade.season.dependences import dependences
from subgrade.season.histories import histories
from subgrade.season.losses import losses
from subgrade.season.model import NAN, GradedNight, Season, Tie
from subgrade.season.summary import summary
from tests.season_over_time import night, pole

TOPICS = ("polar alignment", "focus", "wind", "dither", "guide exposure", "odd", "unguided mount")
ACTION = "Guide with shorter exposures; settle longer; guide the mount"
CORRECTIONS = (None, {}, {"ra_share": None, "ra_ms_per_arcsec": 100.0})


def odd(rng, day: int) -> GradedNight:
    """A night of which any part may be missing."""
    frames = int(rng.choice([0, 1, 2, 5, 40]))
    more = {
        "exposure": rng.choice([NAN, 120.0, 0.1]),
        "fwhm_px": rng.choice([NAN, 2.0, 0.0]),
        "background": rng.choice([NAN, -5.0, 0.0, 1000.0]),
        "noise": rng.choice([NAN, 0.0, 9.0]),
        "rms": rng.choice([NAN, 0.5]),
        "advice": [{"topic": t, "action": ACTION} for t in rng.choice(TOPICS, 2)],
    }
    if rng.random() < 0.5:
        more["pole"] = pole(*(5 * rng.normal(size=2)), error=rng.choice([None, 0.4, 0.0]))
    if rng.random() < 0.5:
        given = CORRECTIONS[rng.integers(3)]
        more["guiding"] = {"corrections": given, "cadence_s": rng.choice([None, 2.0])}
    if rng.random() < 0.5:
        more |= {"site": (48.0, 11.0), "pointing": (150.0, 30.0)}
    if rng.random() < 0.3:
        slope, error = rng.choice([None, 0.1]), rng.choice([None, 0.01])
        more["trends"] = {"focus_slope": slope, "focus_error": error, "focus_unit": "°C"}
    if frames:
        word = str(rng.choice(["cloud", "dec_drift", "", "strange", "unreadable"]))
        more["lost"] = {word: int(rng.integers(frames + 1))}
    return _without(rng, night(day, frames, **more))


def _without(rng, one: GradedNight) -> GradedNight:
    """The same, now and then without times, record, series or a date."""
    chance, frames = rng.random(5), len(one.frames)
    if chance[0] < 0.2:
        one = replace(one, frames=replace(one.frames, start_unix=np.full(frames, NAN)))
    if chance[1] < 0.1:
        one = replace(one, record={})
    if chance[2] < 0.1:
        none = replace(one.frames, series=np.full(frames, -1))
        one = replace(one, series=(), frames=none)
    return replace(one, alone=chance[3] > 0.2, label="odd" if chance[4] < 0.2 else one.label)


def sentences(value):
    """Every text of nested plain values."""
    if isinstance(value, dict):
        return [t for v in value.values() for t in sentences(v)]
    if isinstance(value, list | tuple):
        return [t for v in value for t in sentences(v)]
    return [value] if isinstance(value, str) else []


@pytest.mark.parametrize("seed", range(25))
def test_whatever_is_missing(seed):
    rng = np.random.default_rng(seed)
    nights = tuple(odd(rng, day) for day in range(rng.integers(0, 8)))
    ties = tuple(
        Tie(
            k,
            0,
            float(rng.choice([NAN, 1.0, 0.5])),
            float(rng.choice([NAN, 0.01])),
            float(rng.choice([NAN, 1.0])),
            9,
            float(rng.choice([NAN, 0.9])),
        )
        for k, one in enumerate(nights)
        if one.series
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        known = histories(nights, ties)
        season = Season(
            nights,
            ties,
            histories=known,
            dependences=dependences(nights, ties),
            losses=losses(nights),
            advice=advice_followed(nights, known),
        )
        text = summary(season)
    parts = [asdict(p) for p in (*known, *season.dependences, *season.losses, *season.advice)]
    for line in sentences([*parts, *text]):
        assert "nan" not in line.split()
        assert "inf" not in line
        assert "unknown" not in line or line.startswith("not reduced")
