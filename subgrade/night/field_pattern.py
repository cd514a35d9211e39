"""A frame's shapes over its field in three parts: common, turning about a point, and fixed.

A field that turns by phi about (u0, v0) draws a star at distance r into a tangential arc of
length r * phi, variance (r phi)^2 / 12 [derived]:

    xx += k (v - v0)^2,  yy += k (u - u0)^2,  xy -= k (u - u0)(v - v0),
    k = (half * phi)^2 / 12.

A radial pattern is the same with xx and yy exchanged and xy of the other sign; field
curvature is the equal sum of both.  What optics do is alike in every frame: the median of a
group's fields, their common shape left out.  Astigmatism out of focus runs round the axis
just as a turn does; only the registration of the frames shows whether the field turned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA, MEDIAN_ERROR
from subgrade.stars.model import ShapeField
from subgrade.stars.motion import read_box

POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
READING_ERROR = 0.04
"""Relative error of a turn by what the adaptive weight reads of real stars; no source."""
SURE_SIGMA, SURE_SHARE = 4.0, 0.6
"""Significance and explained share from which a group's pattern is held for a turn."""


@dataclass(frozen=True, slots=True)
class Turning:
    """How well a turn explains the way a frame's shapes vary over its field.

    Attributes
    ----------
    significance : float
        Sigma by which the tangential pattern improves on the radial one alone.
    explained : float
        Share of the variation over the field that it explains, 0 to 1.
    angle_deg, angle_error_deg : float
        The turn during the exposure and one sigma; NaN where the pattern does not fix it.
    x, y, x_error, y_error : float
        Its centre on the frame (it may lie outside) and one sigma, px; NaN where only the
        direction to it is known.
    worst_eccentricity : float
        Largest over the field, what optics do taken out.
    """

    significance: float
    explained: float
    angle_deg: float
    worst_eccentricity: float
    angle_error_deg: float = float("nan")
    x: float = float("nan")
    y: float = float("nan")
    x_error: float = float("nan")
    y_error: float = float("nan")


@dataclass(frozen=True, slots=True)
class FixedPattern:
    """What all frames of a group show alike: tilt, coma, astigmatism, curvature.

    Attributes
    ----------
    coefficients, errors : ndarray, shape (3, k)
        As in `ShapeField`, px^2; the first column is the size of the usual star, round.
        Coefficients within three sigma of nothing are nil.  The errors give how exactly a
        single frame follows the pattern, which focus and seeing change from frame to frame.
    worst_eccentricity : float
        Largest over the field.
    turn_deg : float
        A turn that all frames share and that was left out of the pattern; 0 for none.
    frames : int
        Frames it was taken from.
    """

    coefficients: np.ndarray
    errors: np.ndarray
    worst_eccentricity: float
    turn_deg: float
    frames: int


@dataclass(frozen=True, slots=True)
class FieldSplit:
    """One frame's shapes over its field, split.

    Attributes
    ----------
    common, common_error : tuple of float
        (xx, yy, xy) at the field's centre, px^2: the star and the motion of all alike.
    turning : Turning or None
        None where shapes were not measured over the field.
    fixed : FixedPattern or None
        None where too few frames measured it.
    """

    common: tuple[float, float, float]
    common_error: tuple[float, float, float]
    turning: Turning | None
    fixed: FixedPattern | None


def split_field(shape: ShapeField | None, fixed: FixedPattern | None = None) -> FieldSplit | None:
    """Split one frame's shapes over its field; None where they were not measured."""
    if shape is None:
        return None
    common, error = (tuple(map(float, m[:, 0])) for m in (shape.coefficients, shape.errors))
    return FieldSplit(common, error, turning(shape, fixed), fixed)


