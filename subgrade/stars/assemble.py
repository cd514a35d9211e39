"""Put the measured pieces together as `FrameStars`, with how far they can be trusted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.catalogue import LARGEST_SIGMA_PX, Catalogue, fit_all, flag_wide
from subgrade.stars.common_shape import shape_field
from subgrade.stars.common_star import HOLLOW_SHARE, Stack, image_template
from subgrade.stars.ellipse import (
    distortion,
    eccentricity_error,
    eccentricity_of,
    ellipse_from_moments,
)
from subgrade.stars.half_maximum import HalfWidths
from subgrade.stars.model import (
    NAN,
    NOT_A_STAR,
    UNCLEAN,
    FrameStars,
    ShapeField,
    StarFlag,
    StarImage,
    StarList,
    Streak,
)
from subgrade.stars.photometry import TemplateFit
from subgrade.stars.prepared_frame import View
from subgrade.stars.settings import MeasureSettings

TRAILED_RATIO = 2.5
"""Length over width of the star image from which stars are called lines."""
DOUBLE_DIP = 0.2
"""Depth of the valley between two maxima from which a star is called double."""


def empty_result(pixels: Pixels, cause: str, view: View | None = None) -> FrameStars:
    """A frame on which no star was measured, with the cause."""
    height, width = pixels.shape
    return FrameStars(
        width=width,
        height=height,
        background_adu=view.level if view else NAN,
        noise_adu=view.noise if view else NAN,
        background_map=view.sky_green.level if view else np.full((1, 1), NAN, np.float32),
        mesh_px=view.sky_green.mesh_px if view else max(height, width, 1),
        stars=0,
        stars_snr_limit=MeasureSettings().count_snr,
        shape_status="none",
        shape_note=cause,
        notes=view.notes if view else (),
    )


def measure_again(
    view: View,
    catalogue: Catalogue,
    stack: Stack,
    streaks: tuple[Streak, ...],
    settings: MeasureSettings,
    joint: TemplateFit | None = None,
) -> Catalogue:
    """Brightness and flags of every detection under the frame's own star image.

    ``joint`` is the fit to each star of a crowded field with the others taken away.
    """
    template = image_template(stack, catalogue.moments)
    half = int(np.ceil(template.radius_px)) + 1
    x, y, fits = fit_all(view, catalogue.x, catalogue.y, template, half)
    amplitude, snr, peak, misfit, _, sharpness = fits
    if joint is not None:
        amplitude, snr, misfit = joint.amplitude, joint.snr, joint.misfit
        sharpness = joint.sharpness
    flags = catalogue.flags.copy()
    saturated = (flags & int(StarFlag.SATURATED)) != 0
    spiky = peak > 1.4 * amplitude + 5.0 * view.noise
    if not catalogue.whole_blobs:
        sharp = _sharp(sharpness, snr, misfit, spiky) & ~saturated
        flags[sharp] |= np.uint16(StarFlag.SHARP)
    with np.errstate(invalid="ignore"):
        # neither noise nor the star image explains what is left: not one star
        strange = misfit > 0.8 + 4.0 / np.maximum(snr, 1.0)
    known = StarFlag.SATURATED | StarFlag.BLENDED | StarFlag.EDGE | StarFlag.SHARP
    strange &= (flags & int(known)) == 0
    if stack.method == "image" and not catalogue.whole_blobs:
        flags[strange] |= np.uint16(StarFlag.EXTENDED)
    catalogue = replace(catalogue, flags=flags)
    flags = flag_wide(catalogue, x, y, sharpness, snr, view.pixels.shape)
    width = template.radius_px / 4.0
    for streak in streaks:
        flags[_on_streak(x, y, streak, width + 0.5 * streak.width_px)] |= np.uint16(StarFlag.STREAK)
    flags[~(snr >= settings.count_snr)] |= np.uint16(StarFlag.FAINT)
    keep = (snr >= settings.list_snr) | ((flags & int(StarFlag.SHARP)) != 0)
    light = amplitude * template.volume
    moved = replace(catalogue, amplitude=light, snr=snr, peak=peak, misfit=misfit, flags=flags)
    order = np.flatnonzero(keep)
    return moved.take(order[np.argsort(-moved.amplitude[order], kind="stable")])


def _sharp(
    sharpness: np.ndarray, snr: np.ndarray, misfit: np.ndarray, spiky: np.ndarray
) -> np.ndarray:
    """Detections narrower than the frame's star: hot pixels and cosmic rays."""
    faint = 1.0 / np.maximum(snr, 1.0)
    with np.errstate(invalid="ignore"):
        narrow = sharpness > 0.10 + 2.5 * faint
        # tracks of single pixels misfit by 1.5 to 3, stars on crowded or coarse frames by up to 0.9
        odd = (misfit > 0.9 + 4.0 * faint) & ((sharpness > -0.05) | spiky)
    return narrow | odd


