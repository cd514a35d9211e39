"""Every accuracy knob of the measuring stage, in one place."""

from __future__ import annotations

from dataclasses import dataclass

MEASURE_VERSION = 16
"""Raised whenever measured numbers change, so that cached measurements are redone."""
PICTURES_VERSION = 3
"""Raised whenever pictures are drawn differently, so that kept ones are drawn anew."""


@dataclass(frozen=True, slots=True)
class MeasureSettings:
    """Knobs of `measure_stars`; the defaults are what the accuracy report states."""

    mesh_px: int = 160
    """Largest side of a background cell; smaller on small frames, larger for large stars."""
    mesh_samples: int = 180
    """Least sky samples taken in one cell (2x2 block means)."""
    sky_samples: int = 300_000
    """Sky samples taken in the whole frame, where the cells would need fewer."""
    detect_sigma: float = 4.5
    """Threshold on block means, in their own noise.  On the blocks chosen for the
    frame's star size a star of S/N 20 peaks at 6 to 10 sigma, and pure noise passes
    3.4e-6 of the time (Gaussian tail)."""
    count_snr: float = 20.0
    """A star is counted when its matched-filter S/N reaches this."""
    list_snr: float = 7.0
    """A star is listed (for matching frames) when its S/N reaches this."""
    shape_snr: float = 40.0
    """Preferred least S/N of a star used for the shape; lowered where stars are few."""
    shape_stars: int = 350
    """Most stars used for the common shape."""
    image_stars: int = 300
    """Most stars stacked in the star image."""
    image_samples: int = 30_000
    """Most pixel samples used for the star image, unless 100 stars need more."""
    max_detections: int = 60_000
    """Detections followed up; beyond it the faintest are dropped."""
