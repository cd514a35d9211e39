"""The light of one exposure on the sensor: stars with their shape, and the sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .field import SkyField, electrons
from .geometry import pixels_per_arcsec
from .kernel import refine, split_path
from .optics import Blur, frequencies, spot_diagram, star_spectrum
from .profile import StarTruth, star_truth
from .render import add_stars, colour_factors
from .scenario import Scenario
from .sky_and_focus import Conditions, cloud_map

LONGEST_PIECE_PX = 48.0
"""Motion reaching further is rendered in pieces."""
ZONES = (6, 5)
"""Columns and rows of the zones whose stars share one shape, when shape varies."""
SKY_COLOURS = {"": 1.0, "R": 0.8, "G": 1.0, "B": 0.7}
LARGEST_STAMP = 256


@dataclass(frozen=True, slots=True)
class Exposure:
    """One exposure's circumstances in the sensor's terms.

    Attributes
    ----------
    path : ndarray, shape (n, 2)
        Displacement (east, north), arcsec.
    turn : ndarray, shape (n,)
        Turn about the guide star since the night began, radians north through east.
    matrix : ndarray, shape (2, 2)
        Pixels per arcsec, as `geometry.pixels_per_arcsec` gives it.
    """

    scenario: Scenario
    weather: Conditions
    path: np.ndarray
    turn: np.ndarray
    matrix: np.ndarray
    flipped: bool
    seconds: float

    @property
    def centre(self) -> np.ndarray:
        """Field centre, px."""
        camera = self.scenario.camera
        return np.array([(camera.width - 1) / 2.0, (camera.height - 1) / 2.0])

    @property
    def half_diagonal(self) -> float:
        return float(np.hypot(*self.centre))

    def guide_star(self) -> np.ndarray:
        """The guide star's offset (east, north) from the field centre, arcsec."""
        camera, guider = self.scenario.camera, self.scenario.guider
        place = np.array([guider.star_x * camera.width, guider.star_y * camera.height])
        offset = place - self.centre
        turn = self.scenario.plan.flip_turn_deg
        if self.flipped and turn != 180.0:
            # It is the same star on both sides of the pier.
            before = pixels_per_arcsec(camera, self.scenario.scale_arcsec)
            return np.linalg.solve(before, offset)
        return np.linalg.solve(self.matrix, -offset if self.flipped else offset)


@dataclass(frozen=True, slots=True)
class Seen:
    """Expected electrons of stars and of sky, and the star's true shape at field centre."""

    stars: np.ndarray
    sky: np.ndarray
    shape: StarTruth


def rotate(offset: np.ndarray, angle) -> np.ndarray:
    """Turn (east, north) offsets by ``angle``, north through east."""
    east, north = offset[..., 0], offset[..., 1]
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([c * east + s * north, c * north - s * east], axis=-1)


def star_places(exposure: Exposure, field: SkyField) -> np.ndarray:
    """Mean pixel position of every source during the exposure, shape (n, 2)."""
    guide = exposure.guide_star()
    offset = np.column_stack([field.east, field.north]) - guide
    turned = rotate(offset, exposure.turn.mean()) + guide + exposure.path.mean(axis=0)
    return turned @ exposure.matrix.T + exposure.centre


def star_light(exposure: Exposure, field: SkyField) -> tuple[np.ndarray, np.ndarray]:
    """Electrons of every source, local cloud and vignetting included; which stars are in frame.

    Returns
    -------
    flux : ndarray of float, shape (n,)
    inside : ndarray of bool, shape (n,)
        Stars (not galaxies) whose mean position lies on the sensor.
    """
    scenario, weather = exposure.scenario, exposure.weather
    place = star_places(exposure, field)
    u, v = (place - exposure.centre).T / exposure.half_diagonal
    flux = electrons(
        field.magnitude, exposure.seconds, scenario.optics.zero_point, weather.extinction
    )
    flux = flux * cloud_map(weather, u, v)
    flux = flux * (1.0 - scenario.optics.vignetting * (u * u + v * v))
    camera = scenario.camera
    reach = np.abs(place - exposure.centre)
    on_sensor = (reach[:, 0] <= camera.width / 2) & (reach[:, 1] <= camera.height / 2)
    return flux, on_sensor & (field.size_arcsec == 0)