def _on_streak(x: np.ndarray, y: np.ndarray, streak: Streak, reach: float) -> np.ndarray:
    dx, dy = streak.x2 - streak.x1, streak.y2 - streak.y1
    length = max(np.hypot(dx, dy), 1e-9)
    along = ((x - streak.x1) * dx + (y - streak.y1) * dy) / length
    across = np.abs((x - streak.x1) * dy - (y - streak.y1) * dx) / length
    return (across < reach) & (along > -reach) & (along < length + reach)


def _status(catalogue: Catalogue, stack: Stack) -> tuple[str, str, float]:
    """(status, note, length in px) of the star image."""
    used = stack.stars_used
    widths = stack.widths
    if used == 0:
        return "none", "no star is clean enough to measure the shape", NAN
    if catalogue.doubling is not None:
        d = catalogue.doubling
        length = float(np.hypot(d.dx, d.dy))
        return (
            "doubled",
            f"{100 * d.share:.0f}% of the bright stars have a second image {length:.1f} px "
            f"away, {d.ratio:.2f} times as bright",
            length,
        )
    if widths is not None and (stack.method == "image" or _hollow(stack)):
        odd = _odd_form(catalogue, stack, widths)
        if odd is not None:
            return odd
    if stack.method != "image" and stack.major >= TRAILED_RATIO * stack.minor:
        # the adaptive weight reads a line of length L as sigma L / 2.8
        length = 2.8 * float(ellipse_from_moments(*stack.shape.moments)[0])
        note = f"stars are trails about {length:.0f} px long and {stack.minor:.1f} px wide"
        return "trailed", note, length
    if used < 3:
        return "few", f"only {used} star{'s' if used > 1 else ''} clean enough for the shape", NAN
    return "measured", "", NAN


def _hollow(stack: Stack) -> bool:
    """Whether the star image is hollow and the stars agree on it."""
    return stack.ring is not None and stack.ring.shown and stack.widths.hollow < HOLLOW_SHARE


def _odd_form(
    catalogue: Catalogue, stack: Stack, widths: HalfWidths
) -> tuple[str, str, float] | None:
    """Status of a star image that is a ring, a pair or a line; None for a plain star."""
    a, b, _ = ellipse_from_moments(*stack.shape.moments)
    if _hollow(stack) and a < 1.8 * b:
        ring = stack.ring
        share = f"{100 * max(ring.share, 0.0):.0f} ± {100 * ring.error:.0f}%"
        note = (
            f"ring-shaped stars: the centre is {share} as bright as the ring, whose radius is "
            f"{ring.radius:.1f} px"
        )
        return "hollow", note, NAN
    agreed = stack.pair is not None and stack.pair.shown
    # between two images far apart nothing is left; an uneven line only dips
    far = widths.separation > 2.5 * widths.minor
    apart = widths.dip > (0.75 if far else 0.35) and widths.separation > 0.5 * widths.minor
    if agreed and (apart or (widths.dip > DOUBLE_DIP and not far and not catalogue.whole_blobs)):
        note = f"the star image has two maxima {widths.separation:.1f} px apart"
        return "doubled", note, widths.separation
    if widths.major < TRAILED_RATIO * widths.minor and a < 3.0 * b:
        return None
    length, text = widths.major, f"{widths.major:.1f} px long"
    xx, yy, xy = _image_moments(stack)
    # an unevenly lit line is bright at half maximum over a part of its length only;
    # a line of length L has variance L^2 / 12
    whole = float(np.sqrt(24.0 * np.hypot(0.5 * (xx - yy), xy)))
    if widths.major < 0.7 * whole:
        length, text = whole, f"{whole:.0f} px long, brightest over {widths.major:.1f} px"
    return "trailed", f"stars are trails {text} and {widths.minor:.1f} px wide", length


