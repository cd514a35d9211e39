"""The instruments of one night: telescope, camera, mount, guide camera, sky; drawn by seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SIDEREAL = 15.041
"""Arcseconds a second that the sky turns at the equator."""
LONG_WORK = {"polar", "worm", "flexure", "comet", "rotation"}
"""Kinds of trouble that need long exposures to show."""


@dataclass(frozen=True, slots=True)
class Rig:
    """What stays the same all night.

    Angles are in degrees, lengths on the sky in arcseconds, times in seconds.  ``turn`` is how far
    the camera is rotated, ``mirror`` whether its image is mirrored; ``guide_turn`` and
    ``guide_mirror`` say the same of the guide camera.
    """

    width: int
    height: int
    scale: float
    pixel_um: float
    aperture_m: float
    hole: float
    gain: float
    read_noise: float
    offset: float
    full_well: float
    exposure: float
    frames: int
    seeing: float
    profile: str
    stretch: float
    stretch_angle: float
    sky_mag: float
    filter: str
    latitude: float
    declination: float
    right_ascension: float
    hour_start: float
    turn: float
    mirror: bool
    guide_scale: float
    guide_turn: float
    guide_mirror: bool
    guide_aperture_m: float
    cadence: float
    guide_exposure: float
    latency: float
    gain_ra: float
    gain_dec: float
    least_move: float
    speed: float
    longest_pulse: float
    backlash: float
    window: float
    worm_period: float
    worm_arcsec: tuple[float, ...]
    worm_phase: tuple[float, ...]
    polar_arcmin: float
    polar_phase: float
    guided: bool
    dither_every: int
    flip_at: int

    @property
    def focal_mm(self) -> float:
        """Focal length that gives the pixel its scale, mm."""
        return 206.265 * self.pixel_um / self.scale

    @property
    def f_ratio(self) -> float:
        """Focal ratio."""
        return self.focal_mm / (1000.0 * self.aperture_m)

    @property
    def cos_dec(self) -> float:
        """How much narrower right ascension is on the sky here."""
        return float(np.cos(np.radians(self.declination)))

    @property
    def star_width(self) -> float:
        """Rough FWHM of an untroubled star with the pixel, arcsec."""
        return float(np.hypot(self.seeing, 0.8 * self.scale))

    def to_pixels(self, flipped: bool) -> np.ndarray:
        """Matrix that takes a shift on the sky (east, north; arcsec) to pixels (x, y)."""
        return _camera(self.scale, self.turn + 180.0 * flipped, self.mirror)

    def to_guide_pixels(self, flipped: bool) -> np.ndarray:
        """The same for the guide camera."""
        return _camera(self.guide_scale, self.guide_turn + 180.0 * flipped, self.guide_mirror)


def _camera(scale: float, turn: float, mirror: bool) -> np.ndarray:
    """North up and east to the left (to the right if mirrored), then turned."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    east = 1.0 if mirror else -1.0
    return np.array([[c, -s], [s, c]]) @ np.diag([east, 1.0]) / scale


