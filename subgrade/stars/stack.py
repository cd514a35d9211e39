"""From the star list to the frame's common shape, star image and widths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.stars.catalogue import STAMP_PIXELS, Catalogue, half_side
from subgrade.stars.ellipse import FWHM_PER_SIGMA, ellipse_from_moments
from subgrade.stars.halfmax import HalfWidths, fit_profile, half_widths
from subgrade.stars.model import NAN, StarFlag
from subgrade.stars.moments import adaptive_moments
from subgrade.stars.photometry import Template, gaussian_template, template_fit
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.shape import CommonShape, common_shape
from subgrade.stars.starimage import Samples, StarSpline, fit_spline, gather_samples
from subgrade.stars.view import View


@dataclass(frozen=True, slots=True)
class Stack:
    """The frame's star as a whole.

    Attributes
    ----------
    ident : ndarray of int
        Catalogue numbers of the stars whose moments were measured.
    moments : ndarray, shape (3, n)
        Their xx, yy, xy, px^2 (NaN where not settled).
    shape : CommonShape or None
    spline : StarSpline or None
        The star image, of peak 1.
    major, minor, error : float
        Half-maximum widths and the error of their geometric mean, px.
    method : str
        As ``FrameStars.fwhm_method``.
    widths : HalfWidths or None
    """

    ident: np.ndarray
    moments: np.ndarray
    shape: CommonShape | None
    spline: StarSpline | None
    major: float
    minor: float
    error: float
    method: str
    widths: HalfWidths | None


SPOILT = (
    StarFlag.SATURATED
    | StarFlag.EDGE
    | StarFlag.BLENDED
    | StarFlag.SHARP
    | StarFlag.EXTENDED
    | StarFlag.STREAK
    | StarFlag.BAD_PIXEL
)
"""Flags that keep a star out of the shape."""


def shape_stars(catalogue: Catalogue, settings: MeasureSettings) -> np.ndarray:
    """Rows of the stars to judge the shape by, brightest first."""
    clean = np.flatnonzero((catalogue.flags & int(SPOILT)) == 0)
    if len(clean) < 5:  # crowded beyond isolation: blends are better than nothing
        tolerated = int(SPOILT & ~StarFlag.BLENDED)
        clean = np.flatnonzero((catalogue.flags & tolerated) == 0)
    snr = catalogue.snr[clean]
    for limit in (settings.shape_snr, 25.0, 15.0, settings.list_snr):
        if np.count_nonzero(snr >= limit) >= 30 or limit == settings.list_snr:
            clean = clean[snr >= limit]
            break
    return clean[np.argsort(-catalogue.snr[clean], kind="stable")][: settings.shape_stars]


def stack_stars(view: View, catalogue: Catalogue, settings: MeasureSettings) -> Stack:
    """Common shape, stacked star image and half-maximum widths of a frame."""
    index = shape_stars(catalogue, settings)
    major = float(ellipse_from_moments(*catalogue.moments)[0])
    half = half_side(major, 4.3)
    index = index[: max(30, STAMP_PIXELS // (2 * half + 1) ** 2)]
    nothing = Stack(
        catalogue.ident[index], np.empty((3, len(index))), None, None, NAN, NAN, NAN, "none", None
    )
    if not len(index):
        return nothing
    stamps = view.stamps(catalogue.x[index], catalogue.y[index], half)
    m = adaptive_moments(stamps, catalogue.x[index], catalogue.y[index], *catalogue.moments)
    moments = np.stack((m.xx, m.yy, m.xy))
    shape = common_shape(*moments, catalogue.snr[index])
    if shape is None:
        return nothing
    ident = catalogue.ident[index]
    kept = np.flatnonzero(shape.kept)[: settings.image_stars]
    star_x, star_y = m.x[kept], m.y[kept]
    rows = index[kept]
    samples, spline, widths = _image(view, catalogue, rows, star_x, star_y, shape, settings)
    a, b, _ = ellipse_from_moments(shape.xx, shape.yy, shape.xy)
    size_error = max(shape.size_error, 1.0 / np.sqrt(np.sum(catalogue.snr[rows] ** 2)))
    if spline is not None and widths is not None and len(rows) >= 6:
        if np.isfinite(widths.major) and np.isfinite(widths.minor):
            error = size_error * np.sqrt(widths.major * widths.minor)
            return Stack(
                ident, moments, shape, spline, widths.major, widths.minor, float(error),
                "image", widths,
            )  # fmt: skip
    fit = fit_profile(samples, FWHM_PER_SIGMA * a / 1.1, FWHM_PER_SIGMA * b / 1.1)
    if fit is not None:
        error = max(fit.error, size_error * np.sqrt(fit.major * fit.minor))
        return Stack(
            ident, moments, shape, spline, fit.major, fit.minor, float(error), "profile", widths
        )
    # a Gaussian weight over-reads the width of winged stars by about a tenth
    # (published_checks, Moffat beta 3: 13 %), so this last resort says so by its error
    gauss = FWHM_PER_SIGMA * np.array([a, b]) / 1.1
    return Stack(
        ident, moments, shape, spline, float(gauss[0]), float(gauss[1]),
        float(0.1 * np.sqrt(gauss[0] * gauss[1])), "moments", widths,
    )  # fmt: skip


def _image(
    view: View, catalogue: Catalogue, rows, x, y, shape: CommonShape, settings: MeasureSettings
) -> tuple[Samples, StarSpline | None, HalfWidths | None]:
    """Samples, spline of peak 1 and widths; the rectangle grows until the star fits in."""
    a, b, theta = (float(v) for v in ellipse_from_moments(shape.xx, shape.yy, shape.xy))
    b = max(b, 0.35)
    reach_u, reach_v = 2.0 * FWHM_PER_SIGMA * a / 1.1, 2.0 * FWHM_PER_SIGMA * b / 1.1
    if catalogue.doubling is not None:
        d = catalogue.doubling
        theta = float(np.degrees(np.arctan2(d.dy, d.dx)) % 180.0)
        reach_v = max(reach_u, reach_v)
        reach_u = float(np.hypot(d.dx, d.dy)) + reach_v
    spline = widths = None
    samples = None
    for _ in range(3):
        samples, spline = _fit_rectangle(
            view, catalogue, rows, x, y, (reach_u, reach_v, b, theta), settings
        )
        if spline is None:
            return samples, None, None
        widths = half_widths(spline)
        if np.isfinite(widths.major) and np.isfinite(widths.minor):
            break
        reach_u, reach_v = 1.6 * reach_u, 1.6 * reach_v
    return samples, spline, widths


def _fit_rectangle(view, catalogue, rows, x, y, frame, settings):
    reach_u, reach_v, b, theta = frame
    step_v = max(FWHM_PER_SIGMA * b / 1.1 / 4.5, 0.3)
    step_u = max(step_v, reach_u / 60)
    t = np.radians(theta)
    extent = max(
        reach_u * abs(np.cos(t)) + reach_v * abs(np.sin(t)),
        reach_u * abs(np.sin(t)) + reach_v * abs(np.cos(t)),
    )
    half = int(np.ceil(extent)) + 1
    count = max(12, min(len(rows), STAMP_PIXELS // (2 * half + 1) ** 2))
    rows, x, y = rows[:count], x[:count], y[:count]
    stamps = view.stamps(x, y, half)
    template = gaussian_template(*catalogue.moments)
    amplitude = template_fit(stamps, x, y, template, view.noise).amplitude
    sky = max(float(np.median(view.sky_green.level)), view.noise)
    good = np.isfinite(amplitude) & (amplitude > 0)
    samples = gather_samples(
        stamps[good], x[good], y[good], amplitude[good], view.noise, view.noise**2 / sky,
        theta, reach_u, reach_v, settings.image_samples,
    )  # fmt: skip
    spline = fit_spline(samples, step_u, step_v, reach_u, reach_v, theta, int(good.sum()))
    return samples, spline


def image_template(stack: Stack, moments) -> Template:
    """The stacked star as a photometric template, or the Gaussian where there is none."""
    if stack.spline is None or stack.method != "image":
        return gaussian_template(*moments)
    reach_u, reach_v = stack.spline.reach
    radius = 0.97 * min(max(reach_u, reach_v), np.hypot(reach_u, reach_v))
    step = max(stack.minor / 10.0, radius / 150)
    n = int(np.ceil(radius / step)) + 1
    axis = np.arange(-n, n + 1) * step
    dx, dy = np.meshgrid(axis, axis)
    values = stack.spline.at(dx, dy)
    values[np.hypot(dx, dy) > radius] = 0.0
    return Template((values / values.max()).astype(np.float32), float(step), float(radius))
