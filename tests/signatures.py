"""Stars smeared by formula on a clean night of numbers, for the tests of signatures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.judging import judge_night, load_limits
from subgrade.stars.model import StarImage
from tests.judged_nights import (
    SKY_AXES,
    Shot,
    guide_of,
    moffat_image,
    night_of,
    steady,
)

LIMITS = load_limits()
FWHM = 3.0
S2 = (FWHM / 2.354820) ** 2
BAD, COUNT = 9, 24
E_LIMIT = LIMITS.roundness.floor
V_LIMIT = S2 * E_LIMIT**2 / (1 - E_LIMIT**2)
"""Variance along a line that makes the star just too oval, px^2; one pixel is one arcsec."""
OVER, UNDER = 1.12, 0.88
BOX, ARCSINE = np.sqrt(12 * V_LIMIT), np.sqrt(8 * V_LIMIT)
"""Lengths of a creep and of a swing that make it so, px."""
RA, DEC = 0.0, 90.0
"""Directions of the mount's axes in the image, by `SKY_AXES`."""


def eccentricity(variance: float) -> float:
    return float(np.sqrt(variance / (S2 + variance)))


def drawn(places, shares, angle: float, **changes) -> Shot:
    """A star smeared over places along an axis, px, with shares of the light."""
    places, shares = np.asarray(places, float), np.asarray(shares, float)
    shares = shares / shares.sum()
    centre = shares @ places
    variance = float(shares @ (places - centre) ** 2)
    q = np.sqrt(1 - eccentricity(variance) ** 2)
    image = moffat_image(FWHM, places, shares, angle)
    return Shot(
        fwhm=FWHM / np.sqrt(q),
        eccentricity=eccentricity(variance),
        angle=angle,
        image=image,
        facts={"sky_axes": SKY_AXES},
        **changes,
    )


def creep(length: float, angle: float, **changes) -> Shot:
    return drawn(length * ((np.arange(40) + 0.5) / 40 - 0.5), np.ones(40), angle, **changes)


def swing(length: float, angle: float) -> Shot:
    return drawn(0.5 * length * np.cos(np.pi * (np.arange(40) + 0.5) / 40), np.ones(40), angle)


def glow(times: float) -> Shot:
    """A sky so many times as bright: photon noise is its root (Poisson)."""
    return Shot(sky=1000.0 * times, noise=10.0 * np.sqrt(times), stars=int(300 / np.sqrt(times)))


def hazy(share: float, halo: float) -> StarImage:
    """A star of which a share went into a halo five times as wide."""
    core, wide = moffat_image(FWHM), moffat_image(5 * FWHM)
    grid = np.abs(np.arange(65) - 32)
    y, x = np.meshgrid(grid, grid, indexing="ij")
    # The wide star on the core's grid: its elements are five times as large.
    inner = wide.image[32 + np.rint(y / 5).astype(int), 32 + np.rint(x / 5).astype(int)]
    image = (1 - share) * core.image + share * halo * inner
    return replace(core, image=(image / image.max()).astype(np.float32))


def wet(lost) -> dict[int, Shot]:
    """The last frames of the night, losing such shares of their light to halos as stars swell."""
    return {
        COUNT - len(lost) + k: Shot(
            transparency=1 - x,
            fwhm=FWHM * (1 + 0.3 * x),
            stars=int(300 * (1 - x)),
            image=hazy(0.5 * x, 0.6),
        )
        for k, x in enumerate(lost)
    }


def plain_night() -> list[Shot]:
    shots = steady(COUNT, facts={"sky_axes": SKY_AXES})
    return [replace(s, image=moffat_image(s.fwhm)) for s in shots]


def judged(bad: dict[int, Shot], record: dict | None = None, moved=None, **night):
    """The night's verdicts, with a record that is calm but for the exposures given.

    ``moved`` says by place how far the field shifts with that frame, px, and which part of that
    the frame itself shows; those after it show all.
    """
    shots = plain_night()
    for place, shot in bad.items():
        shots[place] = shot
    for place, (dx, dy, within) in (moved or {}).items():
        shots = [
            replace(s, dx=s.dx + part * dx, dy=s.dy + part * dy)
            for k, s in enumerate(shots)
            for part in [within if k == place else float(k > place)]
        ]
    made = night_of(shots, **night)
    return judge_night(made, LIMITS, None if record is None else guide_of(made, record))


def one(shot: Shot, exposure=None, stays=None, dithered=None, stepped=None, **night):
    """The verdict on one bad frame.

    ``stays`` is a shift that is left of its motion, px; ``dithered`` the step before it;
    ``stepped`` where in it the stars of the frames after it lie.
    """
    moved = None
    if stepped is not None:
        moved = {BAD: (-stepped[0], -stepped[1], 0.0)}
    elif stays is not None:
        moved = {BAD: (*stays, 0.5)}
    elif dithered is not None:
        moved = {BAD: (*dithered, 1.0)}
    record = None if exposure is None else {BAD: exposure}
    return judged({BAD: shot}, record, moved, **night)[BAD]


def along(length: float, angle: float) -> tuple[float, float]:
    """A shift of so many px in a direction, deg."""
    return length * float(np.cos(np.radians(angle))), length * float(np.sin(np.radians(angle)))


def answer(verdict) -> tuple[str, str]:
    return verdict.verdict, verdict.reasons[0] if verdict.reasons else ""
