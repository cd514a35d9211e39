"""How much starlight each frame received, relative to the group's clear level.

The same stars are compared frame to frame, so star counts, seeing and sky
brightness do not enter.  Steps: one zero point per frame and one brightness per
star over the night (`zero_points`); extinction by altitude taken out and the
clear level found (`clear`); then each frame's mean ratio over its stars, whole
and by quarter, in linear flux.

Two traps near the detection limit are avoided.  Stars are chosen, and weighted,
by the S/N they *should* have in the frame, not by the one they had, since only
the lucky ones of the faint are detected.  And where many stars that should be
there are not (a thick bank over part of the field), each missing star counts as
half the light that would just have been detected.

A frame that could not be registered because next to no star is left gets an
upper limit as its transparency, with an equal error and a note: from the stars
its neighbour in time shows, the brightest that should have been detected and
was not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.night.clear_level import (
    LN_PER_MAG,
    PAIR_BELOW,
    Extinction,
    airmass_of,
    clear_level,
    fit_extinction,
)
from subgrade.night.model import NAN, Frame
from subgrade.night.register import Registered, usable_stars
from subgrade.night.similarity import fit_similarity
from subgrade.night.sky_table import SkyTable, collect
from subgrade.night.zero_points import ZeroPoints, solve_zero_points

GOOD_SNR = 12.0
"""Stars predicted fainter than this are left to frames that have no better."""
FEWEST_STARS = 8
STAR_IMAGE_ERROR = 0.035
"""Error of the star image's light over its peak with one star; on GalSim frames that of all
fluxes is 0.4 % with 70 stars, 0.6 % with 35."""
LOG_ROOT_2PI = 0.5 * np.log(2 * np.pi)
MISSING_SHARE = 0.1
"""Missing stars up to this share are put down to blends, edges and blemishes."""


@dataclass(frozen=True, slots=True)
class Throughput:
    """Transparency of one frame.

    ``value`` and ``error`` are ratios to the clear level; ``stars`` is how many
    stars were compared; ``note`` states when the value is an upper limit or why
    there is none.
    """

    value: float = NAN
    error: float = NAN
    quarters: tuple[float, float, float, float] = (NAN, NAN, NAN, NAN)
    stars: int = 0
    note: str = ""


def group_transparency(
    frames: Sequence[Frame], registered: Registered
) -> tuple[dict[int, Throughput], Extinction]:
    """Transparency of every member of one group.

    Parameters
    ----------
    frames : sequence of Frame
        The whole night.
    registered : Registered
        The group on its reference.

    Returns
    -------
    dict of int to Throughput, Extinction
        By frame index; and the extinction that was taken out.
    """
    extinction = Extinction(0.0, NAN, "none")
    if len(registered.transforms) < 2:
        note = "no other frame shows the same stars"
        return {i: Throughput(note=note) for i in registered.members}, extinction
    table = collect(frames, registered)
    zero = _zero_points(table)
    facts = [frames[i].facts for i in table.members]
    airmass = airmass_of([f.airmass for f in facts], [f.mid_unix or f.start_unix for f in facts])
    dimming = np.zeros(len(facts))
    if airmass is not None:
        extinction = fit_extinction(zero.frame, zero.frame_error, airmass)
        dimming = LN_PER_MAG * extinction.k * (airmass - np.nanmin(airmass))
    level = clear_level(zero.frame + dimming, zero.frame_error, PAIR_BELOW)
    # What each star gives in a clear frame at each frame's altitude.
    clear_flux = np.exp(zero.star[None, :] + level - dimming[:, None])
    out = _compare(frames, table, zero, clear_flux)
    for i in registered.members:
        if i not in out:
            out[i] = _upper_limit(frames, i, registered, table, clear_flux, zero)
    return out, extinction


def _zero_points(table: SkyTable) -> ZeroPoints:
    """Solve the night, then again with stars chosen by their predicted S/N."""
    count, stars = len(table.members), len(table.sky)
    snr = table.flux / table.noise
    sound = table.sound if _enough(table, table.sound) else np.ones_like(table.sound)
    use = sound & (snr >= GOOD_SNR)
    use |= sound & _starved(table.frame, use, count)
    variance = 1 / np.maximum(snr, 1.0) ** 2
    value = np.log(table.flux)
    solution = solve_zero_points(
        table.frame[use], table.star[use], value[use], variance[use], count, stars
    )
    for _ in range(2):
        predicted = solution.frame[table.frame] + solution.star[table.star]
        expected = np.exp(predicted) / table.frame_noise[table.frame]
        known = np.isfinite(expected)
        expected = np.where(known, expected, snr)
        use = sound & (expected >= GOOD_SNR)
        use |= sound & _starved(table.frame, use, count)
        variance = 1 / np.maximum(expected, 1.0) ** 2
        # The mean logarithm of a noisy flux lies half its relative variance low.
        level = value + 0.5 * np.where(expected > 4, variance, 0.0)
        solution = solve_zero_points(
            table.frame[use], table.star[use], level[use], variance[use], count, stars
        )
    return solution


def _enough(table: SkyTable, sound: np.ndarray) -> bool:
    """Whether most frames keep a few stars when only sound ones count."""
    per_frame = np.bincount(table.frame[sound], minlength=len(table.members))
    return np.median(per_frame) >= 3


def _starved(frame: np.ndarray, use: np.ndarray, count: int) -> np.ndarray:
    """True at sightings of frames that would be left with too few stars."""
    return (np.bincount(frame[use], minlength=count) < FEWEST_STARS)[frame]


def _compare(
    frames: Sequence[Frame], table: SkyTable, zero: ZeroPoints, clear_flux: np.ndarray
) -> dict[int, Throughput]:
    """Mean flux ratio of each registered frame, whole and by quarter."""
    detected = np.zeros((len(table.members), len(table.sky)), dtype=bool)
    detected[table.frame, table.star] = True
    reliable = _reliable(table, detected, zero, clear_flux)
    order = np.argsort(table.frame, kind="stable")
    cuts = np.searchsorted(table.frame[order], np.arange(len(table.members) + 1))
    out = {}
    for k, index in enumerate(table.members):
        rows = order[cuts[k] : cuts[k + 1]]
        missing = np.flatnonzero(reliable & table.inside[k] & ~detected[k])
        out[index] = _one_frame(frames[index], table, zero, clear_flux[k], k, rows, missing)
    return out


def _reliable(
    table: SkyTable, detected: np.ndarray, zero: ZeroPoints, clear_flux: np.ndarray
) -> np.ndarray:
    """Stars found nearly always when they were on the frame and bright enough."""
    guess = np.exp(zero.frame[:, None] + zero.star[None, :]) / table.frame_noise[:, None]
    due = table.inside & (np.nan_to_num(guess) >= GOOD_SNR)
    seen = (due & detected).sum(axis=0)
    return (due.sum(axis=0) >= 2) & (seen >= 0.8 * due.sum(axis=0)) & np.isfinite(clear_flux[0])


def _one_frame(
    frame: Frame,
    table: SkyTable,
    zero: ZeroPoints,
    clear: np.ndarray,
    k: int,
    rows: np.ndarray,
    missing: np.ndarray,
) -> Throughput:
    if not np.isfinite(zero.frame[k]):
        return Throughput(note="no usable star in common with the other frames")
    level = float(np.exp(zero.frame[k] + np.nanmedian(zero.star - np.log(clear))))
    rows = rows[_comparable(table, rows, level * clear / table.frame_noise[k])]
    if not len(rows):
        return Throughput(note="none of its stars can be compared")
    star = table.star[rows]
    limit = 1.2 * max(frame.stars.stars_snr_limit or 5.0, 3.0) * table.frame_noise[k]
    due = missing[level * clear[missing] > max(GOOD_SNR * table.frame_noise[k], 2 * limit)]
    faintest = _faintest_listed(frame) * table.frame_noise[k]
    flux = _unlucky(table.flux[rows], clear[star], level, table.frame_noise[k], faintest)
    ratio = flux / clear[star]
    sigma = np.hypot(table.frame_noise[k] / clear[star], zero.floor * level)
    sigma = np.hypot(sigma, zero.frame_extra[k] * level)
    here, lost = table.place[rows], np.zeros(0)
    if len(due) > MISSING_SHARE * (len(due) + len(rows)):
        # A bright star's absence means more than a faint one's.
        due_bright = due[level * clear[due] > 5 * limit]
        bright = level * clear[star] > 5 * limit
        if len(due_bright) + bright.sum() >= 20:
            due, here, ratio, sigma = due_bright, here[bright], ratio[bright], sigma[bright]
        lost = 0.5 * limit / clear[due]
        here = np.concatenate([here, _places_on(table, k, due)])
        ratio = np.concatenate([ratio, lost])
        sigma = np.concatenate([sigma, np.hypot(lost, zero.frame_extra[k] * level)])
    quarters = _quarters(frame, here, ratio, sigma, len(lost))
    if len(lost):
        value = float(np.mean(ratio))
        error = float(np.std(ratio) / np.sqrt(len(ratio)) + lost.sum() / len(ratio))
        note = f"expected stars that are missing, counted as nearly dark: {len(lost)}"
    else:
        value, error = robust_mean(ratio, sigma)
        note = ""
    error = float(np.hypot(error, value * _common_error(frame)))
    return Throughput(value, error, quarters, len(rows), note)


def _comparable(table: SkyTable, rows: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """Which sightings of a frame to compare, by every star's expected S/N in it."""
    star = table.star[rows]
    expected = expected[star]
    sound = np.isfinite(expected) & table.sound[rows]
    # A star seen in this frame alone has its brightness from this frame.
    known = np.bincount(table.star[table.sound], minlength=len(table.sky)) >= 3
    if len(table.members) > 3 and (sound & known[star]).sum() >= 3:
        sound &= known[star]
    if sound.sum() < 3:
        sound = np.isfinite(expected)
    use = sound & (expected >= GOOD_SNR)
    return sound if use.sum() < FEWEST_STARS else use


