"""The shapes and the arithmetic of errors shared by the accuracy tests and the wide sweep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.render import USUAL, Frame, Scene, StarShape, template

PROFILES = (
    ("moffat", 2.5),
    ("moffat", 3.0),
    ("moffat", 3.6),
    ("moffat", 4.5),
    ("gaussian", 3.0),
    ("kolmogorov", 3.0),
)
AXIS_RATIOS = (1.0, 0.95, 0.87, 0.75, 0.6)
"""Eccentricity 0, 0.31, 0.49, 0.66, 0.80 before the pixel."""
WIDTHS_PX = (1.66, 2.2, 2.8, 3.5, 4.5, 6.0, 8.0, 12.0)
"""Before the pixel, which widens 1.66 to 1.8."""


@dataclass(frozen=True)
class Errors:
    """Measured against true: relative, except eccentricity and angle (degrees)."""

    fwhm: float
    eccentricity: float
    angle_deg: float
    background: float
    noise: float
    count: float


def axial_difference(measured_deg: float, true_deg: float) -> float:
    """Angle between two axes, in [0, 90]."""
    return abs((measured_deg - true_deg + 90) % 180 - 90)


def errors(frame: Frame, got) -> Errors:
    """Errors of one measurement `got` (a FrameStars) of the rendered `frame`."""
    truth = frame.truth
    true_count = frame.count_above(20.0)
    return Errors(
        fwhm=got.fwhm_px / truth.fwhm_px - 1,
        eccentricity=got.eccentricity - truth.eccentricity,
        angle_deg=axial_difference(got.angle_deg, truth.angle_deg),
        background=got.background_adu / frame.background_adu - 1,
        noise=got.noise_adu / frame.noise_adu - 1,
        count=got.stars / true_count - 1 if true_count else float(got.stars),
    )


def wide_sweep() -> list[tuple[StarShape, Scene]]:
    """Every profile at every width and axis ratio, each at an angle and with stars of its own."""
    cases = []
    for profile, beta in PROFILES:
        for width in WIDTHS_PX:
            for ratio in AXIS_RATIOS:
                number = len(cases)
                angle = 0.0 if ratio == 1.0 else round((number * 137.508) % 180, 1)
                shape = StarShape(profile, width, beta, q=ratio, angle_deg=angle)
                cases.append((shape, Scene(seed=1000 + number)))
    return cases


def small_sweep() -> list[tuple[StarShape, Scene]]:
    """A spread of the wide sweep that a test run can afford: each width, profile and ratio."""
    cases = []
    for i in range(18):
        profile, beta = PROFILES[(i + i // 6) % len(PROFILES)]
        ratio = AXIS_RATIOS[(2 * i + i // 5) % len(AXIS_RATIOS)]
        angle = 0.0 if ratio == 1.0 else round((20 + i * 137.508) % 180, 1)
        shape = StarShape(profile, WIDTHS_PX[i % 8], beta, q=ratio, angle_deg=angle)
        cases.append((shape, Scene(seed=100 + i)))
    return cases


def describe(shape: StarShape, scene: Scene = USUAL) -> str:
    """A short name of a case for tables and test names."""
    name = f"{shape.kind}{f' beta {shape.beta:g}' if shape.kind == 'moffat' else ''}"
    words = [name, f"{template(shape).truth.fwhm_px:.2f} px"]
    if shape.q != 1.0:
        words.append(f"q {shape.q:g} at {shape.angle_deg:g}")
    if shape.motion.kind != "none":
        motion = shape.motion
        words.append(f"{motion.kind} {motion.size_px:g} px at {motion.angle_deg:g}")
    return ", ".join([*words, scene.mosaic] if scene.mosaic else words)


def worst(values) -> float:
    """Largest magnitude; NaN counts as infinitely wrong."""
    values = np.abs(np.asarray(list(values), dtype=float))
    return float(np.where(np.isnan(values), np.inf, values).max())


def median(values) -> float:
    """Median magnitude; NaN counts as infinitely wrong."""
    values = np.abs(np.asarray(list(values), dtype=float))
    return float(np.median(np.where(np.isnan(values), np.inf, values)))