def _star_image(stack: Stack) -> StarImage | None:
    if stack.spline is None:
        return None
    reach = max(stack.spline.reach)
    step = max(stack.minor / 8.0, reach / 64) if np.isfinite(stack.minor) else reach / 32
    n = int(np.ceil(reach / step))
    axis = np.arange(-n, n + 1) * step
    image = stack.spline.at(*np.meshgrid(axis, axis))
    return StarImage((image / image.max()).astype(np.float32), float(step), stack.spline.stars_used)


def result(
    view: View,
    catalogue: Catalogue,
    stack: Stack,
    streaks: tuple[Streak, ...],
    settings: MeasureSettings,
) -> FrameStars:
    """Everything measured on one frame."""
    height, width = view.pixels.shape
    is_star = (catalogue.flags & int(NOT_A_STAR)) == 0
    counted = is_star & ((catalogue.flags & int(StarFlag.FAINT)) == 0)
    if stack.shape is None:  # only its brightness sets a star apart
        counted &= (catalogue.flags & int(StarFlag.SATURATED)) != 0
    status, note, length = _status(catalogue, stack)
    huge = np.sqrt(stack.major * stack.minor) > 2.6 * LARGEST_SIGMA_PX
    if huge or (not counted.any() and stack.method != "image"):
        cause = f"{len(catalogue)} bright places, but none is shaped like a star"
        return replace(
            empty_result(view.pixels, cause, view),
            bright_places=_bright_places(catalogue),
            hot_pixels=len(catalogue.junk.x),
            streaks=streaks,
            catalogue=_star_list(catalogue, None),
        )
    numbers = _shape_numbers(stack, status)
    saturated = (catalogue.flags & int(StarFlag.SATURATED)) != 0
    full = np.full((3, len(catalogue)), np.nan, np.float32)
    field = None if stack.shape is None else _field(view, catalogue, stack, full)
    return FrameStars(
        width=width,
        height=height,
        background_adu=view.level,
        noise_adu=float(view.noise),
        background_map=view.sky_green.level.astype(np.float32),
        mesh_px=view.sky_green.mesh_px,
        stars=int(counted.sum()),
        stars_snr_limit=settings.count_snr,
        length_px=length,
        hollow=stack.widths.hollow if stack.widths is not None else NAN,
        hollow_error=stack.ring.error if stack.ring is not None else NAN,
        ring_px=stack.ring.radius if status == "hollow" else NAN,
        shape_status=status,
        shape_note=note,
        saturated_share=float(saturated[counted].mean()) if counted.any() else NAN,
        bright_places=_bright_places(catalogue),
        hot_pixels=len(catalogue.junk.x)
        + int(np.count_nonzero(catalogue.flags & int(StarFlag.SHARP))),
        star_image=_star_image(stack),
        shape_field=field,
        streaks=streaks,
        catalogue=_star_list(catalogue, full),
        notes=view.notes,
        **numbers,
    )


def _bright_places(catalogue: Catalogue) -> int:
    return int(np.count_nonzero((catalogue.flags & int(StarFlag.SHARP)) == 0))


