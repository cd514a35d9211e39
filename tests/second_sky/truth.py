"""What a frame truly is: its noise-free star, what moved it, and whether it is worth stacking.

The limits are those that the project states to its users (docs/limits.md): oval beyond
eccentricity 0.55 to 0.70 by what is usual that night, 1.35 times the usual width, half of the
usual depth.  A truth is *sure* only where the frame stands well off all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import galsim
import numpy as np
from scipy.ndimage import uniform_filter

from .rig import Rig
from .stars import Blur, gather, light_grid

LEADING = 0.2
"""Share of the frame's motion from which a cause is one of its leading ones."""
FINER = 5


@dataclass(frozen=True, slots=True)
class Shape:
    """A noise-free star.

    Attributes
    ----------
    eccentricity : float
        Of its adaptive moments (GalSim's); NaN where they do not settle.
    fwhm_px : float
        Diameter of the circle as large as what is brighter than half the peak.
    off : float
        Share of the exposure that the star stood more than one untrailed FWHM from its place along
        the motion's long axis, less that across it.
    away : float
        The same in any direction.
    """

    eccentricity: float
    fwhm_px: float
    off: float
    away: float = 0.0


@dataclass(slots=True)
class Facts:
    """All of one frame that its verdict rests on.

    Attributes
    ----------
    shape, corner : Shape
        At the frame's centre and its worst corner.
    depth : float
        (starlight / sky noise) squared, any unit.
    patch : float
        Slope of the starlight over the frame.
    motion, width, light : dict of str to float
        Shares of the motion, of the swelling and of the loss of depth by cause word.
    """

    shape: Shape
    corner: Shape
    depth: float
    patch: float
    motion: dict[str, float]
    width: dict[str, float]
    light: dict[str, float]


@dataclass(frozen=True, slots=True)
class Truth:
    """A row of ``truth.csv``."""

    verdict: str
    reasons: tuple[str, ...]
    sure: bool


def star_shape(rig: Rig, blur: Blur, path: np.ndarray) -> Shape:
    """Shape of the star that a path (n, 2; px) leaves on the sensor."""
    still = float(np.hypot(blur.fwhm / rig.scale, 0.8))
    places, shares, _ = gather(path)
    home = _densest(places, shares, 0.5 * still)
    axes = np.linalg.eigh(np.cov(path.T))[1]
    across, along = (float(shares[np.abs((places - home) @ a) > still].sum()) for a in axes.T)
    off, away = along - across, float(shares[np.hypot(*(places - home).T) > still].sum())
    half = int(np.clip(6.0 * still, 16, 60))
    near = (np.abs(places - home) < 0.8 * half).all(axis=1)
    fine = replace(rig, scale=rig.scale / FINER)
    at = (places[near] - home) * FINER + half * FINER
    side = 2 * half * FINER + 1
    light = light_grid(fine, blur, at, shares[near], (side, side), times=1)
    light = uniform_filter(light, FINER, mode="constant")
    found = galsim.hsm.FindAdaptiveMom(
        galsim.Image(light),
        guess_centroid=galsim.PositionD(half * FINER + 1, half * FINER + 1),
        guess_sig=0.5 * still * FINER,
        strict=False,
    )
    fwhm = 2.0 * np.sqrt((light > 0.5 * light.max()).sum() / np.pi) / FINER
    if found.error_message:
        return Shape(np.nan, float(fwhm), off, away)
    e = found.observed_shape.e
    return Shape(float(np.sqrt(2.0 * e / (1.0 + e))), float(fwhm), off, away)


def _densest(places: np.ndarray, shares: np.ndarray, reach: float) -> np.ndarray:
    """Where the star stood longest."""
    some = np.argsort(shares)[-400:]
    apart = np.hypot(*(places[some, None] - places[None]).transpose(2, 0, 1))
    weight = np.exp(-0.5 * (apart / reach) ** 2) * shares
    best = int(np.argmax(weight.sum(axis=1)))
    near = weight[best]
    return (places * near[:, None]).sum(axis=0) / near.sum()


