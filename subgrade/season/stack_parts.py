"""Frames of a stack column by column, and stacks of any of them predicted together.

Frames of one night that look alike are taken together: a stack's star is a mean of theirs, and
pairs of ten thousand frames would take minutes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.night.stack_forecast import forecast
from subgrade.season.model import FrameTable, Tie

ALIKE_FROM = 150
"""Frames from which those that look alike are taken together."""
STEP = 0.04
"""Frames are alike where ln FWHM and both parts of their ellipticity agree to this; stacks then
change by under 0.1 % (tests/test_season_stacks.py)."""


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
        # a round star has no angle to speak of
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
    bins = _alike(frames, masks, step)
    count = int(bins.max()) + 1 if len(bins) else 0

    def total(values: np.ndarray) -> np.ndarray:
        return np.bincount(bins, values, minlength=count)

    share = total(weight)
    # of frames averaged with their weights: the noise of the mean, and the mean star
    noise = np.sqrt(total((weight * frames.noise / frames.light) ** 2)) / share
    mean = [total(weight * v) / share for v in (frames.xx, frames.yy, frames.xy, frames.fwhm)]
    first = np.zeros(count, int)
    first[bins[::-1]] = np.arange(len(bins))[::-1]
    rows = masks[:, first] * share
    seen = forecast(rows, np.ones(count), noise, *mean[:3], 0.0, mean[3])
    return [
        StackNumbers(*map(float, values))
        for values in zip(seen.fwhm_px, seen.eccentricity, seen.star_snr, strict=True)
    ]


def _alike(frames: StackFrames, masks: np.ndarray, step: float) -> np.ndarray:
    """Number of the set of like frames that each is in; those of a set share every mask."""
    if not step:
        return np.arange(len(frames))
    size = (frames.xx + frames.yy) / 2
    shape = [(frames.xx - frames.yy) / 2 / size, frames.xy / size, np.log(frames.fwhm)]
    cells = np.floor(np.array(shape) / step).astype(np.int64)
    # which stacks hold a frame, as one number a pattern
    _, pattern = np.unique(masks, axis=1, return_inverse=True)
    _, bins = np.unique(np.vstack([cells, pattern.reshape(1, -1)]), axis=1, return_inverse=True)
    return bins.ravel()
