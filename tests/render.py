"""Star fields with known truth, rendered by GalSim: the outside measure of the measuring stage.

Nothing here uses subgrade's own arithmetic.  A frame's star image is drawn once by
GalSim, convolved with the pixel and sampled several times finer than the pixel.  A star
at a sub-pixel position on that finer grid is then an exact slice of it (no
interpolation), so that frames with thousands of stars take a fraction of a second and
the truth is read from the very image the stars were made of.

Pixel convention: x the column, y the row, 0-based, pixel centres on whole numbers;
angles counter-clockwise from +x towards +y.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

galsim = pytest.importorskip("galsim")

MAX_ADU = 65535
NEA_REFERENCE_PX = 34.0
"""Noise-equivalent area of a Moffat star of beta 3 and FWHM 3 px (King 1983)."""
COUNT_SLOPE = 0.75
"""Number of stars brighter than F goes as F^-0.75 (0.3 dex a magnitude; common practice)."""


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
    oversample = 16 if shape.fwhm_px < 3 and extent < 60 else 8 if shape.fwhm_px < 8 else 4
    half = int(np.ceil(extent))
    size = 2 * (half + 1) * oversample + 1
    seen = galsim.Convolve(shape.profile(), galsim.Pixel(1.0))
    fine = seen.drawImage(nx=size, ny=size, scale=1 / oversample, method="no_pixel").array
    fine = np.asarray(fine, dtype=np.float64) * oversample**2
    return Template(shape, fine, oversample, half, _truth(shape, fine, oversample))


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

    The outermost crossing counts, so a ring gives its outer width.  Cubic-spline
    samples at 1/200 px, linear between.
    """
    centre = (fine.shape[0] - 1) / 2
    reach = centre / oversample * 0.98
    along = np.arange(-reach, reach, 0.005)
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    rows, columns = centre + along * oversample * sin, centre + along * oversample * cos
    cut = map_coordinates(fine, [rows, columns], order=3, mode="nearest")
    level = cut.max() / 2
    above = np.flatnonzero(cut >= level)
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


@dataclass(frozen=True)
class StarTruth:
    """Where the stars are and how bright; ``snr`` is matched-filter, sky noise only."""

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    snr: np.ndarray


@dataclass(frozen=True)
class Frame:
    """One rendered frame with its truth; ``data`` is uint16 or float32."""

    data: np.ndarray
    truth: ShapeTruth
    stars: StarTruth
    background_adu: float
    noise_adu: float
    mosaic: str | None = None

    def count_above(self, snr: float = 20.0) -> int:
        """True stars of at least this S/N whose centre is on the frame."""
        return int(np.count_nonzero(self.stars.snr >= snr))


@dataclass(frozen=True)
class Scene:
    """Everything but the star's shape: sky, camera, star counts and defects.

    ``bright`` stars have S/N above 20 if their FWHM is near 3 px (a wider star of the same
    light has less); the luminosity function goes on ``depth`` times fainter.  Sky levels
    and amplitudes are ADU.
    """

    width: int = 2000
    height: int = 1500
    bright: int = 350
    depth: float = 6.0
    brightest_snr: float = 10_000.0
    sky_adu: float = 1000.0
    electrons_per_adu: float = 1.0
    read_noise_e: float = 5.0
    full_well_adu: float = MAX_ADU
    gradient: float = 0.0
    nebula_adu: float = 0.0
    vignetting: float = 0.0
    hot_pixels: int = 0
    cosmic_rays: int = 0
    streak_adu: float = 0.0
    mosaic: str | None = None
    mosaic_sky: tuple[float, float, float] = (0.8, 1.0, 0.65)
    floating: bool = False
    noiseless: bool = False
    seed: int = 1

    @property
    def sky_noise_adu(self) -> float:
        """Noise of one pixel where the sky has its nominal level."""
        return float(np.sqrt(self.sky_adu / self.electrons_per_adu + _read_variance(self)))


USUAL = Scene()


def render(shape: StarShape, scene: Scene = USUAL) -> Frame:
    """Render one frame of `scene` with stars of `shape`."""
    rng = np.random.default_rng(scene.seed)
    star = template(shape)
    sky = _sky(scene)
    light = _transmission(scene) if scene.vignetting else None
    x, y, flux, colour = _draw_stars(rng, scene, star)
    signal = np.zeros((scene.height, scene.width), dtype=np.float32)
    planes = _colour_weights(scene, colour)
    _add_stars(signal, star, x, y, flux, planes, scene.mosaic)
    if scene.streak_adu:
        _add_streak(signal, rng, scene.streak_adu, star.truth.fwhm_px)
    if light is not None:
        signal *= light
        sky = sky * light
    noise = np.sqrt(sky / scene.electrons_per_adu + _read_variance(scene))
    data = _expose(rng, scene, sky + signal)
    _add_defects(data, rng, scene)
    np.clip(data, None, scene.full_well_adu, out=data)
    if scene.floating:
        pixels = data.astype(np.float32)
    else:
        pixels = np.clip(np.rint(data), 0, MAX_ADU).astype(np.uint16)
    snr = _signal_to_noise(scene, star, x, y, flux, planes, noise, light)
    background, sigma = float(np.median(sky)), float(np.median(noise))
    truth = StarTruth(x, y, flux, snr)
    return Frame(pixels, star.truth, truth, background, sigma, scene.mosaic)


def _read_variance(scene: Scene) -> float:
    digitised = 0.0 if scene.floating else 1 / 12
    return (scene.read_noise_e / scene.electrons_per_adu) ** 2 + digitised


