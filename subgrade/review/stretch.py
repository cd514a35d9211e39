"""From light to grey: one curve for a group, so that its frames compare by eye.

The curve is the inverse hyperbolic sine (Lupton et al. 2004, PASP 116, 133): linear near the sky,
logarithmic for bright light.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

BELOW, ABOVE = 3.0, 400.0
"""Black and white, in the noise of a pixel below and above the sky: a choice."""
SOFTNESS = 0.006
"""Puts the sky at a fifth of white."""
QUALITY = 97
"""Of JPEG: its errors are a tenth of the grain of a stretched sky; a choice."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A curve from ADU to grey.

    Attributes
    ----------
    black, white : float
        ADU shown as black and as white.
    softness : float
        Where the curve bends, as a share of the way from black to white.
    """

    black: float
    white: float
    softness: float

    def __post_init__(self) -> None:
        numbers = (self.black, self.white, self.softness)
        if not all(map(math.isfinite, numbers)):
            raise ValueError("a stretch needs finite numbers")
        if not (self.white - self.black > 1e-9 and 1e-6 <= self.softness <= 1e3):
            raise ValueError("white must lie above black, softness between 0.000001 and 1000")
        if max(map(abs, numbers)) > 1e12:
            raise ValueError("black and white must be ADU")

    def grey(self, values: np.ndarray) -> np.ndarray:
        """ADU as grey of 0 to 255; what is not finite is black."""
        scaled = (values - np.float32(self.black)) * np.float32(
            1.0 / ((self.white - self.black) * self.softness)
        )
        bent = np.arcsinh(scaled, out=scaled)
        bent *= np.float32(255.0 / math.asinh(1.0 / self.softness))
        np.nan_to_num(bent, copy=False, nan=0.0, posinf=255.0, neginf=0.0)
        return np.clip(np.rint(bent, out=bent), 0, 255, out=bent).astype(np.uint8)


def typical_stretch(skies: Sequence[float], noises: Sequence[float]) -> Stretch:
    """The curve of a group from the sky and the noise of its frames, ADU.

    Frames without numbers are left out; without any the whole range of 16 bits is shown.
    """
    sky = np.asarray(skies, float)
    noise = np.asarray(noises, float)
    good = np.isfinite(sky) & np.isfinite(noise) & (noise > 0)
    if not good.any():
        return Stretch(0.0, 65535.0, 0.1)
    middle, spread = float(np.median(sky[good])), float(np.median(noise[good]))
    return Stretch(middle - BELOW * spread, middle + ABOVE * spread, SOFTNESS)


def encoded(grey: np.ndarray) -> bytes:
    """A picture of shape (rows, columns, 1 or 3) as JPEG.

    Of the kinds that browsers show it is the one packed in a millisecond; WebP and PNG take ten
    times as long and more.
    """
    stream = io.BytesIO()
    plain = grey[..., 0] if grey.shape[-1] == 1 else grey
    Image.fromarray(np.ascontiguousarray(plain)).save(
        stream, "JPEG", quality=QUALITY, subsampling=0
    )
    return stream.getvalue()