def turning(shape: ShapeField | None, fixed: FixedPattern | None = None) -> Turning | None:
    """Fit the tangential pattern, and its radial rival, to how shapes vary over the field.

    Parameters
    ----------
    shape : ShapeField or None
    fixed : FixedPattern, optional
        Taken out first.

    Returns
    -------
    Turning or None
        None where shapes were not measured over the field.
    """
    if shape is None or shape.coefficients.shape[1] < 3:
        return None
    varies, sigma = _without(shape, fixed)
    # Rows xx, yy, xy; columns u, v and, with stars enough, uu, uv, vv.
    terms = varies.shape[1]
    value = (varies / sigma).ravel()
    design = [(m[:, :terms] / sigma).ravel() for m in _patterns()]
    use = [d for d in design if np.any(d)]
    half = len(use) // 2
    tangential, radial = np.column_stack(use[:half]), np.column_stack(use[half:])
    whole = np.column_stack([tangential, radial])
    left = [float(np.sum((value - m @ _solve(m, value)) ** 2)) for m in (radial, tangential, whole)]
    # What neither pattern explains shows how far the errors can be trusted.
    spare = max(len(value) - whole.shape[1], 1)
    trust = max(1.0, left[2] / spare)
    solution = _solve(whole, value)[:half]
    covariance = (trust * np.linalg.inv(whole.T @ whole))[:half, :half]
    coefficients = np.column_stack([shape.coefficients[:, 0], varies])
    angle, angle_error = _angle(shape, coefficients, solution, covariance)
    centre = _centre(shape, solution, covariance)
    return Turning(
        float(np.sqrt(max(left[0] - left[2], 0.0))),
        1.0 - left[1] / max(float(value @ value), 1e-12),
        angle,
        float(np.nanmax(_eccentricity_over_field(coefficients))),
        angle_error,
        *centre,
    )


def _without(shape: ShapeField, fixed: FixedPattern | None) -> tuple[np.ndarray, np.ndarray]:
    """What varies over the field beyond the fixed pattern, and its errors."""
    varies = shape.coefficients[:, 1:].copy()
    sigma = np.maximum(shape.errors[:, 1:], 1e-6)
    if fixed is not None and fixed.coefficients.shape[1] >= shape.coefficients.shape[1]:
        terms = slice(1, shape.coefficients.shape[1])
        varies -= fixed.coefficients[:, terms]
        sigma = np.hypot(sigma, fixed.errors[:, terms])
    return varies, sigma


def _patterns() -> list[np.ndarray]:
    """Change of (xx, yy, xy) with (u, v, uu, uv, vv) for k u0, k v0, k; then the radial rival."""
    a, b, k = (np.zeros((3, 5)) for _ in range(3))
    b[0, 1], b[2, 0] = -2.0, 1.0
    a[1, 0], a[2, 1] = -2.0, 1.0
    k[0, 4], k[1, 2], k[2, 3] = 1.0, 1.0, -1.0
    tangential = [a, b, k]
    # xx and yy exchanged, xy of the other sign.
    return tangential + [m[[1, 0, 2]] * np.array([[1.0], [1.0], [-1.0]]) for m in tangential]


def _solve(design: np.ndarray, value: np.ndarray) -> np.ndarray:
    return np.linalg.lstsq(design, value, rcond=None)[0]


def _centre(
    shape: ShapeField, solution: np.ndarray, covariance: np.ndarray
) -> tuple[float, float, float, float]:
    """Centre of the turn and its errors, px; NaN unless k stands out of its error."""
    if len(solution) < 3 or not solution[2] > 3 * np.sqrt(covariance[2, 2]):
        return (float("nan"),) * 4
    k = solution[2]
    u, v = solution[:2] / k
    errors = []
    for axis, place in ((0, u), (1, v)):
        gradient = np.zeros(3)
        gradient[axis], gradient[2] = 1 / k, -place / k
        errors.append(float(np.sqrt(gradient @ covariance @ gradient)) * shape.half)
    return shape.x0 + shape.half * float(u), shape.y0 + shape.half * float(v), *errors


def _angle(
    shape: ShapeField, coefficients: np.ndarray, solution: np.ndarray, covariance: np.ndarray
) -> tuple[float, float]:
    """The turn and one sigma, deg, from k; without quadratic terms from the common shape."""
    sure = len(solution) == 3 and solution[2] > 2 * np.sqrt(covariance[2, 2])
    if sure:
        k, error = float(solution[2]), float(np.sqrt(covariance[2, 2]))
    else:
        xx, yy, xy = coefficients[:, 0]
        # off its centre z0 the turn draws the whole frame by -k z0^2, so k = -(k z0)^2 over that
        common = complex(xx - yy, 2 * xy)
        if common == 0:
            return float("nan"), float("nan")
        # Any motion of all stars alike is in the common shape too.
        k, error = float((-(complex(*solution[:2]) ** 2) / common).real), float("nan")
    if not k > 0:
        return float("nan"), float("nan")
    relative = error / k
    k = _as_drawn(k, solution[:2] / solution[2] if sure else None, coefficients)
    angle = float(np.degrees(np.sqrt(12 * k)) / shape.half)
    return angle, angle * float(np.hypot(0.5 * relative, READING_ERROR))