def _common_error(frame: Frame) -> float:
    """Relative error that all fluxes of a frame share, from the star image they are fitted with."""
    used = frame.stars.stars_in_shape
    return STAR_IMAGE_ERROR / np.sqrt(used) if used else 0.0


def _faintest_listed(frame: Frame) -> float:
    """S/N from which a star of this frame makes its list, well below the one that counts."""
    catalogue = frame.stars.catalogue
    snr = np.asarray(catalogue.snr)[catalogue.is_star]
    counted = max(frame.stars.stars_snr_limit or 5.0, 3.0)
    snr = snr[np.isfinite(snr)]
    return float(min(np.quantile(snr, 0.02), counted)) if len(snr) >= 20 else min(counted, 7.0)


def _unlucky(
    flux: np.ndarray, clear: np.ndarray, level: float, noise: float, limit: float
) -> np.ndarray:
    """Fluxes lowered by what detection favours: only the lucky of the faint are seen."""
    # A star of true flux F and noise s, seen only above L, has the mean F + s phi(a) / (1 - Phi(a))
    # with a = (L - F) / s (truncated normal law); F follows from the frame's level, found anew each
    # round.
    from scipy.special import log_ndtr

    out = flux
    for _ in range(8):
        excess = np.clip((limit - level * clear) / noise, -40, 8)
        out = flux - noise * np.exp(-0.5 * excess**2 - LOG_ROOT_2PI - log_ndtr(-excess))
        # Weights that do not depend on how lucky a star was: clear flux over equal noise.
        level = max(float(out @ clear / (clear @ clear)), 0.02 * level)
    return out