def draw_rig(rng: np.random.Generator, kinds: set[str]) -> Rig:
    """A rig on which the kinds of trouble can show."""
    scale = float(np.exp(rng.uniform(np.log(0.4), np.log(4.0))))
    seeing = float(rng.uniform(1.7, 3.6))
    pixel = float(rng.choice([2.4, 2.9, 3.76, 4.63, 5.4, 9.0]))
    focal = 206.265 * pixel / scale
    cadence = float(rng.choice([1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0]))
    exposure = _exposure(rng, kinds)
    longest = float(rng.uniform(0.4, 1.6))
    if "late" in kinds:
        cadence, longest = max(cadence, 2.5), min(longest, 0.5)
    frames = int(rng.integers(16, 25)) if exposure < 350.0 else int(rng.integers(16, 19))
    latitude = float(rng.uniform(25.0, 60.0))
    low, high = (20.0, 45.0) if "rotation" in kinds else (-15.0, 72.0)
    return Rig(
        width=int(rng.integers(380, 425)),
        height=int(rng.integers(280, 315)),
        scale=scale,
        pixel_um=pixel,
        aperture_m=float(np.clip(focal / rng.uniform(3.5, 7.5) / 1000.0, 0.04, 0.4)),
        hole=float(rng.choice([0.0, 0.0, 0.35, 0.42])),
        gain=float(rng.uniform(0.25, 1.5)),
        read_noise=float(rng.uniform(1.3, 7.0)),
        offset=float(rng.integers(150, 1200)),
        full_well=float(rng.uniform(16e3, 80e3)),
        exposure=exposure,
        frames=frames,
        seeing=seeing,
        profile=str(rng.choice(["kolmogorov", "moffat", "moffat"])),
        stretch=float(rng.uniform(0.0, 0.03)),
        stretch_angle=float(rng.uniform(0.0, 180.0)),
        sky_mag=float(rng.uniform(19.0, 21.6)),
        filter=str(rng.choice(["L", "R", "G", "B", "Ha"])),
        latitude=latitude,
        declination=float(rng.uniform(low, high)),
        right_ascension=float(rng.uniform(0.0, 360.0)),
        hour_start=float(rng.uniform(-45.0, 15.0)),
        turn=float(rng.uniform(0.0, 360.0)),
        mirror=bool(rng.random() < 0.3),
        guide_scale=float(rng.uniform(1.1, 6.5)),
        guide_turn=float(rng.uniform(0.0, 360.0)),
        guide_mirror=bool(rng.random() < 0.3),
        guide_aperture_m=float(rng.uniform(0.03, 0.09)),
        cadence=cadence,
        guide_exposure=cadence * float(rng.uniform(0.55, 0.85)),
        latency=float(rng.uniform(0.05, 0.12)) * cadence,
        gain_ra=float(rng.uniform(0.45, 0.75)),
        gain_dec=float(rng.uniform(0.45, 0.75)),
        least_move=float(rng.uniform(0.08, 0.3)),
        speed=SIDEREAL * float(rng.choice([0.5, 0.5, 0.75, 0.9])),
        longest_pulse=longest,
        backlash=float(rng.uniform(0.2, 2.5)),
        window=float(rng.uniform(22.0, 45.0)),
        **_gears(rng, kinds, exposure, seeing, scale),
        guided="unguided" not in kinds,
        dither_every=int(rng.choice([0, 1, 2, 3])) if "late" not in kinds else 1,
        flip_at=int(rng.integers(5, frames - 4)) if rng.random() < 0.3 else 0,
    )


def _exposure(rng: np.random.Generator, kinds: set[str]) -> float:
    steps = [30.0, 45.0, 60.0, 90.0, 120.0, 180.0, 240.0, 300.0, 420.0, 600.0]
    if "unguided" in kinds:
        steps = [30.0, 45.0, 60.0, 90.0]
    elif "late" in kinds:
        steps = [60.0, 90.0, 120.0, 180.0]
    elif kinds & LONG_WORK:
        steps = steps[4:]
    return float(rng.choice(steps))


def _gears(rng, kinds: set[str], exposure: float, seeing: float, scale: float) -> dict:
    """Worm and polar axis: mild, unless they are the night's trouble."""
    width = float(np.hypot(seeing, 0.8 * scale))
    period = float(rng.choice([150.0, 240.0, 300.0, 399.0, 480.0, 600.0]) * rng.uniform(0.97, 1.03))
    size = float(rng.uniform(3.0, 10.0))
    if kinds & {"worm", "unguided"}:
        swept = min(2.0 * np.pi * exposure / period, 2.0)  # of an exposure's part of the turn
        size = float(rng.uniform(0.7, 2.0) if "unguided" in kinds else rng.uniform(1.2, 4.0))
        size *= width / swept
    sizes = (size, size * rng.uniform(0.05, 0.35), size * rng.uniform(0.02, 0.12))
    polar = float(rng.uniform(0.5, 4.0))
    if kinds & {"polar", "unguided"}:
        wanted = float(rng.uniform(1.0, 3.5)) * width / exposure
        wanted *= 0.45 if "unguided" in kinds else 1.0
        polar = float(np.clip(np.degrees(wanted / SIDEREAL) * 60.0, 3.0, 75.0))
    return {
        "worm_period": period,
        "worm_arcsec": tuple(float(s) for s in sizes),
        "worm_phase": tuple(float(p) for p in rng.uniform(0.0, 2.0 * np.pi, 3)),
        "polar_arcmin": polar,
        "polar_phase": float(rng.choice([-1.0, 1.0]) * rng.uniform(50.0, 90.0)),
    }
