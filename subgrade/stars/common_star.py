"""From the star list to the frame's common shape, star image and widths."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.stars.aperture import counted, reach_needed
from subgrade.stars.catalogue import (
    LARGEST_SIGMA_PX,
    LEAST_WEIGHT,
    STAMP_PIXELS,
    Catalogue,
    coarse,
    half_side,
    joint_shape,
    very_coarse,
)
from subgrade.stars.common_shape import CommonShape, common_shape
from subgrade.stars.ellipse import ellipse_from_moments
from subgrade.stars.half_maximum import (
    LEAST_WIDTH_PX,
    HalfWidths,
    ProfileFit,
    fit_profile,
    half_widths,
)
from subgrade.stars.joint_fit import JointFit
from subgrade.stars.model import NAN, UNCLEAN, StarFlag
from subgrade.stars.moments import (
    adaptive_moments,
    moments_of_image,
    pooled_moments,
    weighted_centroids,
)
from subgrade.stars.pairs_and_rings import Dip, pair, ring
from subgrade.stars.photometry import Template, gaussian_template, moffat_template
from subgrade.stars.prepared_frame import View
from subgrade.stars.raster import Stamps
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.stacked_image import Samples, StarSpline, fit_spline, gather_samples

SAMPLES_PER_KNOT = 5.0
"""Pixels of equally good stars per knot of the star image, below which a profile is fitted
instead: one wide star shows its own image, coarse pixels need many stars to fill the gaps."""

HOLLOW_SHARE = 0.8
"""Centre over ring brightness below which a star is called hollow, where the stars show a ring
(`subgrade.stars.pairs_and_rings`)."""
JOINT_STARS = 150
"""Most stars that one profile is fitted to where pixels are very coarse."""


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
    profile : ProfileFit or None
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
    profile: ProfileFit | None = None
    ring: Dip | None = None
    pair: Dip | None = None
    """Dips that the stars were asked about, where the star image has one."""
    whole: StarSpline | None = None
    """The star image to the end of drawn-out wings, where ``spline`` ends before: for its light."""

    @property
    def stars_used(self) -> int:
        """Stars that the shape rests on."""
        if self.shape is None:
            return 0
        kept = int(self.shape.kept.sum())
        return max(kept, self.spline.stars_used) if self.spline is not None else kept


WING_SHARE = 0.025
"""Light beyond 1.95 widths over that within: 0.015 to 0.038 for Moffat beta 4 to 3 (GalSim).
One value for all frames, since measured wings would add noise to the comparison of frames."""


def shape_stars(catalogue: Catalogue, settings: MeasureSettings) -> np.ndarray:
    """Rows of the stars to judge the shape by, brightest first."""
    clean = np.flatnonzero((catalogue.flags & int(UNCLEAN)) == 0)
    if len(clean) < 5:  # crowded beyond isolation: blends are better than nothing
        tolerated = int(UNCLEAN & ~StarFlag.BLENDED)
        clean = np.flatnonzero((catalogue.flags & tolerated) == 0)
    snr = catalogue.snr[clean]
    for limit in (settings.shape_snr, 25.0, 15.0, settings.list_snr):
        if np.count_nonzero(snr >= limit) >= 30 or limit == settings.list_snr:
            clean = clean[snr >= limit]
            break
    return clean[np.argsort(-catalogue.snr[clean], kind="stable")][: settings.shape_stars]


def stack_stars(view: View, catalogue: Catalogue, settings: MeasureSettings) -> Stack:
    """Common shape, stacked star image and half-maximum widths of a frame.

    The shape is that of the star image, whose fit leaves out single pixels that neighbours
    harm, and which hundreds of stars sample finer than the pixel: measured on GalSim
    frames its angle errs half as much as that of the mean of the stars' own moments.  Lines,
    pairs and rings keep the latter; its scatter gives the error in any case.
    """
    index = shape_stars(catalogue, settings)
    half = half_side(float(ellipse_from_moments(*catalogue.moments)[0]), 4.3)
    index = index[: max(30, STAMP_PIXELS // (2 * half + 1) ** 2)]
    ident, moments = catalogue.ident[index], np.empty((3, len(index)))
    nothing = Stack(ident, moments, None, None, NAN, NAN, NAN, "none", None)
    if not len(index):
        return nothing
    stamps = view.stamps(catalogue.x[index], catalogue.y[index], half)
    own = adaptive_moments(stamps, catalogue.x[index], catalogue.y[index], catalogue.moments)
    moments = np.stack((own.xx, own.yy, own.xy))
    shape, joint = _first_shape(view, catalogue, index, stamps, moments)
    if shape is None or (shape.xx * shape.yy - shape.xy**2) ** 0.25 > LARGEST_SIGMA_PX:
        return nothing
    is_coarse = coarse(view, shape.moments)
    kept = np.arange(len(index)) if is_coarse else np.flatnonzero(shape.kept)
    kept = kept[: settings.image_stars] if joint is None else np.flatnonzero(joint.kept)
    rows = index[kept]
    if joint is None:
        x = np.where(own.ok[kept], own.x[kept], catalogue.x[rows])
        y = np.where(own.ok[kept], own.y[kept], catalogue.y[rows])
        places = x, y, None
    else:
        places = joint.x[kept], joint.y[kept], joint.peak[kept]
    image = _image(view, catalogue, places, shape, 2.0 if is_coarse else 1.0, settings)
    if image.spline is not None and joint is None and (is_coarse or _plain(image, shape)):
        shape = _shape_of_image(image.spline, shape)
    spline, (ring_dip, pair_dip) = image.spline, _dips(view, image, shape)
    stack = replace(nothing, moments=moments, shape=shape, spline=spline, widths=image.widths)
    stack = replace(stack, ring=ring_dip, pair=pair_dip, whole=image.whole)
    density = 0.0 if spline is None else spline.step_u * spline.step_v / view.lattice
    paired = catalogue.doubling is not None
    return _with_widths(stack, image.samples, catalogue.snr[rows], density, paired, joint)


def _first_shape(
    view: View, catalogue: Catalogue, index: np.ndarray, stamps: Stamps, moments: np.ndarray
) -> tuple[CommonShape | None, JointFit | None]:
    """Shape by the stars' own moments, or by all taken together where pixels are coarse."""
    shape, joint = common_shape(*moments, catalogue.snr[index]), None
    if view.parity >= 0 and coarse(view, catalogue.moments):
        shape = _taken_together(stamps, catalogue, index, mono=False)
    elif shape is None and coarse(view, catalogue.moments) and len(index) >= 30:
        # stars hardly wider than a pixel settle nowhere; their image can still be put together
        shape = _taken_together(stamps, catalogue, index, mono=True) or _as_listed(catalogue, index)
    if very_coarse(view, catalogue.moments):
        joint = joint_shape(view, catalogue.x[index], catalogue.y[index], 0.0, JOINT_STARS)
        shape = shape if joint is None else _of_joint(joint, len(index))
    return shape, joint