def zone_path(exposure: Exposure, place: np.ndarray) -> np.ndarray:
    """Motion in px, about its mean, of a star whose mean place is ``place`` (px)."""
    path = exposure.path - exposure.path.mean(axis=0)
    swing = exposure.turn - exposure.turn.mean()
    arm = np.linalg.solve(exposure.matrix, place - exposure.centre) - exposure.guide_star()
    arc = rotate(arm[None, :], swing) - arm
    moved = (path + arc) @ exposure.matrix.T
    return refine(moved - moved.mean(axis=0), 0.5)


def blur_at(exposure: Exposure, place: np.ndarray) -> Blur:
    """Star image at rest at a place on the sensor (px)."""
    scenario, weather = exposure.scenario, exposure.weather
    u, v = (place - exposure.centre) / exposure.half_diagonal
    # Tilt and aberrations belong to the camera: a meridian flip does not turn them.
    spot = spot_diagram(scenario.optics, scenario.camera.pixel_um, weather.defocus_um, u, v)
    return Blur(weather.seeing_px, scenario.air.beta, weather.dew, spot)


def _zones(exposure: Exposure) -> list[tuple[np.ndarray, np.ndarray]]:
    """Centres and bounds (x0, y0, x1, y1) of the zones that share a star shape."""
    camera, optics = exposure.scenario.camera, exposure.scenario.optics
    arc = np.ptp(exposure.turn) * exposure.half_diagonal * 2.0
    varies = arc > 0.05 or max(abs(optics.tilt_um), optics.astigmatism_um, optics.coma_um) > 0
    columns, rows = ZONES if varies else (1, 1)
    xs = np.linspace(-0.5, camera.width - 0.5, columns + 1)
    ys = np.linspace(-0.5, camera.height - 0.5, rows + 1)
    zones = []
    for j in range(rows):
        for i in range(columns):
            low, high = np.array([xs[i], ys[j]]), np.array([xs[i + 1], ys[j + 1]])
            # The outermost zones also serve the stars just off the sensor.
            lo = np.where([i == 0, j == 0], -np.inf, low)
            hi = np.where([i == columns - 1, j == rows - 1], np.inf, high)
            zones.append(((low + high) / 2, np.concatenate([lo, hi])))
    return zones


def expose(exposure: Exposure, field: SkyField) -> Seen:
    """Expected electrons of one exposure, before any noise."""
    camera = exposure.scenario.camera
    stars = np.zeros((camera.height, camera.width))
    sky = sky_light(exposure)
    place = star_places(exposure, field)
    flux, _ = star_light(exposure, field)
    factors = colour_factors(camera.mosaic, field.colours) if camera.mosaic else None
    noise = float(np.sqrt(np.median(sky) + camera.read_noise_e**2))
    for centre, (x0, y0, x1, y1) in _zones(exposure):
        here = (place[:, 0] >= x0) & (place[:, 0] < x1)
        here &= (place[:, 1] >= y0) & (place[:, 1] < y1)
        if here.any():
            _zone_stars(stars, exposure, centre, field, place, flux, factors, here, noise)
    return Seen(stars, sky, shape_at(exposure, exposure.centre))


