"""Which stars of a frame are shown enlarged: five along one diagonal, from corner to corner.

Of the two diagonals the one along which the stars' shape varies more, so that tilt, coma and
field rotation show in one row.
"""

from __future__ import annotations

import numpy as np

from subgrade.stars.model import FrameStars, ShapeField, StarFlag, StarList
from subgrade.stars.shape import field_terms

STEPS = np.linspace(0.0, 1.0, 5)
"""Where along the diagonal a star is wanted, from its left end to its right end."""
PLACES = {
    False: ("bottom left", "lower left", "centre", "upper right", "top right"),
    True: ("top left", "upper left", "centre", "lower right", "bottom right"),
}
"""Names of the five places, by whether the diagonal falls to the right."""
NARROW, WHOLE = 0.3, 1.0
"""How far off the diagonal a star may lie, as a share of the frame; far where none is near."""
BRIGHT = 0.5
"""S/N of a star shown, at least, as a share of the third brightest's at its place."""
LEAST_TO_COMPARE, ODD = 5, 0.1
"""From so many stars on, one is passed over that differs so much from the others, beside its
noise, in distortion or the logarithm of its width: a choice."""
SIGMAS = 3.0
"""By how many standard errors one diagonal must vary more than the other: a choice."""


def stars_along(stars: FrameStars, side: int) -> list[tuple[str, int]]:
    """The stars to show, from the diagonal's left end to its right end.

    Parameters
    ----------
    stars : FrameStars
        With a list of stars.
    side : int
        Sensor pixels along a crop; stars whose crop lies inside the frame go first.

    Returns
    -------
    list of (str, int)
        Place and index in the list; a slice of the frame without a usable star is left out.
    """
    rising, falling = (_along(stars, falls, side) for falls in (False, True))
    lead = _lead(stars) or len(falling) - len(rising)
    return falling if lead > 0 else rising


def _along(stars: FrameStars, falls: bool, side: int) -> list[tuple[str, int]]:
    u = stars.catalogue.x / max(stars.width - 1, 1)
    v = stars.catalogue.y / max(stars.height - 1, 1)
    if falls:
        v = 1.0 - v
    along, off = (u + v) / 2, np.abs(u - v)
    inside = (along >= 0) & (along <= 1)  # a damaged list may place stars off the frame
    slices = np.where(inside, np.minimum(5.0 * np.where(inside, along, 0.0), 4.0).astype(int), -1)
    found = []
    for k, place in enumerate(PLACES[falls]):
        away = np.hypot(u - STEPS[k], v - STEPS[k])
        index = _chosen(stars, slices == k, off, away, side)
        if index is not None:
            found.append((place, index))
    return found


def _chosen(stars: FrameStars, here, off, away, side: int) -> int | None:
    """The nearest bright star: a clean one on the diagonal, else the best there is."""
    listed = stars.catalogue
    margin = np.minimum(
        np.minimum(listed.x, stars.width - 1 - listed.x),
        np.minimum(listed.y, stars.height - 1 - listed.y),
    )
    unfit = StarFlag.SATURATED | StarFlag.EDGE | StarFlag.BAD_PIXEL
    clean = listed.flags == 0
    whole = listed.is_star & ((listed.flags & int(unfit)) == 0)
    here = here & np.isfinite(listed.snr)
    for reach in (NARROW, WHOLE):
        for usable in (clean & (margin >= side / 2), clean, whole):
            some = np.flatnonzero(here & usable & (off <= reach))
            if len(some):
                some = _alike(listed, some)
                least = BRIGHT * np.sort(listed.snr[some])[::-1][:3][-1]
                bright = some[listed.snr[some] >= least]
                return int(bright[np.argmin(away[bright])])
    return None


def _alike(listed: StarList, some: np.ndarray) -> np.ndarray:
    """Of the stars of one place those shaped like most there; hot pixels and pairs are not."""
    xx, yy, xy = (v[some].astype(float) for v in (listed.xx, listed.yy, listed.xy))
    size = xx + yy
    with np.errstate(invalid="ignore", divide="ignore"):
        shapes = np.array([(xx - yy) / size, 2.0 * xy / size, 0.5 * np.log(size)])
    measured = np.isfinite(shapes).all(axis=0)
    if np.count_nonzero(measured) < LEAST_TO_COMPARE:
        return some
    off = np.linalg.norm(shapes - np.median(shapes[:, measured], axis=1)[:, None], axis=0)
    allowed = ODD + SIGMAS * 2.0 / listed.snr[some]
    return some[measured & (off <= allowed)] if (measured & (off <= allowed)).any() else some


def _lead(stars: FrameStars) -> float:
    """By how much the falling diagonal varies more; 0 where that is within the errors."""
    field = stars.shape_field
    if field is None or not np.isfinite(field.coefficients).all():
        return 0.0
    (rising, error), (falling, other) = (_variation(stars, field, falls) for falls in (False, True))
    lead = falling - rising
    return lead if abs(lead) > SIGMAS * np.hypot(error, other) else 0.0


def _variation(stars: FrameStars, field: ShapeField, falls: bool) -> tuple[float, float]:
    """Largest change of shape along a diagonal, distortion and size alike, and its error."""
    x = STEPS * (stars.width - 1)
    y = (1.0 - STEPS if falls else STEPS) * (stars.height - 1)
    u, v = (x - field.x0) / field.half, (y - field.y0) / field.half
    terms = field_terms(u, v, field.coefficients.shape[1])
    xx, yy, xy = field.coefficients @ terms
    size = np.abs(xx + yy)
    mean = max(float(size.mean()), 1e-9)
    shapes = np.array([(xx - yy) / mean, 2.0 * xy / mean, size / mean])
    apart = np.linalg.norm(shapes[:, :, None] - shapes[:, None, :], axis=0)
    errors = np.sqrt(np.nan_to_num(field.errors) ** 2 @ terms**2) / mean
    return float(apart.max()), float(2.0 * errors.max())