def _of_joint(joint: JointFit, count: int) -> CommonShape:
    """The joint profile's shape as that of the first stars of ``count``."""
    xx, yy, xy = joint.moments
    kept = np.zeros(count, bool)
    kept[: len(joint.kept)] = joint.kept
    # a relative error d of each width alone changes (xx - yy)/2 by d (xx + yy)/2 times two halves
    return CommonShape(xx, yy, xy, joint.shear_error * (xx + yy), joint.error, kept)


def _taken_together(
    stamps: Stamps, catalogue: Catalogue, index: np.ndarray, mono: bool
) -> CommonShape | None:
    """Shape of all stars at once, where the lattice is too coarse for single ones."""
    least = LEAST_WEIGHT if mono else 0.0
    places = catalogue.x[index], catalogue.y[index]
    together = pooled_moments(stamps, *places, catalogue.moments, least)
    if together is None:
        return None
    xx, yy, xy = together.moments
    relative = together.error / (xx + yy)
    return CommonShape(xx, yy, xy, together.error, relative, np.ones(len(index), bool))


def _as_listed(catalogue: Catalogue, index: np.ndarray) -> CommonShape:
    """The shape that the list was made with, known to a tenth."""
    xx, yy, xy = catalogue.moments
    return CommonShape(xx, yy, xy, 0.05 * (xx + yy), 0.05, np.ones(len(index), bool))


