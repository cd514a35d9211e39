"""Rows at which stars are cut: what lies on one side of a seam belongs elsewhere.

Light falls off from row to row as smoothly as the star image does, in every star.  Where rows
were shifted sideways or come from another frame, stars end at one row boundary from above
and begin there from below, or step sideways there, all the same way.  Cosmic rays, cores at
full well and blends also end abruptly, yet at any row: how often they do in the frame itself
is the chance that a boundary is held against.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.compiled import kernel
from subgrade.stars.model import Flaw, StarList
from subgrade.stars.raster import cut_stamps

LEAST_SNR = 10.0
MOST_STARS = 2000
"""Brightest detections looked at; more would cost time and hold little light."""
LEAST_STARS = 8
REACH = 5
"""Rows looked at above and below a star's centre."""
ASIDE = 3
"""Columns on either side of it in which a row's peak may lie."""
CHANCE = 1e-6
"""False alarms a frame: probability that chance brings so many cuts to one row boundary."""
DEVIATIONS = 3.0
"""Standard errors by which a row must fall short of the star image to be cut."""
STEEPEST = 0.12
"""Least product of the light a row before and after over the square of the row between, for a
star image that is sampled well enough to say that a star is cut: exp(-1 / s^2) for a Gaussian
of s px, 0.12 at a FWHM of 1.6 px; derived."""


def cut_rows(
    pixels: Pixels, stars: StarList, noise: float, fwhm: float, marks: np.ndarray | None = None
) -> list[Flaw]:
    """Look for rows at which stars are cut or displaced.

    Parameters
    ----------
    pixels : Pixels
        As stored, a colour mosaic too.
    stars : StarList
        Every detection, since a half star may pass for something else.
    noise : float
        Of one pixel, ADU.
    fwhm : float
        Of the stars, px.
    marks : ndarray of uint32, shape (height,), optional
        Checksum of each row, 0 unknown: a row that repeats its neighbour, as a camera fills a
        bad one, makes stars uneven there and belongs nowhere else.

    Returns
    -------
    list of Flaw
        One at most, of kind ``cut``: from the first row behind a seam to the last one before
        the last seam, or to the row behind the only seam; ``count`` is the number of cuts.
    """
    height = pixels.shape[0]
    away = 2 * round(max(3.0, 1.1 * min(fwhm, 15.0)))
    bright = np.flatnonzero((stars.snr > LEAST_SNR) & np.isfinite(stars.x + stars.y))[:MOST_STARS]
    if len(bright) < LEAST_STARS or not noise > 0:
        return []
    flat = np.zeros((1, 1), np.float32)
    stamps = cut_stamps(pixels, flat, 64, stars.x[bright], stars.y[bright], away + 6)
    light = np.full((5, len(stamps), 2 * REACH + 1), np.nan, np.float32)
    work = np.zeros((2, 2 * REACH + 3, 2 * ASIDE + 3), np.float32)
    _row_light(stamps.data, away, work, *light)
    # variance of the weights 1 2 1 and of the four columns they are held against
    events = _events(*light, noise * math.sqrt(10.0))
    if events is None:
        return []
    row = stamps.y0[:, None] + away + 6 + np.arange(-REACH, REACH + 1)
    column = stamps.x0 + away + 6
    down = _by_boundary(events[0], row, column, height)
    up = _by_boundary(events[1], row - 1, column, height)
    if marks is not None:
        repeats = np.flatnonzero((marks[1:] == marks[:-1]) & (marks[1:] != 0)) + 1
        near = (repeats[:, None] + np.arange(-2, 2)).ravel()
        near = near[(near >= 0) & (near < len(down))]
        down[near] = up[near] = 0
    seams = _seams(down, up)
    if not len(seams):
        return []
    first, last = int(seams[0]) + 1, int(seams[-1]) if len(seams) > 1 else int(seams[0]) + 1
    rows_behind = last - first + 1 if len(seams) > 1 else min(first, height - first)
    return [Flaw("cut", first, last, rows_behind / height, int((down + up)[seams].sum()))]


@kernel
def _most(line: np.ndarray, at: int) -> float:
    return max(line[at - 1], line[at], line[at + 1])


