"""What the frames themselves show of the guided motion: how oval they are, and where they point.

Both are complex numbers of the image: an elongation q = (xx - yy) + 2i xy, and a place x + i y.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.night.model import Frame, Night

NAN = float("nan")
SHAPE_ERROR_PX2 = 0.05
"""Error of a shape whose own is not known, px^2: a choice."""
PLACE_ERROR_PX = 0.1
"""Error of the place of a registered frame where its scatter is not known, px: a choice."""


@dataclass(frozen=True, slots=True)
class NightSeen:
    """Elongation and pointing of every frame, in `Night.frames` order; NaN unknown.

    Attributes
    ----------
    oval : ndarray of complex, shape (n,)
        Elongation less the group's usual one, arcsec^2 where the scale is known, else px^2.
    oval_error : ndarray, shape (n,)
        One sigma of each component.
    place : ndarray of complex, shape (n,)
        Where the middle of the frame lies on its group's reference frame, arcsec (or px).
    place_error : ndarray, shape (n,)
    part : ndarray of int, shape (n,)
        Group; -1 for none.
    turned : ndarray of bool, shape (n,)
        Whether the mount has been flipped an odd number of times since the group's first frame.
    scaled : ndarray of bool, shape (n,)
        Whether the arcsec per pixel are known.
    """

    oval: np.ndarray
    oval_error: np.ndarray
    place: np.ndarray
    place_error: np.ndarray
    part: np.ndarray
    turned: np.ndarray
    scaled: np.ndarray

    def taken(self, index) -> NightSeen:
        """The frames of an index, in its order."""
        return NightSeen(*(getattr(self, name)[index] for name in self.__slots__))


def night_seen(night: Night) -> NightSeen:
    """Gather what the frames show.

    Parameters
    ----------
    night : Night

    Returns
    -------
    NightSeen
    """
    n = len(night.frames)
    oval, place = np.full(n, NAN, complex), np.full(n, NAN, complex)
    oval_error, place_error = np.full(n, NAN), np.full(n, NAN)
    turned = np.zeros(n, bool)
    part = np.array([c.group for c in night.compared], int).reshape(n)
    for k, (frame, compared) in enumerate(zip(night.frames, night.compared, strict=True)):
        scale = frame.facts.scale_arcsec or 1.0
        oval[k], oval_error[k] = _oval(frame.stars, scale)
        found = compared.registration
        if part[k] < 0 or found is None or not found.ok:
            continue
        place[k] = _middle(found, frame) * scale
        rms = found.rms_px if np.isfinite(found.rms_px) else PLACE_ERROR_PX
        place_error[k] = scale * np.hypot(PLACE_ERROR_PX, rms / max(found.matched, 1) ** 0.5)
        turned[k] = bool(np.cos(np.radians(found.rotation_deg)) < 0)
    for p in np.unique(part[part >= 0]):
        mine = part == p
        known = oval[mine & np.isfinite(oval)]
        if len(known):
            oval[mine] -= np.median(known.real) + 1j * np.median(known.imag)
    scaled = np.array([bool(f.facts.scale_arcsec) for f in night.frames], bool).reshape(n)
    return NightSeen(oval, oval_error, place, place_error, part, turned, scaled)


def _oval(stars, scale: float) -> tuple[complex, float]:
    """Elongation and its error, arcsec^2; of a line or two images that of its length."""
    area = scale**2
    if stars.shape_status in ("trailed", "doubled") and np.isfinite(stars.length_px):
        # A box of length L has the variance L^2 / 12; two images of a distance L have L^2 / 4.
        share = 12.0 if stars.shape_status == "trailed" else 4.0
        angle = np.radians(stars.angle_deg)
        size = stars.length_px**2 / share * area
        if np.isfinite(angle):
            return complex(size * np.exp(2j * angle)), 0.3 * size
    if not np.isfinite(stars.xx):
        return complex(NAN), NAN
    known = stars.moment_error if np.isfinite(stars.moment_error) else SHAPE_ERROR_PX2
    return complex(stars.xx - stars.yy, 2.0 * stars.xy) * area, 2.0 * known * area


def _middle(found, frame: Frame) -> complex:
    """Where the frame's middle lies on the reference, px."""
    width, height = frame.stars.width, frame.stars.height
    return complex(found(complex(0.5 * width, 0.5 * height)))