def _with_widths(
    stack: Stack,
    samples: Samples,
    snr: np.ndarray,
    density: float,
    paired: bool,
    joint: JointFit | None = None,
) -> Stack:
    """The stack with its half-maximum widths by the best method at hand."""
    shape, widths = stack.shape, stack.widths
    a, b, _ = ellipse_from_moments(*shape.moments)
    size_error = max(shape.size_error, 1.0 / np.sqrt(np.sum(snr**2)))
    # the moments of a pair are those of one image, its outline holds both
    whole = widths is not None and (
        _sound(widths.major, widths.minor, a, b)
        or (paired and np.isfinite(widths.major * widths.minor))
    )
    alike = 1.0 / ((1.0 / np.maximum(snr, 1.0)) ** 2 + 0.02**2)
    independent = np.sum(alike) ** 2 / np.sum(alike**2)
    hollow = stack.ring is not None and stack.ring.shown and widths.hollow < HOLLOW_SHARE
    # no filled profile fits a ring
    if whole and (hollow or independent * density >= SAMPLES_PER_KNOT):
        error = size_error * np.sqrt(widths.major * widths.minor)
        return replace(
            stack, major=widths.major, minor=widths.minor, error=float(error), method="image"
        )
    if joint is not None:
        minor, major = sorted((joint.major, joint.minor))
        error = size_error * float(np.sqrt(joint.major * joint.minor))
        fit = ProfileFit(major, minor, joint.beta, error)
    else:
        fit = fit_profile(samples, FWHM_PER_SIGMA * a / 1.1, FWHM_PER_SIGMA * b / 1.1)
    if fit is not None and _sound(fit.major, fit.minor, a, b):
        width = float(np.sqrt(fit.major * fit.minor))
        # a filled profile reads a ring a quarter too narrow (GalSim)
        error = max(fit.error, size_error * width, 0.25 * width if hollow else 0.0)
        stack = replace(stack, method="profile", profile=fit)
        return replace(stack, major=fit.major, minor=fit.minor, error=float(error))
    if fit is not None or widths is not None or np.sqrt(a * b) > 12.0:
        # the pixels contradict the moments: junk or a nebula's knots, not stars of one shape
        return replace(stack, shape=None, spline=None, widths=None)
    # a Gaussian weight over-reads the width of winged stars by about a tenth
    # (13 % for Moffat beta 3), so this last resort says so by its error
    gauss = FWHM_PER_SIGMA * np.array([a, b]) / 1.1
    error = 0.1 * float(np.sqrt(gauss[0] * gauss[1]))
    return replace(
        stack, major=float(gauss[0]), minor=float(gauss[1]), error=error, method="moments"
    )


def _sound(major: float, minor: float, a: float, b: float) -> bool:
    """Whether half-maximum widths go with the adaptive moments of the same stars."""
    # width over 2.355 sigma is 1 for a Gaussian, 0.85 for winged stars, 1.2 for lines and rings and
    # down to 0.3 for a spot on a faint trail
    if not (np.isfinite(major) and np.isfinite(minor) and minor >= LEAST_WIDTH_PX):
        return False
    along, across = major / (FWHM_PER_SIGMA * a), minor / (FWHM_PER_SIGMA * b)
    return 0.15 < along < 1.7 and 0.5 < across < 1.9