@kernel
def _row_light(
    stamps: np.ndarray,
    away: int,
    work: np.ndarray,
    here: np.ndarray,
    before: np.ndarray,
    after: np.ndarray,
    least_before: np.ndarray,
    least_after: np.ndarray,
) -> None:
    """Light of the rows through each star, at its column and near it, over what lies beside it."""
    # Weights 1 2 1 give both colours of a mosaic's row the same say, and so do four columns beside.
    # From ``here`` the brighter side is taken off, from the rows before and behind the darker one.
    middle = stamps.shape[1] // 2
    rows, columns = work.shape[1], work.shape[2]
    first_row, first_column = middle - rows // 2, middle - columns // 2
    for k in range(len(stamps)):
        for j in range(rows):
            line = stamps[k, first_row + j]
            for i in range(columns):
                x = first_column + i
                total = line[x - 1] + 2 * line[x] + line[x + 1]
                p, q = x - away, x + away
                left = line[p - 1] + line[p] + line[p + 1] + line[p + 2]
                right = line[q - 2] + line[q - 1] + line[q] + line[q + 1]
                work[0, j, i] = total - max(left, right)
                work[1, j, i] = total - min(left, right)
        for j in range(1, rows - 1):
            best = 1
            for i in range(2, columns - 1):
                if work[0, j, i] > work[0, j, best]:
                    best = i
            here[k, j - 1] = work[0, j, best]
            before[k, j - 1] = _most(work[0, j - 1], best)
            after[k, j - 1] = _most(work[0, j + 1], best)
            least_before[k, j - 1] = _most(work[1, j - 1], best)
            least_after[k, j - 1] = _most(work[1, j + 1], best)


def _events(
    here: np.ndarray,
    before: np.ndarray,
    after: np.ndarray,
    least_before: np.ndarray,
    least_after: np.ndarray,
    sigma: float,
) -> tuple[np.ndarray, np.ndarray] | None:
    """Rows after which a star ends, and before which it begins, shape (stars, rows), or None."""
    with np.errstate(all="ignore"):
        bright = (here > 20 * sigma) & (before > 0.3 * here) & (after > 0.3 * here)
        product = (before * after / here**2)[bright]
        steep = float(np.median(product)) if len(product) else 0.0
        if not steep > STEEPEST:
            return None
        out = []
        for lit, dark in ((before, least_after), (after, least_before)):
            expected = 0.5 * steep * here**2 / lit
            missing = expected - dark > DEVIATIONS * sigma
            out.append(missing & (lit > 0.3 * here) & (here > 5 * sigma))
        return out[0], out[1]


def _by_boundary(event: np.ndarray, row: np.ndarray, column: np.ndarray, height: int) -> np.ndarray:
    """Number of stars with an event at each boundary; boundary k lies under row k."""
    star, at = np.nonzero(event)
    boundary = row[star, at].astype(np.int64)
    inside = (boundary >= 0) & (boundary < height - 1)
    # two detections of one star count once
    places = np.column_stack((boundary, column[star].astype(np.int64) // 8))[inside]
    return np.bincount(np.unique(places, axis=0)[:, 0], minlength=height - 1)


def _seams(down: np.ndarray, up: np.ndarray) -> np.ndarray:
    """Boundaries that have more cuts than chance brings, above all of both ways at once."""
    # Poisson, with the mean of the frame, of the rows around or of the frame's second percentile
    # from above, whichever is most.
    from scipy.special import pdtrc

    product, both = np.ones(len(down)), np.ones(len(down))
    neighbours = np.r_[np.ones(30), np.zeros(5), np.ones(30)]
    for count in (down, up):
        around = np.convolve(count, neighbours)[32 : 32 + len(count)] / 60
        usual = max((1 + float(np.minimum(count, 2).sum())) / len(count), np.quantile(count, 0.98))
        mean = np.maximum(around, usual)
        product *= np.where(count > 0, pdtrc(count - 1.0, mean), 1.0)
        both *= -np.expm1(-mean)
    product = np.maximum(product, 1e-300)
    # a product t of two probabilities is as small as that with the probability t (1 - ln t)
    # behind an overscan or an empty border stars end, but none begin
    both_ways = (down > 0) & (up > 0)
    rare = product * (1 - np.log(product)) * len(down) < 0.5 * CHANCE
    single = np.flatnonzero(both_ways & rare)
    twofold = np.flatnonzero(both_ways)
    apart = _apart(twofold, product)
    if len(apart) > 1 and pdtrc(len(apart) - 1.0, both.sum()) < 0.5 * CHANCE:
        return apart
    return _apart(single, product)


def _apart(seams: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """The best of each cluster of boundaries."""
    if not len(seams):
        return seams
    groups = np.split(seams, np.flatnonzero(np.diff(seams) > 3) + 1)
    return np.array([g[np.argmin(chance[g])] for g in groups])