def own_shares(whole: np.ndarray, without: dict[str, np.ndarray]) -> dict[str, float]:
    """Share of a frame's motion that goes when a cause does.

    Parameters
    ----------
    whole : ndarray, shape (n, 2)
        The path in the exposure.
    without : dict of str to ndarray, shape (n, 2)
        The path of the same night without one cause.
    """
    full = whole.var(axis=0).sum()
    return {w: float(1.0 - p.var(axis=0).sum() / max(full, 1e-12)) for w, p in without.items()}


def judge(rig: Rig, facts: list[Facts]) -> list[Truth]:
    """Verdicts of a night; sure only where it does not matter how "usual" is taken."""
    ways = [_judge_with(rig, facts, share) for share in (25.0, 40.0, 50.0)]
    return [
        replace(middle, sure=middle.sure and low.verdict == middle.verdict == high.verdict)
        for low, middle, high in zip(*ways, strict=True)
    ]


def _judge_with(rig: Rig, facts: list[Facts], share: float) -> list[Truth]:
    usual = {
        "oval": np.nanpercentile([f.shape.eccentricity for f in facts], share),
        "best": np.nanpercentile([f.shape.eccentricity for f in facts], 10.0),
        "wide": np.percentile([f.shape.fwhm_px for f in facts], share),
        "deep": np.percentile([f.depth for f in facts], 100.0 - share),
    }
    return [_one(rig, one, usual) for one in facts]


def _one(rig: Rig, one: Facts, usual: dict[str, float]) -> Truth:
    """Each number as a ratio to its limit: below 1 is fine; far from 1 is sure."""
    oval = float(np.clip(min(usual["oval"] + 0.15, usual["best"] + 0.3), 0.55, 0.70))
    floor = min(max(2.0, 2.0 / rig.scale), 1.73 * usual["wide"])
    wide, narrow = (max(k * usual["wide"], floor) for k in (1.35, 1.25))
    shape = one.shape
    ovalness = 1.5 if np.isnan(shape.eccentricity) and shape.away > 0.3 else shape.eccentricity
    corner = one.corner.eccentricity if one.motion.get("field_rotation", 0.0) > LEADING else 0.0
    tests = [  # value, plainly fine below, plainly harmful above, shares
        (ovalness, oval - 0.08, oval + 0.05, one.motion),
        (shape.off, 0.02, 0.20, one.motion),  # thinner light is lost between faint stars' pixels
        (shape.away, 0.12, 0.40, one.motion),  # the core left with (1 - 0.4)^2 of its depth
        (corner, 0.55, 0.73, {"field_rotation": 1.0}),
        (shape.fwhm_px, 0.96 * narrow, 1.08 * wide, one.width),
        (usual["deep"] / one.depth, 1.6, 2.35, one.light),
        (abs(one.patch), 0.15, np.inf, {"cloud": 1.0}),
    ]
    harmful = [t for t in tests if t[0] >= t[2]]
    if harmful:
        return Truth("reject", _leading([t[3] for t in harmful]), True)
    doubtful = [t for t in tests if not t[0] <= t[1]]
    if not doubtful:
        return Truth("keep", (), True)
    past = [t for t in doubtful if t[0] > 0.5 * (t[1] + t[2])]
    return Truth("reject" if past else "keep", _leading([t[3] for t in doubtful]), False)


def _leading(shares: list[dict[str, float]]) -> tuple[str, ...]:
    """Words with at least `LEADING` of something that is wrong, the strongest first."""
    best: dict[str, float] = {}
    for book in shares:
        top = max(book, key=book.get, default="")
        for word, share in book.items():
            if share >= LEADING or word == top:
                best[word] = max(best.get(word, 0.0), share)
    return tuple(sorted(best, key=lambda w: -best[w]))