def _places_on(table: SkyTable, k: int, stars: np.ndarray) -> np.ndarray:
    """Where missing stars should lie on the frame, from its sightings' own geometry."""
    rows = np.flatnonzero(table.frame == k)
    fit, _ = fit_similarity(table.sky[table.star[rows]], table.place[rows])
    return fit(table.sky[stars])


def robust_mean(value: np.ndarray, sigma: np.ndarray) -> tuple[float, float]:
    """Weighted Huber mean and its error, scaled up when the scatter exceeds ``sigma``.

    Parameters
    ----------
    value, sigma : ndarray, shape (n,)

    Returns
    -------
    float, float
    """
    centre = float(np.median(value))
    if len(value) < 3:
        weight = 1 / sigma**2
        return float(weight @ value / weight.sum()), float(1 / np.sqrt(weight.sum()))
    scale = max(1.0, MAD_TO_SIGMA * float(np.median(np.abs(value - centre) / sigma)))
    for _ in range(10):
        t = np.abs(value - centre) / (sigma * scale)
        weight = np.minimum(1.0, 2.0 / np.maximum(t, 1e-12)) / sigma**2
        centre = float(weight @ value / weight.sum())
    return centre, float(scale / np.sqrt(weight.sum()))


def _quarters(
    frame: Frame, here: np.ndarray, ratio: np.ndarray, sigma: np.ndarray, lost: int
) -> tuple[float, float, float, float]:
    """Mean ratio by image quarter; NaN where fewer than three stars speak."""
    right = here.real > (frame.stars.width - 1) / 2
    upper = here.imag > (frame.stars.height - 1) / 2
    quarter = right.astype(int) + 2 * upper.astype(int)
    out = []
    for q in range(4):
        mine = quarter == q
        if mine.sum() < 3:
            out.append(NAN)
        elif lost:
            out.append(float(np.mean(ratio[mine])))
        else:
            out.append(robust_mean(ratio[mine], sigma[mine])[0])
    return tuple(out)