def _sky(scene: Scene) -> np.ndarray:
    v, u = np.mgrid[0 : scene.height, 0 : scene.width].astype(np.float32)
    u, v = u / scene.width - 0.5, v / scene.height - 0.5
    sky = scene.sky_adu * (1 + scene.gradient * (u + 0.5 * v))
    if scene.nebula_adu:
        sky += scene.nebula_adu * np.exp(-((u - 0.1) ** 2 + (v + 0.05) ** 2) / (2 * 0.12**2))
    if scene.mosaic:
        for plane, (row, column) in _mosaic_cells(scene.mosaic):
            sky[row::2, column::2] *= scene.mosaic_sky[plane]
    return sky


def _mosaic_cells(pattern: str) -> list[tuple[int, tuple[int, int]]]:
    return [("RGB".index(letter), divmod(i, 2)) for i, letter in enumerate(pattern)]


def _transmission(scene: Scene) -> np.ndarray:
    v, u = np.mgrid[0 : scene.height, 0 : scene.width].astype(np.float32)
    radius = np.hypot(u - scene.width / 2, v - scene.height / 2)
    return 1 - scene.vignetting * (radius / radius.max()) ** 2


def _draw_stars(rng, scene: Scene, star: Template):
    total = round(scene.bright * scene.depth**COUNT_SLOPE)
    # Stratified draws keep the luminosity function but not its Poisson scatter.
    rank = (np.arange(total) + rng.random(total)) / max(total, 1)
    snr = 20 / scene.depth * (1 - rank) ** (-1 / COUNT_SLOPE)
    unit = scene.sky_noise_adu * np.sqrt(NEA_REFERENCE_PX)
    flux = np.minimum(snr, scene.brightest_snr) * unit
    x = rng.integers(0, scene.width * star.oversample, total) / star.oversample - 0.5
    y = rng.integers(0, scene.height * star.oversample, total) / star.oversample - 0.5
    return x, y, flux, rng.normal(0.0, 0.35, total)


def _colour_weights(scene: Scene, colour: np.ndarray) -> np.ndarray:
    if scene.mosaic is None:
        return np.ones((1, len(colour)))
    return np.stack([0.8 * np.exp(colour), np.ones_like(colour), 0.7 * np.exp(-colour)])


def _add_stars(signal, star: Template, x, y, flux, planes, mosaic) -> None:
    height, width = signal.shape
    half, n = star.half_px, star.oversample
    cells = _mosaic_cells(mosaic) if mosaic else []
    for i in range(len(x)):
        column, row = int(np.floor(x[i])), int(np.floor(y[i]))
        stamp = star.stamp(round((x[i] - column) * n), round((y[i] - row) * n)) * flux[i]
        x0, x1 = max(column - half, 0), min(column + half + 1, width)
        y0, y1 = max(row - half, 0), min(row + half + 1, height)
        part = stamp[y0 - row + half : y1 - row + half, x0 - column + half : x1 - column + half]
        if mosaic:
            part = part.copy()
            for plane, (dy, dx) in cells:
                part[(dy - y0) % 2 :: 2, (dx - x0) % 2 :: 2] *= planes[plane, i]
        signal[y0:y1, x0:x1] += part


def _add_streak(signal, rng, level: float, fwhm: float) -> None:
    height, width = signal.shape
    v, u = np.mgrid[0:height, 0:width].astype(np.float32)
    angle = np.radians(rng.uniform(15, 75))
    across = (u - width * 0.45) * np.sin(angle) - (v - height * 0.55) * np.cos(angle)
    signal += level * np.exp(-4 * np.log(2) * (across / fwhm) ** 2)


def _expose(rng, scene: Scene, expected: np.ndarray) -> np.ndarray:
    if scene.noiseless:
        return expected.astype(np.float64)
    electrons = rng.poisson(expected.astype(np.float64) * scene.electrons_per_adu)
    read = rng.standard_normal(expected.shape, dtype=np.float32) * scene.read_noise_e
    return (electrons + read) / scene.electrons_per_adu


def _add_defects(data, rng, scene: Scene) -> None:
    height, width = data.shape
    if scene.hot_pixels:
        rows = rng.integers(0, height, scene.hot_pixels)
        columns = rng.integers(0, width, scene.hot_pixels)
        data[rows, columns] += 300 + rng.exponential(4000, scene.hot_pixels)
    for _ in range(scene.cosmic_rays):
        length, angle = rng.uniform(1, 12), rng.uniform(0, 2 * np.pi)
        along = np.arange(0, length, 0.5)
        rows = np.rint(rng.uniform(0, height) + along * np.sin(angle)).astype(int) % height
        columns = np.rint(rng.uniform(0, width) + along * np.cos(angle)).astype(int) % width
        data[rows, columns] += rng.uniform(300, 8000)


def _signal_to_noise(scene, star, x, y, flux, planes, noise, light):
    row = np.clip(np.rint(y), 0, noise.shape[0] - 1).astype(int)
    column = np.clip(np.rint(x), 0, noise.shape[1] - 1).astype(int)
    seen = flux if light is None else flux * light[row, column]
    if scene.mosaic is None:
        return seen / (noise[row, column] * np.sqrt(star.truth.nea_px))
    # All pixels used, each with its own colour's response and noise.
    weight = np.zeros(len(x))
    for plane, (dy, dx) in _mosaic_cells(scene.mosaic):
        sigma = noise[(row // 2 * 2 + dy) % noise.shape[0], (column // 2 * 2 + dx) % noise.shape[1]]
        weight += 0.25 * (planes[plane] / sigma) ** 2
    return seen * np.sqrt(weight / star.truth.nea_px)