def _star_list(catalogue: Catalogue, moments: np.ndarray | None) -> StarList:
    """Stars, brightest first, and after them the hot pixels and cosmic rays."""
    junk = catalogue.junk
    extra = len(junk.x)
    if moments is None:
        moments = np.full((3, len(catalogue)), np.nan, np.float32)

    def joined(values: np.ndarray, more: np.ndarray, kind: type) -> np.ndarray:
        return np.concatenate((values, more)).astype(kind)

    blank = np.full(extra, np.nan)
    return StarList(
        joined(catalogue.x, junk.x, np.float64),
        joined(catalogue.y, junk.y, np.float64),
        joined(catalogue.amplitude, junk.peak, np.float32),
        joined(catalogue.snr, blank, np.float32),
        joined(catalogue.peak, junk.peak, np.float32),
        *(joined(m, blank, np.float32) for m in moments),
        joined(catalogue.flags, np.full(extra, int(StarFlag.SHARP)), np.uint16),
    )


def _rows_by_place(
    catalogue: Catalogue, stack: Stack, full: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Put measured moments into ``full``; rows and moments of all listed stars, odd ones too."""
    row_of = np.full(int(max(catalogue.ident.max(initial=-1), stack.ident.max(initial=-1))) + 1, -1)
    row_of[catalogue.ident] = np.arange(len(catalogue))
    rows = row_of[stack.ident]
    listed = rows >= 0
    full[:, rows[listed]] = stack.moments[:, listed]
    return rows[listed], stack.moments[:, listed]


def _field(view: View, catalogue: Catalogue, stack: Stack, full: np.ndarray) -> ShapeField | None:
    """Shape over the field by the clean stars; fills ``full`` with all that were measured."""
    rows, moments = _rows_by_place(catalogue, stack, full)
    clean = (catalogue.flags[rows] & int(UNCLEAN)) == 0
    clean &= np.isfinite(moments).all(axis=0)
    rows, moments = rows[clean], moments[:, clean]
    x, y, (height, width) = catalogue.x[rows], catalogue.y[rows], view.pixels.shape
    return shape_field(x, y, moments, catalogue.snr[rows], width, height)


def _shape_numbers(stack: Stack, status: str) -> dict:
    shape = stack.shape
    if shape is None or status == "none":
        return {"fwhm_method": "none"}
    of_image = status == "doubled" and stack.spline is not None
    xx, yy, xy = _image_moments(stack) if of_image else shape.moments
    _, _, theta = ellipse_from_moments(xx, yy, xy)
    chi_error = shape.error / (0.5 * (xx + yy))
    chi = float(distortion(xx, yy, xy, shape.error))
    angle_error = np.degrees(0.5 * chi_error / max(chi, chi_error, 1e-9))
    return {
        "fwhm_px": float(np.sqrt(stack.major * stack.minor)),
        "fwhm_error_px": stack.error,
        "fwhm_method": stack.method,
        "fwhm_major_px": stack.major,
        "fwhm_minor_px": stack.minor,
        "eccentricity": float(eccentricity_of(chi)),
        "eccentricity_error": float(eccentricity_error(chi, chi_error)),
        "angle_deg": float(theta),
        "angle_error_deg": float(angle_error),
        "xx": float(xx),
        "yy": float(yy),
        "xy": float(xy),
        "moment_error": shape.error,
        "stars_in_shape": stack.stars_used,
    }


def _image_moments(stack: Stack) -> tuple[float, float, float]:
    """Moments of the star image above 3 % of its peak, unweighted, px^2."""
    reach_u, reach_v = stack.spline.reach
    u = np.linspace(-reach_u, reach_u, 241)
    v = np.linspace(-reach_v, reach_v, 121)
    image = stack.spline.along(u[:, None], v[None, :])
    w = np.where(image > 0.03 * image.max(), image, 0.0)
    total = w.sum()
    mu, mv = (w * u[:, None]).sum() / total, (w * v[None, :]).sum() / total
    du, dv = u[:, None] - mu, v[None, :] - mv
    uu, vv, uv = (
        (w * du * du).sum() / total,
        (w * dv * dv).sum() / total,
        (w * du * dv).sum() / total,
    )
    t = np.radians(stack.spline.angle_deg)
    c, s = np.cos(t), np.sin(t)
    return (
        float(uu * c * c + vv * s * s - 2 * uv * s * c),
        float(uu * s * s + vv * c * c + 2 * uv * s * c),
        float((uu - vv) * s * c + uv * (c * c - s * s)),
    )