def _as_drawn(k: float, centre: np.ndarray | None, coefficients: np.ndarray) -> float:
    """k of the arcs themselves: the adaptive weight reads a long arc as longer still."""
    xx, yy, xy = _over_field(coefficients)
    star = float(np.min((xx + yy) / 2 - np.hypot((xx - yy) / 2, xy)))
    if centre is None or not star > 0:
        return k
    u, v = np.meshgrid(np.linspace(-0.6, 0.6, 5), np.linspace(-0.6, 0.6, 5))
    far2 = (u - centre[0]) ** 2 + (v - centre[1]) ** 2
    drawn = k
    for _ in range(6):
        read = float(np.sum(read_box(drawn * far2, star) * far2) / np.sum(far2**2))
        drawn *= k / read
    return float(drawn)


def _over_field(coefficients: np.ndarray) -> np.ndarray:
    """(xx, yy, xy) on a 5 x 5 grid to 0.6 half-diagonals: corners at 0.71 hold no stars beyond."""
    u, v = np.meshgrid(np.linspace(-0.6, 0.6, 5), np.linspace(-0.6, 0.6, 5))
    basis = np.array([u**i * v**j for i, j in POWERS[: coefficients.shape[1]]])
    return np.tensordot(coefficients, basis, axes=1)


def _eccentricity_over_field(coefficients: np.ndarray) -> np.ndarray:
    """Eccentricity on a 5 x 5 grid reaching 0.6 half-diagonals, for ``ShapeField.coefficients``."""
    xx, yy, xy = _over_field(coefficients)
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt(np.clip(1 - (mean - half) / (mean + half), 0.0, 1.0))


def usual_corner(fields: Sequence[ShapeField | None], fixed: FixedPattern | None) -> float:
    """Usual eccentricity of the worst corner without the fixed pattern; NaN unknown."""
    seen = [turning(f, fixed) for f in fields]
    worst = [t.worst_eccentricity for t in seen if t is not None]
    return float(np.median(worst)) if len(worst) >= 3 else float("nan")


def fixed_pattern(
    fields: Sequence[ShapeField | None], turned_deg: float = float("nan")
) -> FixedPattern | None:
    """The pattern that a group's frames share.

    Parameters
    ----------
    fields : sequence of ShapeField or None
        One a frame.
    turned_deg : float
        Turn of the field in one exposure by the registration of the frames; NaN unknown.

    Returns
    -------
    FixedPattern or None
        None where fewer than three frames measured it.
    """
    known = [f for f in fields if f is not None and f.coefficients.shape[1] >= 3]
    if not known:
        return None
    terms = max(f.coefficients.shape[1] for f in known)
    known = [f for f in known if f.coefficients.shape[1] == terms]
    if len(known) < 3:
        return None
    stack = np.array([f.coefficients for f in known])
    errors = np.median([f.errors for f in known], axis=0)
    common = np.median(stack, axis=0)
    # A pattern must stand out of the scatter between frames to be called fixed.
    scatter = MAD_TO_SIGMA * np.median(np.abs(stack - common), axis=0)
    noise = MEDIAN_ERROR * np.hypot(scatter, errors) / np.sqrt(len(stack))
    turn, common = _less_turn(known[0], common, noise, turned_deg)
    size = (common[0, 0] + common[1, 0]) / 2
    common[:, 0] = size, size, 0.0
    common[:, 1:][np.abs(common[:, 1:]) < 3 * noise[:, 1:]] = 0.0
    worst = float(np.nanmax(_eccentricity_over_field(common)))
    # Where all frames turn, it is the turn that differs from frame to frame.
    own = 0.0 if turn else np.sqrt(np.maximum(scatter**2 - errors**2, 0.0))
    return FixedPattern(common, np.hypot(own, noise), worst, turn, len(known))


def _less_turn(
    like: ShapeField, common: np.ndarray, noise: np.ndarray, turned_deg: float
) -> tuple[float, np.ndarray]:
    """The turn that all frames share, if the registration shows one, and the rest."""
    shape = ShapeField(common, noise, like.x0, like.y0, like.half, like.stars_used)
    seen = turning(shape)
    if seen is None or not turned_deg > 0.4 * seen.angle_deg:
        return 0.0, common
    if seen.significance < SURE_SIGMA or seen.explained < SURE_SHARE:
        return 0.0, common
    sigma = np.maximum(noise[:, 1:], 1e-6)
    design = [(m[:, : sigma.shape[1]] / sigma).ravel() for m in _patterns()]
    use = np.column_stack([d for d in design if np.any(d)])
    solution = _solve(use, (common[:, 1:] / sigma).ravel())
    half = use.shape[1] // 2
    drawn = (use[:, :half] @ solution[:half]).reshape(sigma.shape) * sigma
    rest = common.copy()
    rest[:, 1:] -= drawn
    return seen.angle_deg, rest
