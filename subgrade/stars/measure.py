"""Measure one frame: the order of work, from pixels to `FrameStars`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.stars.assemble import empty_result, measure_again, result
from subgrade.stars.catalogue import LARGEST_SIGMA_PX, build_catalogue
from subgrade.stars.common_star import stack_stars
from subgrade.stars.crowd import together
from subgrade.stars.damage import examine
from subgrade.stars.detect import Detections, block_noise, detect
from subgrade.stars.ellipse import ellipse_from_moments
from subgrade.stars.local_sky import is_rough, ring_px
from subgrade.stars.model import FrameStars, Streak
from subgrade.stars.prepared_frame import View, first_view, refined, settled, spot_mask, star_mask
from subgrade.stars.saturation import saturation_level
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.streaks import find_streaks

LEAST_STREAK_PX = 120
"""Least length of a satellite trail, px; common practice, no source."""
FINE_MESH_PX = 32
"""Side of a sky cell where a glow shines behind the stars, px; smaller ones hold too few blocks
for a level.  It serves to find stars, which get a sky of their own to be measured on."""
LEAST_AGREEING = 5
"""Stars to be found on a glow before a frame without any by plain means is given a second look."""
DOUBTFUL_PX = 15.0
"""Narrow width of stars from which a frame is given that second look too: more narrow stars that
agree among themselves are then the stars, and the wide ones the glow."""
LEAST_SIDE_PX = 32
"""Frames smaller than this hold too little sky to measure."""


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
    plain, glow = _with_sky(pixels, facts, settings, view)
    if glow or (plain.shape_status != "none" and plain.fwhm_minor_px < DOUBTFUL_PX):
        return plain
    # stars may stand on a glow that passes for stars, or hides them
    again, _ = _with_sky(pixels, facts, settings, view, glow=True)
    if plain.shape_status == "none":
        return again if again.stars >= LEAST_AGREEING else plain
    narrower = again.fwhm_minor_px < 0.5 * plain.fwhm_minor_px
    return again if narrower and again.stars_in_shape > plain.stars_in_shape else plain


def _with_sky(
    pixels: Pixels,
    facts: HeaderFacts | None,
    settings: MeasureSettings,
    view: View,
    glow: bool = False,
) -> tuple[FrameStars, bool]:
    """The frame measured, and whether each star was given a sky of its own, as ``glow`` asks."""
    try:
        found = detect(pixels, view.means, view.sky, settings)
        glow = glow or _on_glow(view, found)
        if glow:
            view = first_view(pixels, facts, settings, mesh=FINE_MESH_PX)
            found = detect(pixels, view.means, view.sky, settings)
            view = replace(view, ring=ring_px(ellipse_from_moments(*found.moments)[0]))
        elif len(found) >= 5 and _needed_mesh(found) > view.sky.mesh_px:
            # stars as large as a sky cell would pass for sky
            view = first_view(pixels, facts, settings, star_px=_needed_mesh(found) / 6)
            found = detect(pixels, view.means, view.sky, settings)
    except OverflowError as error:
        return empty_result(pixels, str(error), settled(view, settings)), glow
    sigma = _size(found)
    if sigma > LARGEST_SIGMA_PX:
        cause = "what stands out is too large for a star"
        return empty_result(pixels, cause, settled(view, settings)), glow
    if glow:
        mask = spot_mask(pixels.shape, found.x, found.y, 3.0 * sigma + 2)
    else:
        mask = star_mask(pixels.shape, found.bright, found.block_px, 1.5 * sigma + 2)
    view = refined(view, mask, settings)
    stated = facts.saturation_adu if facts else None
    view = replace(view, saturation=saturation_level(view, found.x, found.y, stated, sigma))
    return _from_stars(view, found, settings), glow


def _from_stars(view: View, found: Detections, settings: MeasureSettings) -> FrameStars:
    """From the detections to the frame's numbers."""
    view, catalogue = build_catalogue(view, found, settings)
    if catalogue is None:
        if len(found) <= 2:
            return empty_result(view.pixels, "no star stands out from the sky", view)
        cause = f"{len(found)} places stand out from the sky, but they share no common star shape"
        return replace(empty_result(view.pixels, cause, view), bright_places=len(found))
    stack = stack_stars(view, catalogue, settings)
    streaks = trails(view, found, _size(found), stack.minor)
    view, catalogue, joint = together(view, catalogue, stack, settings)
    catalogue = measure_again(view, catalogue, stack, streaks, settings, joint)
    return result(view, catalogue, stack, streaks, settings)


def _size(found: Detections) -> float:
    """First guess of a star's sigma, px."""
    xx, yy, xy = found.moments
    return (xx * yy - xy**2) ** 0.25


def _needed_mesh(found: Detections) -> float:
    """Side of a sky cell in which stars take little room, px."""
    return 14 * _size(found) * (2.0 if found.whole_blobs else 1.0)


def _on_glow(view: View, found: Detections) -> bool:
    """Whether many detections stand on a glow that the mesh of the sky does not follow."""
    if not len(found):
        return False
    some = np.linspace(0, len(found) - 1, min(len(found), 300)).astype(int)
    half = min(ring_px(ellipse_from_moments(*found.moments)[0]), 40)
    return is_rough(view.stamps(found.x[some], found.y[some], half), view.noise)


def trails(view: View, found: Detections, sigma: float, star_px: float) -> tuple[Streak, ...]:
    """Satellite trails, on blocks of 4 px, with the stars masked and long lines not.

    Parameters
    ----------
    view : View
    found : Detections
    sigma, star_px : float
        Size of the stars, and FWHM of their narrow axis (NaN unknown), px.
    """
    if not np.isfinite(star_px):
        star_px = 2.355 * float(ellipse_from_moments(*found.moments)[1])
    if found.quarter is None:
        return ()
    noise = block_noise(found.quarter, view.sky, 4)
    least = max(LEAST_STREAK_PX, 25 * sigma)
    if found.whole_blobs:  # the pieces of one star's faint line must not make a trail
        major = float(ellipse_from_moments(*found.moments)[0])
        least = max(least, 20 * major)
    stars = ~found.long[found.bright.blob]
    mask = star_mask(view.pixels.shape, found.bright, found.block_px, 1.5 * sigma + 2, stars)
    return find_streaks(found.quarter, view.sky, 4, noise, mask, least, view.means, star_px)
