"""The same stars over all frames of a pointing: who is who, and how bright each time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from subgrade.memo import remembered
from subgrade.night.model import Frame
from subgrade.night.register import Registered, match_radius, positions
from subgrade.stars.model import NOT_A_STAR, FrameStars, StarFlag

MASTER_SNR = 8.0
"""Detections fainter than this never found a new star."""
UNUSABLE = int(
    NOT_A_STAR | StarFlag.SATURATED | StarFlag.EDGE | StarFlag.BLENDED | StarFlag.BAD_PIXEL
)
"""Flags that make a flux untrustworthy."""


@dataclass(frozen=True, slots=True)
class SkyTable:
    """Every sighting of every star of one pointing.

    Attributes
    ----------
    members : tuple of int
        Registered frames; ``frame`` counts in this order.
    sky : ndarray of complex, shape (stars,)
        Star positions on the reference, px.
    frame, star : ndarray of int, shape (sightings,)
    flux, noise : ndarray, shape (sightings,)
        ADU; noise is the matched filter's, sky only.
    place : ndarray of complex, shape (sightings,)
        Where on the frame, px.
    sound : ndarray of bool, shape (sightings,)
        Whether the flux can be trusted (not saturated, blended, cut or blank).
    frame_noise : ndarray, shape (frames,)
        Typical flux noise of the frame, ADU.
    inside : ndarray of bool, shape (frames, stars)
        Whether the star's place lies on the frame, clear of its edge.
    """

    members: tuple[int, ...]
    sky: np.ndarray
    frame: np.ndarray
    star: np.ndarray
    flux: np.ndarray
    noise: np.ndarray
    place: np.ndarray
    sound: np.ndarray
    frame_noise: np.ndarray
    inside: np.ndarray


def collect(frames: Sequence[Frame], registered: Registered) -> SkyTable:
    """Match all frames of a pointing into one table of stars.

    The reference's stars come first; each further frame adds the stars that no
    earlier one had.  Stars seen in fewer than two frames are dropped.
    """
    members = tuple(i for i in registered.members if i in registered.transforms)
    # From the richest frame to the poorest, so that a cloudy one adds little of its own.
    order = sorted(
        range(len(members)),
        key=lambda k: (-registered.registrations[members[k]].matched, k),
    )
    sky = np.zeros(0, complex)
    sightings = []
    for k in order:
        index = members[k]
        here, placed, mask = _placed(frames[index], registered, index)
        reach = _reach(frames[index], registered, index)
        known_as = (sky, placed, reach)
        star = remembered("identify", known_as, partial(_identify, *known_as)).copy()
        catalogue = frames[index].stars.catalogue
        new = (star < 0) & (catalogue.snr[mask] >= MASTER_SNR) & catalogue.is_star[mask]
        star[new] = len(sky) + np.arange(int(new.sum()))
        sky = np.concatenate([sky, placed[new]])
        known = star >= 0
        rows = mask[known]
        flux, noise = _whole_flux(frames[index].stars, rows)
        sightings.append(
            (np.full(len(rows), k), star[known], here[known], flux, noise, catalogue.flags[rows])
        )
    return _assemble(frames, registered, members, sky, sightings)


def _placed(
    frame: Frame, registered: Registered, index: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Detections with a flux: frame positions, reference positions, catalogue rows."""
    catalogue = frame.stars.catalogue
    keep = (
        (catalogue.flux > 0)
        & (catalogue.snr > 0)
        & np.isfinite(catalogue.x)
        & np.isfinite(catalogue.y)
        & ((catalogue.flags & int(StarFlag.SHARP | StarFlag.STREAK)) == 0)
    )
    if index in registered.masks:
        keep &= ~registered.masks[index]
    rows = np.flatnonzero(keep)
    here = positions(frame.stars)[rows]
    return here, registered.transforms[index](here), rows


def _reach(frame: Frame, registered: Registered, index: int) -> float:
    rms = registered.registrations[index].rms_px
    return float(np.clip(4 * rms, 1.5, match_radius(frame.stars)))