def _shape_of_image(spline: StarSpline, shape: CommonShape) -> CommonShape:
    """Adaptive moments of the star image in place of the mean of the stars' own."""
    reach = max(spline.reach)
    step = min(spline.step_u, spline.step_v) / 4
    n = int(np.ceil(reach / step))
    axis = np.arange(-n, n + 1) * step
    image = spline.at(*np.meshgrid(axis, axis))
    m = moments_of_image(image, step, shape.moments)
    return shape if m is None else replace(shape, xx=m[0], yy=m[1], xy=m[2])


@dataclass(frozen=True, slots=True)
class _Image:
    samples: Samples
    spline: StarSpline | None
    widths: HalfWidths | None
    whole: StarSpline | None = None


def _image(
    view: View,
    catalogue: Catalogue,
    places: tuple[np.ndarray, np.ndarray, np.ndarray | None],
    shape: CommonShape,
    wide: float,
    settings: MeasureSettings,
) -> _Image:
    """Samples, spline and widths; the rectangle grows until the star fits in."""
    a, b, theta = (float(v) for v in ellipse_from_moments(*shape.moments))
    b = max(b, 0.35)
    # a line of length L has a = L / 2.8 under its adaptive weight, and must not reach
    # farther into its neighbours than it has to
    reach_u, reach_v = 2.2 * a + 2.1 * b, 4.3 * b
    if catalogue.doubling is not None:
        d = catalogue.doubling
        theta = float(np.degrees(np.arctan2(d.dy, d.dx)) % 180.0)
        reach_v = max(reach_u, reach_v)
        reach_u = float(np.hypot(d.dx, d.dy)) + reach_v
    image = None
    divisions = 4.0

    def fitted(reach_u: float) -> tuple[Samples, StarSpline | None]:
        samples = _samples(view, places, shape.moments, wide, (reach_u, reach_v, theta), settings)
        step_v = max(FWHM_PER_SIGMA * b / 1.1 / divisions, 0.3)
        step_u = max(step_v, reach_u / 60)
        count = int(samples.star.max(initial=-1)) + 1
        return samples, fit_spline(samples, step_u, step_v, reach_u, reach_v, theta, count)

    for _ in range(4):
        samples, spline = fitted(reach_u)
        if spline is None:
            return _Image(samples, None, None)
        image = _Image(samples, spline, half_widths(spline))
        if np.isfinite(image.widths.major) and np.isfinite(image.widths.minor):
            if divisions == 4.0 and image.widths.hollow < 0.95 and b > 2.5 and a < 1.7 * b:
                divisions = 9.0  # the wall of a ring is far thinner than the ring
                continue
            if catalogue.doubling is None:
                image = replace(image, whole=_whole(image, reach_u, fitted))
            break
        reach_u, reach_v = 1.6 * reach_u, 1.6 * reach_v
    return image


def _whole(
    image: _Image, reach_u: float, fitted: Callable[[float], tuple[Samples, StarSpline | None]]
) -> StarSpline | None:
    """The star image to the end of drawn-out wings; None where it ends there already."""
    whole, longer = None, image.spline
    for _ in range(3):
        needed = reach_needed(longer, image.widths.major, image.widths.minor)
        if longer.reach[0] >= needed:
            break
        reach_u = min(needed, 1.6 * reach_u)
        longer = fitted(reach_u)[1]
        if longer is None:
            break
        whole = longer
    return whole


def _dips(view: View, image: _Image, shape: CommonShape) -> tuple[Dip | None, Dip | None]:
    """What the stars themselves say of a hollow or a double star image."""
    widths = image.widths
    if image.spline is None or widths is None:
        return None, None
    axes = ellipse_from_moments(*shape.moments)[:2]
    hollow = two = None
    if widths.hollow < 0.95:
        hollow = ring(image.samples, image.spline, axes, float(np.sqrt(view.lattice)))
    if widths.dip > 0.1 and np.isfinite(widths.minor):
        two = pair(image.samples, *widths.tops, widths.minor)
    return hollow, two