def _zone_stars(picture, exposure, centre, field, place, flux, factors, here, noise) -> None:
    """Add one zone's sources, each on a stamp as large as its brightness asks for."""
    blur, path = blur_at(exposure, centre), zone_path(exposure, centre)
    pieces = split_path(path, LONGEST_PIECE_PX)
    scale = exposure.scenario.scale_arcsec
    for piece in pieces:
        # The stamp is centred on the piece's span: a one-sided tail must not wrap round it.
        middle, share = 0.5 * (piece.min(axis=0) + piece.max(axis=0)), len(piece) / len(path)
        still = piece - middle
        base = _base_stamp(blur, still)
        size = _stamp_sizes(blur, flux * share, base, noise)
        for n in np.unique(size[here]):
            for sigma in np.unique(field.size_arcsec[here & (size == n)]):
                which = np.flatnonzero(here & (size == n) & (field.size_arcsec == sigma))
                side = int(min(n + 2 * round(5 * sigma / scale), LARGEST_STAMP))
                kx, ky = frequencies(side)
                spectrum = star_spectrum(blur, still, kx.ravel(), ky.ravel(), sigma / scale)
                add_stars(
                    picture,
                    spectrum.reshape(3, side, 3, side // 2 + 1),
                    place[which, 0] + middle[0],
                    place[which, 1] + middle[1],
                    flux[which] * share,
                    None if factors is None else factors[which],
                )


def _base_stamp(blur: Blur, path: np.ndarray) -> int:
    """Even stamp side that holds the motion, the optics' blur and the seeing's core."""
    reach = float(np.ptp(path, axis=0).max())
    if blur.spot is not None:
        reach += float(np.ptp(blur.spot, axis=0).max())
    return int(min(LARGEST_STAMP, max(32, 2 * int(np.ceil((reach + 6.0 * blur.fwhm_px) / 2)))))


def _stamp_sizes(blur: Blur, flux: np.ndarray, base: int, noise: float) -> np.ndarray:
    """Stamp side of each star: at its edge the wings sink below a tenth of the noise."""
    size = np.full(len(flux), min(4 * base, LARGEST_STAMP))
    parts = [(1.0 - blur.dew, blur.fwhm_px, blur.beta), (blur.dew, 3.0 * blur.fwhm_px, 2.0)]
    for n in (2 * base, base):
        edge = sum(
            weight * _moffat_at(n / 2.0, fwhm, beta) for weight, fwhm, beta in parts if weight > 0
        )
        size[flux * edge < 0.1 * noise] = min(n, LARGEST_STAMP)
    return size


def _moffat_at(radius: float, fwhm: float, beta: float) -> float:
    """Surface brightness of a unit Moffat at a radius, per px^2."""
    from .optics import moffat_alpha

    alpha = moffat_alpha(fwhm, beta)
    return (beta - 1) / (np.pi * alpha**2) * (1 + (radius / alpha) ** 2) ** -beta


def shape_at(exposure: Exposure, place: np.ndarray) -> StarTruth:
    """True shape of a star at a place on the sensor (px); NaN widths when drawn into a trail."""
    blur, path = blur_at(exposure, place), zone_path(exposure, place)
    trailed = np.ptp(path, axis=0).max() > LONGEST_PIECE_PX
    if trailed:
        path = split_path(path, LONGEST_PIECE_PX)[0]
    path = path - 0.5 * (path.min(axis=0) + path.max(axis=0))
    # Half-pixel steps: the pixel's own transfer is nil at one cycle per px.
    k = 2.0 * np.fft.fftfreq(2 * max(_base_stamp(blur, path), 64))
    shape = star_truth(star_spectrum(blur, path, k, k), k, k)
    # A line has no half-maximum width worth the name: its brightest knot would decide it.
    trailed = trailed or shape.eccentricity > 0.97
    nan = float("nan")
    return StarTruth(*(nan,) * 8, pixels=nan) if trailed else shape


def sky_light(exposure: Exposure) -> np.ndarray:
    """Expected sky electrons per px, shape (height, width)."""
    scenario, camera = exposure.scenario, exposure.scenario.camera
    cx, cy = exposure.centre
    u = ((np.arange(camera.width) - cx) / exposure.half_diagonal)[None, :]
    v = ((np.arange(camera.height) - cy) / exposure.half_diagonal)[:, None]
    t = np.deg2rad(scenario.sky.gradient_angle_deg)
    sky = exposure.weather.sky_e * (1 + scenario.sky.gradient * (u * np.cos(t) + v * np.sin(t)))
    sky = sky * (1.0 - scenario.optics.vignetting * (u * u + v * v))
    if camera.mosaic:
        tile = np.array([SKY_COLOURS[c] for c in camera.mosaic]).reshape(2, 2)
        reps = (camera.height // 2 + 1, camera.width // 2 + 1)
        sky = sky * np.tile(tile, reps)[: camera.height, : camera.width]
    return sky
