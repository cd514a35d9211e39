"""What the comparing stage hands on: every frame beside its group."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.lights.model import HeaderFacts
from subgrade.stars.model import FrameStars

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame's identity, header facts and measurement, without pixels.

    ``name`` is the path relative to the common input folder, ``/`` between parts.
    """

    name: str
    path: str
    facts: HeaderFacts
    stars: FrameStars


@dataclass(frozen=True, slots=True)
class Registration:
    """Where a frame's stars lie on the group's reference frame.

    A frame position p maps to ``scale * R(rotation) p + (dx, dy)`` on the reference.
    """

    matched: int
    dx: float = NAN
    dy: float = NAN
    rotation_deg: float = NAN
    scale: float = NAN
    rms_px: float = NAN
    note: str = ""

    @property
    def ok(self) -> bool:
        return bool(np.isfinite(self.dx))


@dataclass(frozen=True, slots=True)
class FrameCompared:
    """What the night says about one frame; NaN where it cannot say."""

    group: int
    """Index into ``Night.groups``; -1 for a stray."""
    stray_note: str = ""
    """Why the frame belongs to no group, with the difference."""
    registration: Registration | None = None
    transparency: float = NAN
    transparency_error: float = NAN
    quarters: tuple[float, float, float, float] = (NAN, NAN, NAN, NAN)
    """Transparency by image quarter: low x low y, high x low y, low x high y, high x high y."""
    matched_stars: int = 0


@dataclass(frozen=True, slots=True)
class Usual:
    """A group's usual value of one quantity: robust centre, spread, and best tenth."""

    centre: float
    spread: float
    best: float
    count: int


@dataclass(frozen=True, slots=True)
class Group:
    """Frames that can be compared with one another.

    ``usual`` maps a quantity (``fwhm_px``, ``eccentricity``, ``background_adu``,
    ``noise_adu``, ``stars``, ``transparency``) to its `Usual`.
    """

    label: str
    target: str | None
    filter: str | None
    exposure_s: float | None
    binning: tuple[int, int]
    shape: tuple[int, int]
    members: tuple[int, ...]
    reference: int
    usual: dict[str, Usual]


@dataclass(frozen=True, slots=True)
class Night:
    """All frames, in the order taken, beside one another."""

    frames: tuple[Frame, ...]
    compared: tuple[FrameCompared, ...]
    groups: tuple[Group, ...]
