"""Measure one frame: the order of work, from pixels to `FrameStars`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.stars.assemble import empty_result, measure_again, result
from subgrade.stars.catalogue import LARGEST_SIGMA_PX, build_catalogue
from subgrade.stars.damage import examine
from subgrade.stars.detect import Detections, block_noise, detect
from subgrade.stars.ellipse import ellipse_from_moments
from subgrade.stars.model import FrameStars, Streak
from subgrade.stars.saturation import saturation_level
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.stack import stack_stars
from subgrade.stars.streaks import find_streaks
from subgrade.stars.view import View, first_view, refined, settled, star_mask

LEAST_STREAK_PX = 120
"""Least length of a satellite trail, px; common practice, no source."""
LEAST_SIDE_PX = 32
"""Frames smaller than this hold no sky to speak of."""


def measure_stars(
    pixels: Pixels,
    facts: HeaderFacts | None = None,
    settings: MeasureSettings | None = None,
    stored: Pixels | None = None,
) -> FrameStars:
    """Sky, stars, star shape and soundness of one frame.

    Parameters
    ----------
    pixels : Pixels
        One plane; a colour mosaic as stored.
    facts : HeaderFacts, optional
        Only the mosaic pattern and the saturation level are used.
    settings : MeasureSettings, optional
    stored : Pixels, optional
        The same frame before it was calibrated, which damage is looked for in.

    Returns
    -------
    FrameStars
        Numbers that could not be measured are NaN, with the cause in
        ``shape_status`` and ``shape_note``.
    """
    measured = _measured(pixels, facts, settings or MeasureSettings())
    stored = pixels if stored is None else stored
    if min(stored.shape) < LEAST_SIDE_PX:
        return measured
    sound = examine(stored, measured.catalogue, measured.fwhm_px)
    return replace(
        measured, flaws=sound.flaws, row_marks=sound.row_marks, margins_px=sound.margins_px
    )


def _measured(pixels: Pixels, facts: HeaderFacts | None, settings: MeasureSettings) -> FrameStars:
    if min(pixels.shape) < LEAST_SIDE_PX:
        return empty_result(pixels, f"the frame is smaller than {LEAST_SIDE_PX} pixels")
    view = first_view(pixels, facts, settings)
    if not np.isfinite(view.noise):
        return empty_result(pixels, "no pixel of the frame has a value")
    if view.noise <= 0:
        return empty_result(
            pixels, "all pixels have the same value: there is no sky noise", settled(view, settings)
        )
    try:
        found = detect(pixels, view.means, view.sky, view.parity, settings)
        sigma = (found.moments[0] * found.moments[1] - found.moments[2] ** 2) ** 0.25
        wanted = 14 * sigma * (2.0 if found.whole_blobs else 1.0)
        if len(found) >= 5 and wanted > view.sky.mesh_px:
            # stars as large as a sky cell would pass for sky
            view = first_view(pixels, facts, settings, star_px=wanted / 6)
            found = detect(pixels, view.means, view.sky, view.parity, settings)
    except OverflowError as error:
        return empty_result(pixels, str(error), settled(view, settings))
    if sigma > LARGEST_SIGMA_PX:
        cause = "what stands out is too large for a star"
        return empty_result(pixels, cause, settled(view, settings))
    mask = star_mask(pixels.shape, found.bright, found.block_px, 1.5 * sigma + 2)
    view = refined(view, mask, settings)
    stated = facts.saturation_adu if facts else None
    view = replace(view, saturation=saturation_level(view, found.x, found.y, stated, sigma))
    view, catalogue = build_catalogue(view, found, settings)
    if catalogue is None:
        cause = "no star stands out from the sky"
        if len(found) > 2:
            cause = (
                f"{len(found)} places stand out from the sky, but they share no common star shape"
            )
        return empty_result(pixels, cause, view)
    streaks = trails(view, found, sigma)
    stack = stack_stars(view, catalogue, settings)
    catalogue = measure_again(view, catalogue, stack, streaks, settings)
    return result(view, catalogue, stack, streaks, settings)


def trails(view: View, found: Detections, sigma: float) -> tuple[Streak, ...]:
    """Satellite trails, on blocks of 4 px, with the stars masked and long lines not."""
    if found.quarter is None:
        return ()
    noise = block_noise(found.quarter, view.sky, 4)
    least = max(LEAST_STREAK_PX, 25 * sigma)
    if found.whole_blobs:  # the pieces of one star's faint line must not make a trail
        major = float(ellipse_from_moments(*found.moments)[0])
        least = max(least, 20 * major)
    stars = ~found.long[found.bright.blob]
    mask = star_mask(view.pixels.shape, found.bright, found.block_px, 1.5 * sigma + 2, stars)
    return find_streaks(found.quarter, view.sky, 4, noise, mask, least)