def _upper_limit(
    frames: Sequence[Frame],
    index: int,
    registered: Registered,
    table: SkyTable,
    clear_flux: np.ndarray,
    zero: ZeroPoints,
) -> Throughput:
    """What an unregistered frame still shows: nothing this bright got through."""
    stars = frames[index].stars
    if stars.shape_status not in ("none", "few", "measured"):
        return Throughput(note="its stars are too distorted to be distinguished")
    nearest = int(np.argmin([abs(i - index) for i in table.members]))
    due = clear_flux[nearest][table.inside[nearest] & np.isfinite(zero.star)]
    noise = _flux_noise(frames, index, table)
    if not len(due) or not np.isfinite(noise):
        return Throughput(note="not registered, and no limit can be set")
    chosen = usable_stars(stars, registered.masks.get(index))
    limit_snr = max(stars.stars_snr_limit or 5.0, 3.0)
    seen = 0
    if len(chosen):
        catalogue = stars.catalogue
        seen = int((catalogue.is_star[chosen] & (catalogue.snr[chosen] >= limit_snr)).sum())
    # Allow for chance in which stars show: two sigma of a Poisson count.
    rank = seen + 1 + 2 * int(np.ceil(np.sqrt(seen + 1)))
    bright = np.sort(due)[::-1]
    if rank > len(bright):
        return Throughput(note=f"not registered; {seen} stars seen, too many to set a limit")
    value = float(limit_snr * noise / bright[rank - 1])
    if value >= 1:
        return Throughput(note="not registered; the frame is too noisy to set a limit")
    note = f"upper limit: {len(bright)} stars expected, {seen} seen"
    return Throughput(value, value, (NAN,) * 4, 0, note)


def _flux_noise(frames: Sequence[Frame], index: int, table: SkyTable) -> float:
    """Flux noise of a frame without usable stars, scaled from the others."""
    # a matched filter's noise goes as pixel noise times FWHM (King 1983)
    others = [frames[i].stars for i in table.members]
    pixel = np.array([s.noise_adu for s in others])
    width = np.array([s.fwhm_px for s in others])
    usual = np.nanmedian(width) if np.isfinite(width).any() else 1.0
    scale = np.nanmedian(table.frame_noise / (pixel * np.where(np.isfinite(width), width, usual)))
    mine = frames[index].stars
    own = mine.fwhm_px if np.isfinite(mine.fwhm_px) else usual
    return float(scale * mine.noise_adu * own)
