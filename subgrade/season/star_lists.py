"""The stars of one series as a clear frame of it records them, from a few of its best frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from subgrade.season.model import NAN, GradedNight
from subgrade.season.rows import kept_measurements
from subgrade.stars.model import UNCLEAN, StarFlag

if TYPE_CHECKING:
    from subgrade.lights import HeaderFacts
    from subgrade.stars.model import FrameStars

FRAMES = 4
"""Frames read of a series: more would hardly lower the error that all stars of a frame share, and
reading all would take minutes."""
BEST_SHARE = 3
"""One frame in so many, the best by weight, is read from; spread over the night in time."""
LEAST_SNR = 10.0
"""A fainter star is in the list by luck, and too bright by its luck."""
MOST_STARS = 1500
MATCHED = 400
"""Brightest stars that two frames are laid on one another by; the others follow."""


@dataclass(frozen=True, slots=True)
class ClearStars:
    """Stars of a series, brightest first; arrays of shape (n,).

    Attributes
    ----------
    z : ndarray of complex
        Places on the series' own reference frame, px.
    flux, error : ndarray
        Counts of a star in a clear frame, and one sigma from the sky's noise.
    common : float
        Relative error that all of them share.
    radius_px, fwhm_px : float
        How far a star's centroid may stray; its width.
    airmass : float
        Mean of the frames read, NaN unknown.
    gain : float or None
        As the header states it.
    frames : int
    """

    z: np.ndarray
    flux: np.ndarray
    error: np.ndarray
    common: float
    radius_px: float
    fwhm_px: float = NAN
    airmass: float = NAN
    gain: float | None = None
    frames: int = 1

    def __len__(self) -> int:
        return len(self.z)


def clear_stars(night: GradedNight, series: int) -> ClearStars | None:
    """The stars of one series of a night; None where no measurement of a usable frame is there.

    Parameters
    ----------
    night : GradedNight
    series : int
    """
    kept = kept_measurements(night.folder)
    read = []
    for k in _frames_to_read(night, series):
        if len(read) == FRAMES:
            break
        loaded = kept.load(night.frames.key[k])
        if loaded and loaded[1] is not None and loaded[1].catalogue is not None:
            read.append((night.frames.transparency[k], *loaded))
    if not read:
        return None
    lists = [_sound(stars, light) for light, _, stars in read]
    base = int(np.argmax([len(z) for z, _, _ in lists]))
    if len(lists[base][0]) < 3:
        return None
    stars = read[base][2]
    return _combined(lists, base, [s for _, _, s in read], [f for _, f, _ in read], stars)


def _frames_to_read(night: GradedNight, series: int) -> list[int]:
    """A few of the best frames, over the whole of the night; others behind them, for gaps."""
    table = night.frames
    known = table.kept & (table.series == series) & np.isfinite(table.transparency)
    known &= ~table.transparency_is_limit & np.isfinite(table.fwhm_px) & (table.transparency > 0)
    usable = np.flatnonzero(known & np.array([bool(k) for k in table.key], bool))
    by_weight = usable[np.argsort(-np.nan_to_num(table.weight[usable]), kind="stable")]
    good = by_weight[: max(FRAMES, -(-len(by_weight) // BEST_SHARE))]
    if len(good) <= FRAMES:
        return good.tolist()
    # of each stretch of the night the best: light lost with altitude is then the night's mean
    stretches = np.array_split(np.sort(good), FRAMES)
    rank = {k: r for r, k in enumerate(by_weight.tolist())}
    chosen = sorted((min(s.tolist(), key=rank.get) for s in stretches), key=rank.get)
    return chosen + [k for k in good.tolist() if k not in chosen][:FRAMES]


def _sound(stars: FrameStars, light: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, fluxes at transparency 1 and their errors of the stars of a frame worth comparing."""
    found = stars.catalogue
    flux, snr = found.flux.astype(float), found.snr.astype(float)
    good = np.isfinite(found.x) & np.isfinite(found.y) & (flux > 0) & (snr >= LEAST_SNR)
    clean = good & ((found.flags & int(UNCLEAN)) == 0)
    # where stars crowd, most are blended; their light is still fitted
    blended = good & ((found.flags & int(UNCLEAN & ~StarFlag.BLENDED)) == 0)
    use = np.flatnonzero(clean if clean.sum() >= max(30, 0.2 * blended.sum()) else blended)
    use = use[np.argsort(-flux[use], kind="stable")][:MOST_STARS]
    z = found.x[use] + 1j * found.y[use]
    return z, flux[use] / light, flux[use] / snr[use] / light


def _combined(
    lists: Sequence[tuple], base: int, stars: Sequence[FrameStars], facts: Sequence[HeaderFacts], of
) -> ClearStars:
    """Star lists of a few frames laid on one of them, and averaged star by star."""
    from subgrade.night import STAR_IMAGE_ERROR, Pattern, match_radius, match_stars

    z, flux, error = lists[base]
    radius = match_radius(of)
    total, weight = flux / error**2, 1 / error**2
    levels, used, pattern = [0.0], [base], Pattern(z[:MATCHED])
    for k, (there, light, sigma) in enumerate(lists):
        if k == base:
            continue
        match = match_stars(there[:MATCHED], light[:MATCHED], pattern, radius)
        if match is None:
            continue
        partner = nearest(match.transform(there), z, radius)
        mine = np.flatnonzero(partner >= 0)
        theirs = partner[mine]
        levels.append(float(np.median(np.log(light[mine] / flux[theirs]))))
        total[theirs] += light[mine] / sigma[mine] ** 2
        weight[theirs] += 1 / sigma[mine] ** 2
        used.append(k)
    # much of it is neighbours of the same stars, so frames of one night share it
    image = [STAR_IMAGE_ERROR / np.sqrt(max(stars[k].stars_in_shape, 1)) for k in used]
    # how far the frames disagree shows what their transparencies are worth
    scatter = float(np.std(levels, ddof=1)) if len(levels) > 2 else 0.0
    common = max(float(np.sqrt(np.mean(np.square(image)))), scatter / np.sqrt(len(used)))
    air = [NAN if facts[k].airmass is None else facts[k].airmass for k in used]
    mean, sigma = total / weight, 1 / np.sqrt(weight)
    order = np.argsort(-mean, kind="stable")
    return ClearStars(
        z[order],
        mean[order],
        sigma[order],
        common,
        radius,
        float(np.median([stars[k].fwhm_px for k in used])),
        float(np.mean(air)),
        facts[base].gain,
        len(used),
    )


def nearest(z: np.ndarray, among: np.ndarray, radius: float) -> np.ndarray:
    """Index of each star's partner within a radius, one to one, the closer first; -1 for none.

    Parameters
    ----------
    z, among : ndarray of complex, shape (n,), (m,)
    radius : float
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([among.real, among.imag]))
    apart, partner = tree.query(np.column_stack([z.real, z.imag]), distance_upper_bound=radius)
    mine = np.flatnonzero(np.isfinite(apart))
    order = mine[np.argsort(apart[mine], kind="stable")]
    _, first = np.unique(partner[order], return_index=True)
    found = np.full(len(z), -1)
    found[order[first]] = partner[order[first]]
    return found
