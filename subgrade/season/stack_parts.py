"""Frames of a stack column by column, and stacks of any of them predicted together.

Of many frames the stars are taken as mixtures of a few kinds: a stack's star is a mean of theirs,
and pairs of ten thousand frames would take minutes. Their noise is their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.night.stack_forecast import forecast
from subgrade.season.model import FrameTable, Tie

ALIKE_FROM = 150
"""Frames from which their stars are taken as mixtures."""
STEP = 0.08
"""Distance of the kinds in shape and ln FWHM; stacks then change by under 0.1 % in width and S/N
(tests/test_season_stacks.py)."""
FINER = 2.0
"""... in which ln FWHM counts so many times: a mixture of widths is wider than their mean."""
DRAWN = 0.95
"""Longest shape of a kind, (a² - b²) / (a² + b²) of the axes: a longer one is no ellipse."""


@dataclass(frozen=True, slots=True)
class StackFrames:
    """Kept frames of one field on the reference's scale of light and pixels; arrays of shape (n,).

    Attributes
    ----------
    night, index : ndarray of int
        The night, and the frame in it.
    depth : ndarray
        S/N² of a faint star but for a factor, the best weight.
    light : ndarray
        Counts of a star over those in a clear frame of the reference's series; NaN unknown.
    noise : ndarray
        Of a pixel of the reference, counts.
    fwhm, xx, yy, xy : ndarray
        Width (px of the reference) and moments (px²) as they lie on it; NaN unknown.
    """

    night: np.ndarray
    index: np.ndarray
    depth: np.ndarray
    light: np.ndarray
    noise: np.ndarray
    fwhm: np.ndarray
    xx: np.ndarray
    yy: np.ndarray
    xy: np.ndarray

    def __len__(self) -> int:
        return len(self.night)

    @classmethod
    def of(
        cls,
        tie: Tie,
        table: FrameTable,
        mine: np.ndarray,
        depth: np.ndarray,
        turn_deg: float,
        mirrored: bool,
    ) -> StackFrames:
        """Frames ``mine`` of one series.

        Parameters
        ----------
        tie : Tie
        table : FrameTable
        mine : ndarray of int, shape (n,)
        depth : ndarray, shape (n,)
        turn_deg : float
            Turn onto the reference.
        mirrored : bool
            Whether frames are turned over first.
        """
        width = table.fwhm_px[mine] * tie.scale
        angle = np.radians((-1 if mirrored else 1) * table.angle_deg[mine] + turn_deg)
        # a round star has no angle
        angle = np.where(np.isfinite(angle), angle, 0.0)
        ratio = np.sqrt(np.clip(1 - table.eccentricity[mine] ** 2, 1e-6, None))
        major, minor = ((width / FWHM_PER_SIGMA) ** 2 * r for r in (1 / ratio, ratio))
        c, s = np.cos(angle), np.sin(angle)
        known = ~table.transparency_is_limit[mine]
        return cls(
            night=np.full(len(mine), tie.night),
            index=np.asarray(mine, int),
            depth=depth,
            light=np.where(known, table.transparency[mine], np.nan) * tie.ratio,
            noise=table.noise_adu[mine] / tie.scale,
            fwhm=width,
            xx=major * c**2 + minor * s**2,
            yy=major * s**2 + minor * c**2,
            xy=(major - minor) * s * c,
        )

    @classmethod
    def joined(cls, parts: Sequence[StackFrames]) -> StackFrames:
        """Those of several series behind one another."""
        return cls(
            *(
                np.concatenate(
                    [np.zeros(0, int if f.name in ("night", "index") else float)]
                    + [getattr(part, f.name) for part in parts]
                )
                for f in fields(cls)
            )
        )

    def usable(self) -> StackFrames:
        """Those whose star and starlight are known."""
        numbers = (self.light, self.noise, self.fwhm, self.xx, self.yy, self.xy)
        good = np.isfinite(numbers).all(axis=0) & (self.light > 0) & (self.noise > 0)
        good &= (self.fwhm > 0) & (self.depth > 0)
        return self[good]

    def __getitem__(self, which: np.ndarray) -> StackFrames:
        return StackFrames(*(getattr(self, f.name)[which] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class StackNumbers:
    """A predicted stack: width (px of the reference), eccentricity, S/N of a faint star."""

    fwhm: float
    eccentricity: float
    snr: float


def predicted(
    frames: StackFrames, masks: np.ndarray, weight: np.ndarray, step: float | None = None
) -> list[StackNumbers]:
    """What stacks of some of the frames show.

    Parameters
    ----------
    frames : StackFrames
        All usable.
    masks : ndarray of bool, shape (k, n)
        The frames of each stack.
    weight : ndarray, shape (n,)
        Of flux-scaled frames.
    step : float, optional
        `STEP` for many frames, none for few, where not given.

    Returns
    -------
    list of StackNumbers, length k
    """
    step = (STEP if len(frames) > ALIKE_FROM else 0.0) if step is None else step
    stars, kind, part, who = _kinds(frames, step)
    share = np.array(
        [np.bincount(kind, (weight * mask)[who] * part, minlength=len(stars[0])) for mask in masks]
    )
    unit = np.ones(len(stars[0]))
    seen = forecast(share, unit, unit, *stars[:3], 0.0, stars[3])
    # its S/N is that of equal noise in every kind: what the stack's star is worth, without noise
    sharp = seen.star_snr**2 * (share**2).sum(axis=1)
    noise2 = masks @ (weight * frames.noise / frames.light) ** 2
    return [
        StackNumbers(*map(float, values))
        for values in zip(seen.fwhm_px, seen.eccentricity, np.sqrt(sharp / noise2), strict=True)
    ]


def _kinds(frames: StackFrames, step: float) -> tuple:
    """Stars of a few kinds, as mixtures of which the frames' stars are taken.

    Kinds stand on a grid in shape and ln FWHM, and a frame's star is shared out among the eight
    around it so that its own place is their mean: what a stack loses by it is of second order.

    Returns
    -------
    tuple of ndarray
        Moments xx, yy, xy and width of each kind.
    ndarray of int, ndarray, ndarray of int, shape (m,)
        Kind, share and frame of each part.
    """
    own = [getattr(frames, name) for name in ("xx", "yy", "xy", "fwhm")]
    if not step:
        each = np.arange(len(frames))
        return tuple(own), each, np.ones(len(frames)), each
    size = (frames.xx + frames.yy) / 2
    shape = [(frames.xx - frames.yy) / 2 / size, frames.xy / size, FINER * np.log(frames.fwhm)]
    place = np.array(shape) / step
    low = np.floor(place)
    corners = np.array(list(np.ndindex(2, 2, 2))).T  # shape (3, 8)
    near = np.where(
        corners[:, None, :] == 1, (place - low)[..., None], (1 - place + low)[..., None]
    )
    nodes = (low[..., None] + corners[:, None, :]).reshape(3, -1).astype(np.int64)
    found, kind = np.unique(nodes, axis=1, return_inverse=True)
    e1, e2, ln = found * step
    inside = np.minimum(1.0, DRAWN / np.maximum(np.hypot(e1, e2), 1e-9))
    stars = (1 + e1 * inside, 1 - e1 * inside, e2 * inside, np.exp(ln / FINER))
    return stars, kind.ravel(), near.prod(axis=0).ravel(), np.repeat(np.arange(len(frames)), 8)