def _identify(sky: np.ndarray, placed: np.ndarray, reach: float) -> np.ndarray:
    """Star number of each placed detection, -1 for a new one; one to one."""
    from scipy.spatial import cKDTree

    star = np.full(len(placed), -1)
    if not len(sky) or not len(placed):
        return star
    tree = cKDTree(np.column_stack([sky.real, sky.imag]))
    distance, nearest = tree.query(
        np.column_stack([placed.real, placed.imag]), distance_upper_bound=reach
    )
    hit = np.flatnonzero(np.isfinite(distance))
    order = hit[np.argsort(distance[hit], kind="stable")]
    _, first = np.unique(nearest[order], return_index=True)
    winners = order[first]
    star[winners] = nearest[winners]
    # A loser is the second detection of a known star, not a new star.
    losers = np.setdiff1d(hit, winners)
    star[losers] = -2
    return star


def _whole_flux(stars: FrameStars, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flux and noise of detections, ADU, the two images of doubled stars added up."""
    # a step during the exposure splits each star's light; one image alone would pass for cloud
    from scipy.spatial import cKDTree

    catalogue = stars.catalogue
    flux = np.asarray(catalogue.flux, float)[rows]
    noise = flux / np.asarray(catalogue.snr, float)[rows]
    apart = stars.length_px * np.exp(1j * np.radians(stars.angle_deg))
    if stars.shape_status != "doubled" or not np.isfinite(apart) or not len(rows):
        return flux, noise
    z = np.asarray(catalogue.x, float) + 1j * np.asarray(catalogue.y, float)
    tree = cKDTree(np.column_stack([z.real, z.imag]))
    reach = float(np.clip(0.25 * abs(apart), 1.0, 3.0))
    best = np.full(len(rows), np.inf)
    partner = np.full(len(rows), -1)
    for side in (apart, -apart):
        spot = z[rows] + side
        distance, hit = tree.query(
            np.column_stack([spot.real, spot.imag]), distance_upper_bound=reach
        )
        closer = distance < best
        best[closer], partner[closer] = distance[closer], hit[closer]
    found = partner >= 0
    flux[found] += np.asarray(catalogue.flux, float)[partner[found]]
    return flux, np.where(found, np.sqrt(2), 1.0) * noise


def _assemble(
    frames: Sequence[Frame],
    registered: Registered,
    members: tuple[int, ...],
    sky: np.ndarray,
    sightings: Sequence[tuple[np.ndarray, ...]],
) -> SkyTable:
    """Number the stars that were seen at least twice, and line up their sightings."""
    columns = [np.concatenate(c) for c in zip(*sightings, strict=True)]
    frame, star, place, flux, noise, flags = columns
    times = np.bincount(star, minlength=len(sky))
    kept = np.flatnonzero(times >= 2)
    renumber = np.full(len(sky), -1)
    renumber[kept] = np.arange(len(kept))
    rows = np.flatnonzero(renumber[star] >= 0)
    return SkyTable(
        members=members,
        sky=sky[kept],
        frame=frame[rows],
        star=renumber[star[rows]],
        flux=flux[rows],
        noise=noise[rows],
        place=place[rows],
        sound=((flags.astype(int) & UNUSABLE) == 0)[rows],
        frame_noise=_median_by(frame, noise, len(members)),
        inside=_inside(frames, registered, members, sky[kept]),
    )


def _median_by(key: np.ndarray, value: np.ndarray, count: int) -> np.ndarray:
    out = np.full(count, np.nan)
    for k in range(count):
        mine = value[key == k]
        if len(mine):
            out[k] = np.median(mine)
    return out


def _inside(
    frames: Sequence[Frame], registered: Registered, members: tuple[int, ...], sky: np.ndarray
) -> np.ndarray:
    out = np.zeros((len(members), len(sky)), dtype=bool)
    for k, index in enumerate(members):
        stars = frames[index].stars
        here = registered.transforms[index].inverse()(sky)
        margin = 4 * (stars.fwhm_px if np.isfinite(stars.fwhm_px) else 4.0)
        out[k] = (
            (here.real > margin)
            & (here.real < stars.width - 1 - margin)
            & (here.imag > margin)
            & (here.imag < stars.height - 1 - margin)
        )
    return out
