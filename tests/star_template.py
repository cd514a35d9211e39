"""One star image with known truth, drawn by GalSim and sampled finer than the pixel.

Nothing here uses subgrade's own arithmetic.  A star at a sub-pixel position on the finer
grid is an exact slice of the image (no interpolation), and the truth is read from the very
image the stars of a frame are made of.  Pixel and angle conventions as in `render`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

galsim = pytest.importorskip("galsim")


@dataclass(frozen=True)
class Motion:
    """How the image moved during the exposure.

    ``kind``: ``none``, ``box`` (steady creep over ``size_px``), ``arcsine`` (swing of
    amplitude ``size_px``), ``step`` (two places ``size_px`` apart, ``share`` of the time at
    the second), ``tail`` (a one-sided exponential tail of scale ``size_px`` holding
    ``share`` of the light).
    """

    kind: str = "none"
    size_px: float = 0.0
    angle_deg: float = 0.0
    share: float = 0.5

    def apply(self, profile):
        """The GalSim profile `profile` convolved with this motion."""
        if self.kind == "none":
            return profile
        if self.kind == "box":
            # The width only has to vanish beside the pixel.
            line = galsim.Box(self.size_px, 0.02)
            return galsim.Convolve(profile, line.rotate(self.angle_deg * galsim.degrees))
        offsets, weights = self._samples()
        cos, sin = np.cos(np.radians(self.angle_deg)), np.sin(np.radians(self.angle_deg))
        return galsim.Sum(
            [
                profile.shift(o * cos, o * sin) * float(w)
                for o, w in zip(offsets, weights, strict=True)
            ]
        )

    def _samples(self) -> tuple[np.ndarray, np.ndarray]:
        if self.kind == "step":
            ends = self.size_px * np.array([-self.share, 1 - self.share])
            return ends, np.array([1 - self.share, self.share])
        if self.kind == "arcsine":
            phase = (np.arange(64) + 0.5) / 64 * np.pi
            return self.size_px * np.cos(phase), np.full(64, 1 / 64)
        if self.kind == "tail":
            quantile = (np.arange(32) + 0.5) / 32
            tail = -self.size_px * np.log(1 - quantile)
            return np.r_[0.0, tail], np.r_[1 - self.share, np.full(32, self.share / 32)]
        raise ValueError(f"no such motion: {self.kind}")


STILL = Motion()


@dataclass(frozen=True)
class StarShape:
    """The star before the pixel: ``kind`` is moffat, gaussian, kolmogorov or donut.

    ``fwhm_px`` is the geometric mean of the two half-maximum widths before motion and
    pixel (for a donut: of the seeing that softens the ring of outer radius
    ``ring_px``); ``q`` the axis ratio b/a, ``angle_deg`` the long axis.
    """

    kind: str
    fwhm_px: float
    beta: float = 3.0
    q: float = 1.0
    angle_deg: float = 0.0
    motion: Motion = STILL
    ring_px: float = 0.0
    obscuration: float = 0.4

    def profile(self):
        """As a GalSim profile of unit flux, pixel not yet convolved."""
        params = galsim.GSParams(maximum_fft_size=16384)
        if self.kind == "moffat":
            star = galsim.Moffat(beta=self.beta, fwhm=self.fwhm_px, gsparams=params)
        elif self.kind == "gaussian":
            star = galsim.Gaussian(fwhm=self.fwhm_px, gsparams=params)
        elif self.kind == "kolmogorov":
            star = galsim.Kolmogorov(fwhm=self.fwhm_px, gsparams=params)
        elif self.kind == "donut":
            inner = self.obscuration**2
            ring = galsim.TopHat(self.ring_px, flux=1 / (1 - inner)) - galsim.TopHat(
                self.obscuration * self.ring_px, flux=inner / (1 - inner)
            )
            seeing = galsim.Moffat(beta=3.5, fwhm=self.fwhm_px, gsparams=params)
            star = galsim.Convolve(ring, seeing)
        else:
            raise ValueError(f"no such star: {self.kind}")
        if self.q != 1.0:
            star = star.shear(q=self.q, beta=self.angle_deg * galsim.degrees)
        return self.motion.apply(star)


@dataclass(frozen=True)
class ShapeTruth:
    """What a perfect measurement of the pixel-convolved star would give.

    ``fwhm_px`` is sqrt(major * minor) of the half-maximum widths along and across
    ``angle_deg`` (of a round star, whose axes are any two, the mean over directions: the
    square pixel leaves a sharp round star some 0.2 % from round).  ``eccentricity`` is by
    adaptive Gaussian-weighted moments (GalSim hsm on the finely sampled image),
    ``eccentricity_half`` by the half-maximum widths; ``nea_px`` is 1 / sum P^2.
    """

    fwhm_px: float
    fwhm_major_px: float
    fwhm_minor_px: float
    eccentricity: float
    eccentricity_half: float
    angle_deg: float
    nea_px: float
    peak: float


@dataclass(frozen=True)
class Template:
    """A pixel-convolved star of unit flux, sampled ``oversample`` times a pixel."""

    shape: StarShape
    image: np.ndarray
    oversample: int
    half_px: int
    truth: ShapeTruth

    def stamp(self, phase_x: int, phase_y: int) -> np.ndarray:
        """Pixel values around the nearest pixel for a star (phase / oversample) px off it."""
        n = self.oversample
        first_x, first_y = n - phase_x, n - phase_y
        count = 2 * self.half_px + 1
        return self.image[
            first_y : first_y + (count - 1) * n + 1 : n, first_x : first_x + (count - 1) * n + 1 : n
        ]


@lru_cache(maxsize=32)
def template(shape: StarShape) -> Template:
    """Draw the star of `shape` once, finely, and read its truth."""
    extent = shape.fwhm_px * 10
    if shape.motion.kind != "none":
        extent += shape.motion.size_px * (6 if shape.motion.kind == "tail" else 1)
    extent = max(extent + 1.3 * shape.ring_px, 24)
    oversample = _oversampling(shape.fwhm_px, extent)
    half = int(np.ceil(extent))
    size = 2 * (half + 1) * oversample + 1
    seen = galsim.Convolve(shape.profile(), galsim.Pixel(1.0))
    fine = seen.drawImage(nx=size, ny=size, scale=1 / oversample, method="no_pixel").array
    fine = np.asarray(fine, dtype=np.float64) * oversample**2
    return Template(shape, fine, oversample, half, _truth(shape, fine, oversample))


def _oversampling(fwhm_px: float, extent_px: float) -> int:
    """As fine as the star is sharp, coarser where the image is large."""
    if fwhm_px < 3 and extent_px < 60:
        return 16
    if fwhm_px < 8 and extent_px < 80:
        return 8
    return 4 if fwhm_px < 16 else 2


def _truth(shape: StarShape, fine: np.ndarray, oversample: int) -> ShapeTruth:
    moved = shape.motion.kind != "none"
    angle = shape.motion.angle_deg if moved and shape.q == 1.0 else shape.angle_deg
    major = half_maximum_width(fine, oversample, angle)
    minor = half_maximum_width(fine, oversample, angle + 90)
    xx, yy, xy = adaptive_moments(fine, oversample, 2.5 * shape.fwhm_px + shape.motion.size_px)
    ratio = min(minor, major) / max(minor, major)
    fwhm = np.sqrt(major * minor)
    if shape.q == 1.0 and not moved:
        turns = [half_maximum_width(fine, oversample, turn) for turn in range(0, 90, 15)]
        fwhm = np.exp(np.mean(np.log(turns)))
    return ShapeTruth(
        fwhm_px=float(fwhm),
        fwhm_major_px=major,
        fwhm_minor_px=minor,
        eccentricity=moment_eccentricity(xx, yy, xy),
        eccentricity_half=float(np.sqrt(1 - ratio**2)),
        angle_deg=angle % 180,
        nea_px=float(oversample**2 / np.sum(fine**2)),
        peak=float(fine.max()),
    )


def half_maximum_width(fine: np.ndarray, oversample: int, angle_deg: float) -> float:
    """Full width at half maximum through the centre along `angle_deg`, px.

    Half of the image's highest value, wherever that is; the outermost crossing counts, so
    a ring gives its outer width.  NaN where the cut never reaches it (two images far
    apart, cut between them).  Cubic-spline samples at 1/200 px, linear between.
    """
    centre = (fine.shape[0] - 1) / 2
    reach = centre / oversample * 0.98
    along = np.arange(-reach, reach, 0.005)
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    rows, columns = centre + along * oversample * sin, centre + along * oversample * cos
    cut = map_coordinates(fine, [rows, columns], order=3, mode="nearest")
    level = fine.max() / 2
    above = np.flatnonzero(cut >= level)
    if len(above) == 0:
        return float("nan")
    first, last = above[0], above[-1]
    left = along[first] - 0.005 * (cut[first] - level) / (cut[first] - cut[first - 1])
    right = along[last] + 0.005 * (cut[last] - level) / (cut[last] - cut[last + 1])
    return float(right - left)


def adaptive_moments(fine, oversample: int, reach_px: float) -> tuple[float, float, float]:
    """GalSim's adaptive moments (xx, yy, xy) of the noiseless star, px^2; NaN if they fail."""
    centre = (fine.shape[0] - 1) // 2
    reach = min(int(reach_px * oversample), centre)
    cut = np.ascontiguousarray(
        fine[centre - reach : centre + reach + 1, centre - reach : centre + reach + 1]
    )
    params = galsim.hsm.HSMParams(max_amoment=1e7, max_mom2_iter=2000, convergence_threshold=1e-7)
    try:
        found = galsim.hsm.FindAdaptiveMom(galsim.Image(cut, scale=1.0), hsmparams=params)
    except galsim.GalSimHSMError:
        return (float("nan"),) * 3
    size = (found.moments_sigma / oversample) ** 2
    e1, e2 = found.observed_e1, found.observed_e2
    # sigma^4 = xx yy - xy^2 and (e1, e2) = (xx - yy, 2 xy) / (xx + yy).
    trace = 2 * size / np.sqrt(1 - e1**2 - e2**2)
    return trace * (1 + e1) / 2, trace * (1 - e1) / 2, trace * e2 / 2


def moment_eccentricity(xx: float, yy: float, xy: float) -> float:
    """sqrt(1 - (b/a)^2) of the ellipse whose second moments are given."""
    if not np.isfinite(xx):
        return float("nan")
    b2, a2 = np.linalg.eigvalsh([[xx, xy], [xy, yy]])
    return float(np.sqrt(max(0.0, 1 - b2 / a2)))
