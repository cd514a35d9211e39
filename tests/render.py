"""Star fields with known truth, rendered by GalSim: the outside measure of the measuring stage.

Star images come from `star_template`; a frame with thousands of stars takes a fraction of a
second.  Pixel convention: x the column, y the row, 0-based, pixel centres on whole numbers;
angles counter-clockwise from +x towards +y.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.star_template import Motion, ShapeTruth, StarShape, Template, template

__all__ = ["USUAL", "Frame", "Motion", "Scene", "StarShape", "StarTruth", "render", "template"]

MAX_ADU = 65535
NEA_REFERENCE_PX = 34.0
"""Noise-equivalent area of a Moffat star of beta 3 and FWHM 3 px (King 1983)."""
COUNT_SLOPE = 0.75
"""Number of stars brighter than F goes as F^-0.75 (0.3 dex a magnitude; common practice)."""


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
    streak: tuple[float, float, float, float] | None = None
    """Ends (x1, y1, x2, y2) of the streak."""

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
    beside: tuple = ()
    """What else shines: objects with ``light(rng, height, width, star)``, an array of ADU."""

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
    glow = _glow(scene, star)
    x, y, flux, colour = _draw_stars(rng, scene, star)
    signal = np.zeros((scene.height, scene.width), dtype=np.float32)
    planes = _colour_weights(scene, colour)
    _add_stars(signal, star, x, y, flux, planes, scene.mosaic)
    streak = _add_streak(signal, rng, scene, star.truth.fwhm_px) if scene.streak_adu else None
    if light is not None:
        signal *= light
        sky = sky * light
    noise = np.sqrt((sky + glow) / scene.electrons_per_adu + _read_variance(scene))
    data = _expose(rng, scene, sky + glow + signal)
    _add_defects(data, rng, scene)
    np.clip(data, None, scene.full_well_adu, out=data)
    if scene.floating:
        pixels = data.astype(np.float32)
    else:
        pixels = np.clip(np.rint(data), 0, MAX_ADU).astype(np.uint16)
    snr = _signal_to_noise(scene, star, x, y, flux, planes, noise, light)
    background, sigma = float(np.median(sky + glow)), float(np.median(noise))
    truth = StarTruth(x, y, flux, snr)
    return Frame(pixels, star.truth, truth, background, sigma, scene.mosaic, streak)


def _glow(scene: Scene, star: Template) -> np.ndarray | float:
    """Light of what is no star of the field, ADU."""
    total = 0.0
    for number, thing in enumerate(scene.beside):
        rng = np.random.default_rng((scene.seed, number))
        total = total + thing.light(rng, scene.height, scene.width, star)
    return np.float32(total)


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


def _add_streak(signal, rng, scene: Scene, fwhm: float) -> tuple[float, float, float, float]:
    v, u = np.mgrid[0 : scene.height, 0 : scene.width].astype(np.float32)
    angle = np.radians(rng.uniform(15, 40))
    x0, y0 = scene.width * 0.45, scene.height * 0.55
    across = (u - x0) * np.sin(angle) - (v - y0) * np.cos(angle)
    signal += scene.streak_adu * np.exp(-4 * np.log(2) * (across / fwhm) ** 2)
    slope = np.tan(angle)
    x1 = max(0.0, x0 - y0 / slope)
    x2 = min(scene.width - 1.0, x0 + (scene.height - 1 - y0) / slope)
    return x1, y0 + (x1 - x0) * slope, x2, y0 + (x2 - x0) * slope


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
