"""Graded nights for testing the page: numbers only, with pictures of any bytes."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from subgrade.diagnosis import diagnose_night
from subgrade.judging import judge_night, left_out, load_limits
from subgrade.night.model import Night
from subgrade.results import Graded, GradedFrame
from subgrade.results.model import Problem
from subgrade.stars.model import CutOut, FramePictures, Picture, ShapeField
from tests.judged_nights import Shot, guide_of, moffat_image, night_of, steady

HOSTILE = [
    "</script><script>alert(1)</script>.fits",
    "<img src=x onerror=alert(2)>.fits",
    "\"'><svg onload=alert(3)>.fits",
    "{{DATA}} <!-- <script .fits",
    "=cmd|'x'!A1, \"q\".fits",
    "line\u2028break \u202etxt.fits",
    "bytes \udcff.fits",
    "a\nb.fits",
]


@dataclass(frozen=True)
class Kept:
    """Pictures at hand, as the cache hands them out."""

    pictures: FramePictures | None

    def load(self) -> FramePictures | None:
        return self.pictures


def pictures_of(size: int = 300) -> FramePictures:
    """Pictures of so many bytes each; no browser is asked to decode them."""
    data = bytes(np.random.default_rng(size).integers(0, 256, size, np.uint8))
    small = Picture(data, 96, 96, "image/webp")
    places = ("bottom left", "lower left", "centre", "upper right", "top right")
    cuts = tuple(CutOut(p, 100.0 + 9 * k, 200.0, 24, small) for k, p in enumerate(places))
    return FramePictures(Picture(data, 256, 213, "image/jpeg"), 0.2, cuts)


def shape_field(xx=2.0, yy=1.6, xy=0.1) -> ShapeField:
    """The same shape all over the frame of `night_of`."""
    coefficients = np.zeros((3, 6))
    coefficients[:, 0] = xx, yy, xy
    return ShapeField(coefficients, np.full((3, 6), 0.01), 599.5, 499.5, 781.0, 100)


def lost_night(count: int = 12) -> list[Shot]:
    """Mostly good; frame 3 clouded, 5 trailed, 7 drawn out."""
    shots = steady(count, image=moffat_image(3.0), shape_field=shape_field())
    shots[3] = replace(shots[3], transparency=0.4)
    shots[5] = Shot(status="trailed", length=50.0, transparency=np.nan)
    shots[7] = replace(
        shots[7],
        eccentricity=0.8,
        fwhm=3.8,
        image=moffat_image(3.0, (-2.0, 0.0, 2.0), (0.3, 0.4, 0.3), 30.0),
    )
    return shots


def graded_of(shots, guided=False, names=None, pictures=None, **facts) -> Graded:
    """Judge a night of shots; ``facts`` go over every frame's header."""
    night = night_of(shots)
    if facts:
        frames = tuple(replace(f, facts=replace(f.facts, **facts)) for f in night.frames)
        night = replace(night, frames=frames)
    guiding = guide_of(night, {}) if guided else None
    if guiding:  # its samples start with the first exposure
        guiding = replace(guiding, clock=replace(guiding.clock, add_s=0.0))
    limits = load_limits()
    verdicts = judge_night(night, limits, guiding)
    diagnosis = diagnose_night(night, verdicts, guiding, limits, [])
    names = names or [f.name for f in night.frames]
    frames = tuple(
        GradedFrame(
            name,
            Path("/n") / name,
            replace(verdict, frame=name),
            f.facts,
            f.stars,
            compared,
            exposure,
            Kept(pictures),
        )
        for name, f, verdict, compared, exposure in zip(
            names,
            night.frames,
            verdicts,
            night.compared,
            guiding.exposures if guiding else [None] * len(names),
            strict=True,
        )
    )
    return Graded(Path("/n"), frames, night.groups, limits, guiding=guiding, diagnosis=diagnosis)


def unreadable_only() -> Graded:
    """Two files, neither of which could be read."""
    frames = tuple(
        GradedFrame(n, Path("/n") / n, left_out(n, "unreadable", "cut short"))
        for n in ("a.fits", "b.fits")
    )
    limits = load_limits()
    diagnosis = diagnose_night(
        Night((), (), ()), (), None, limits, [(f.name, "cut short") for f in frames]
    )
    problems = tuple(Problem(f.name, "cut short") for f in frames)
    return Graded(Path("/n"), frames, (), limits, problems, diagnosis=diagnosis)


def data_of(page: str) -> dict:
    """The page's own data, read as a browser would find it."""
    block = re.search(r'<script type="application/json" id="data">(.*?)</script', page, re.DOTALL)
    data = json.loads(block.group(1))
    later = re.findall(r'<script type="application/json" class="later">(.*?)</script', page)
    frames = zip(data["frames"], map(json.loads, later), strict=True)
    return {**data, "frames": [now | rest for now, rest in frames]}


def grouped_night(names=None) -> Graded:
    """`lost_night` as two groups of one target, the second with a long filter name."""
    graded = graded_of(lost_night(), guided=True, names=names)
    filters = "L", "H-alpha 6 nm narrow, second wheel"
    groups = tuple(
        replace(
            graded.groups[0],
            label=f"Field, {name}, 120 s",
            filter=name,
            members=graded.groups[0].members[k::2],
        )
        for k, name in enumerate(filters)
    )
    frames = tuple(
        replace(
            f,
            compared=replace(f.compared, group=k % 2),
            facts=replace(f.facts, filter=filters[k % 2]),
        )
        for k, f in enumerate(graded.frames)
    )
    return replace(graded, groups=groups, frames=frames)