def _plain(image: _Image, shape: CommonShape) -> bool:
    """Whether the star image is one filled star of moderate elongation."""
    a, b, _ = ellipse_from_moments(*shape.moments)
    return a < 2.5 * b and image.widths.hollow > 0.9 and image.widths.dip < 0.1


def _samples(
    view: View,
    places: tuple[np.ndarray, np.ndarray, np.ndarray | None],
    moments: tuple[float, float, float],
    wide: float,
    frame: tuple[float, float, float],
    settings: MeasureSettings,
) -> Samples:
    """Pixels of the stars inside a rectangle along their long axis, each scaled alike."""
    reach_u, reach_v, theta = frame
    x, y, scale = places
    t = np.radians(theta)
    extent = max(
        reach_u * abs(np.cos(t)) + reach_v * abs(np.sin(t)),
        reach_u * abs(np.sin(t)) + reach_v * abs(np.cos(t)),
    )
    half = int(np.ceil(extent)) + 1
    enough = max(100, int(settings.image_samples / (np.pi * reach_u * reach_v) * view.lattice))
    count = max(12, min(len(x), enough, STAMP_PIXELS // (2 * half + 1) ** 2))
    x, y = x[:count], y[:count]
    stamps = view.stamps(x, y, half)
    most = settings.image_samples
    if scale is not None:  # fitted with the lattice in the model
        light = scale[:count]
        return gather_samples(stamps, x, y, light, view.noise, theta, reach_u, reach_v, most)
    # one wide-weighted sum scales every star: a fitted peak would depend on the
    # star's place in the pixel and bend the image with it
    steps = 4 if wide > 1.0 else 1  # the centre is moved only where it was not yet exact
    new_x, new_y, flux = weighted_centroids(stamps, x, y, moments, wide=2.0, steps=steps)
    if wide > 1.0:
        x, y = new_x, new_y
    good = np.isfinite(flux) & (flux > 0)
    # the sum of a unit-peak Gaussian star under twice its width is 8/5 pi sqrt(det)
    unit = 1.6 * np.pi * np.sqrt(moments[0] * moments[1] - moments[2] ** 2) / view.lattice
    stamps, x, y, light = stamps[good], x[good], y[good], flux[good] / unit
    return gather_samples(stamps, x, y, light, view.noise, theta, reach_u, reach_v, most)


def image_template(stack: Stack, moments: tuple[float, float, float]) -> Template:
    """The stacked star as a photometric template, or the Gaussian where there is none.

    Parameters
    ----------
    stack : Stack
    moments : tuple of float
        (xx, yy, xy) of that Gaussian, px^2.
    """
    if stack.profile is not None and stack.shape is not None:
        fit, shape = stack.profile, stack.shape
        theta = float(ellipse_from_moments(*shape.moments)[2])
        return moffat_template(fit.major, fit.minor, fit.beta, theta)
    if stack.spline is None or stack.method != "image":
        return gaussian_template(*moments)
    spline = stack.spline if stack.whole is None else stack.whole
    reach_u, reach_v = spline.reach
    edge = 0.97 * max(reach_u, reach_v)
    step = max(stack.minor / 10.0, edge / 150)
    n = int(np.ceil(edge / step)) + 1
    axis = np.arange(-n, n + 1) * step
    x, y = np.meshgrid(axis, axis)
    inside = counted(spline, stack.widths, stack.major, stack.minor, x, y)
    values = np.where(inside, spline.at(x, y), 0.0)
    if not inside.all():
        values[~inside] = WING_SHARE * values.sum() / np.count_nonzero(~inside)
    # of the squared signal of a Moffat star (beta 2.5) 1e-4 lies beyond 1.6 FWHM;
    # of its light 4 %, so the image keeps its wings
    radius = 0.8 * max(reach_u, reach_v)
    return Template((values / values.max()).astype(np.float32), float(step), float(radius))
