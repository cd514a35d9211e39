"""Compile (or load from the disk cache) every kernel before the first frame."""

from __future__ import annotations

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.areas import area_means
from subgrade.stars.measure import measure_stars


def warm_up() -> None:
    """Measure two small made-up frames, one of words and one of floats.

    The first time on a machine this compiles for some tens of seconds; after
    that it loads the compiled code from disk.
    """
    rng = np.random.default_rng(5)
    image = rng.normal(1000.0, 12.0, (160, 192)).astype(np.float32)
    yy, xx = np.mgrid[0:160, 0:192]
    for x, y in rng.uniform(12, 148, (24, 2)):
        image += 2500.0 * np.exp(-0.5 * ((xx - x) ** 2 + (yy - y) ** 2) / 1.8**2)
    words = np.clip(np.rint(image), 0, 65535).astype(np.uint16)
    for pixels in (Pixels(words), Pixels(image, integer=False)):
        measure_stars(pixels)
        area_means(pixels, 4)
