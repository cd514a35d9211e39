"""The stars and galaxies of the target field, fixed on the sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .scenario import Scenario

BRIGHTEST = 8.5


@dataclass(frozen=True, slots=True)
class SkyField:
    """Sources brightest first; positions arcsec (east, north) from the field centre.

    ``colours`` has shape (n, 3): relative flux behind red, green and blue filters.
    ``size_arcsec`` is zero for a star, the Gaussian sigma of a galaxy otherwise.
    """

    east: np.ndarray
    north: np.ndarray
    magnitude: np.ndarray
    colours: np.ndarray
    size_arcsec: np.ndarray


def cumulative_counts(magnitude) -> np.ndarray:
    """Stars brighter than a magnitude, relative to those brighter than 18.

    The slope of log N falls from 0.42 to 0.27 per magnitude between 9 and 20, about
    what mid-latitude star counts do (from memory; the shape, not a fit to a survey).
    """
    m = np.asarray(magnitude, float)
    return 10 ** (0.30 * (m - 18.0) - 0.0065 * (m - 18.0) ** 2)


def sky_field(scenario: Scenario, rng: np.random.Generator) -> SkyField:
    """Draw the field, wide enough for dithers, trails, a turn and a followed target."""
    camera, target = scenario.camera, scenario.target
    half = 0.5 * scenario.scale_arcsec * np.hypot(camera.width, camera.height)
    half += target.margin_arcsec
    plan = scenario.plan
    night_h = plan.frames * (plan.exposure_s + plan.gap_s) / 3600.0
    half += 0.5 * abs(plan.follow_arcsec_per_h) * night_h
    area = (2 * half / 60.0) ** 2
    grid = np.linspace(BRIGHTEST, target.faintest, 600)
    counts = cumulative_counts(grid)
    number = rng.poisson(target.stars_per_arcmin2 * area * (counts[-1] - counts[0]))
    magnitude = np.interp(rng.uniform(counts[0], counts[-1], number), counts, grid)
    size = np.zeros(number)
    if target.galaxies:
        magnitude = np.concatenate([magnitude, rng.uniform(15.0, 18.5, target.galaxies)])
        size = np.concatenate([size, rng.uniform(1.5, 5.0, target.galaxies)])
    total = len(magnitude)
    east, north = rng.uniform(-half, half, (2, total))
    # Blue light minus visual, magnitudes: most field stars are yellow to orange.
    index = np.clip(rng.normal(0.75, 0.35, total), -0.2, 1.9) - 0.65
    colours = 10 ** (0.4 * np.column_stack([0.6 * index, np.zeros(total), -index]))
    colours *= np.array([0.75, 1.0, 0.8])
    order = np.argsort(magnitude)
    return SkyField(east[order], north[order], magnitude[order], colours[order], size[order])


def electrons(magnitude, exposure_s: float, zero_point: float, light: float) -> np.ndarray:
    """Electrons of a source in one exposure, all pixels together."""
    return light * exposure_s * 10 ** (-0.4 * (np.asarray(magnitude) - zero_point))
