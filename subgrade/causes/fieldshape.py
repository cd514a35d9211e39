"""Shapes that vary over the field: a turning field, and the optics' fixed pattern.

A field that turns by phi about (u0, v0) draws a star at distance r into a tangential
arc of length r * phi, variance (r phi)^2 / 12 [derived]:

    xx += k (v - v0)^2,  yy += k (u - u0)^2,  xy -= k (u - u0)(v - v0),
    k = (half * phi)^2 / 12.

A radial pattern is the same with xx and yy exchanged and xy of the other sign; field
curvature is the equal sum of both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.causes.evidence import Finding, evidence, points_beyond, said
from subgrade.causes.limits import Limits
from subgrade.causes.series import GroupSeries
from subgrade.stars.model import FrameStars, ShapeField

_POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))


@dataclass(frozen=True, slots=True)
class Turning:
    """How well a turn explains the way a frame's shapes vary over its field.

    Attributes
    ----------
    significance : float
        Sigma by which the tangential pattern improves on the radial one alone.
    explained : float
        Share of the variation over the field that it explains, 0 to 1.
    angle_deg : float
        The turn during the exposure; NaN where the pattern does not fix it.
    worst_eccentricity : float
        Largest over the field.
    """

    significance: float
    explained: float
    angle_deg: float
    worst_eccentricity: float


def turning(shape: ShapeField | None) -> Turning | None:
    """Fit the tangential pattern, and its radial rival, to how shapes vary over the field.

    Parameters
    ----------
    shape : ShapeField or None

    Returns
    -------
    Turning or None
        None where shapes were not measured over the field.
    """
    if shape is None or shape.coefficients.shape[1] < 3:
        return None
    terms = shape.coefficients.shape[1]
    # Rows xx, yy, xy; columns u, v and, with stars enough, uu, uv, vv.
    sigma = np.maximum(shape.errors[:, 1:], 1e-6)
    value = (shape.coefficients[:, 1:] / sigma).ravel()
    design = [(m[:, : terms - 1] / sigma).ravel() for m in _patterns()]
    use = [d for d in design if np.any(d)]
    half = len(use) // 2
    tangential, radial = np.column_stack(use[:half]), np.column_stack(use[half:])
    whole = np.column_stack([tangential, radial])
    left = [float(np.sum((value - m @ _solve(m, value)) ** 2)) for m in (radial, tangential, whole)]
    solution = _solve(whole, value)[:half]
    return Turning(
        float(np.sqrt(max(left[0] - left[2], 0.0))),
        1.0 - left[1] / max(float(value @ value), 1e-12),
        _angle(shape, solution, np.linalg.inv(whole.T @ whole)),
        float(np.nanmax(eccentricity_over_field(shape.coefficients))),
    )


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


def _angle(shape: ShapeField, solution: np.ndarray, covariance: np.ndarray) -> float:
    """The turn, deg, from k; without quadratic terms from the frame's common shape.

    Off its centre z0 = u0 + i v0 the turn draws the whole frame by
    (xx - yy) + 2i xy = -k z0^2, so k = -(k z0)^2 over that.
    """
    k = float("nan")
    if len(solution) == 3 and solution[2] > 2 * np.sqrt(covariance[2, 2]):
        k = solution[2]
    else:
        xx, yy, xy = shape.coefficients[:, 0]
        common = complex(xx - yy, 2 * xy)
        if common != 0:
            k = (-(complex(*solution[:2]) ** 2) / common).real
    return float(np.degrees(np.sqrt(12 * k)) / shape.half) if k > 0 else float("nan")


def eccentricity_over_field(coefficients: np.ndarray) -> np.ndarray:
    """Eccentricity the polynomials give on a 5 x 5 grid reaching 0.6 half-diagonals.

    Corners of a square frame lie at u, v = 0.71; the grid stays a little inside,
    where stars hold the polynomials.
    """
    u, v = np.meshgrid(np.linspace(-0.6, 0.6, 5), np.linspace(-0.6, 0.6, 5))
    basis = np.array([u**i * v**j for i, j in _POWERS[: coefficients.shape[1]]])
    xx, yy, xy = np.tensordot(coefficients, basis, axes=1)
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt(np.clip(1 - (mean - half) / (mean + half), 0.0, 1.0))


def judge_turning(
    series: GroupSeries, position: int, stars: FrameStars, limits: Limits
) -> list[Finding]:
    """Whether the field turned during the exposure, enough to spoil its corners."""
    seen = turning(stars.shape_field)
    if seen is None:
        return []
    if seen.significance < limits.field.rotation_sigma or seen.explained < 0.6:
        return []
    from_registration = _turned_between_frames(series, position)
    points = points_beyond(
        seen.worst_eccentricity,
        limits.field.corner_eccentricity,
        0.03,
        limits.roundness.softness,
        limits.verdict.points_cap,
    )
    turn = (
        f"a turn of {said(60 * seen.angle_deg, '′')}" if np.isfinite(seen.angle_deg) else "a turn"
    )
    text = (
        f"elongation runs round a point and grows away from it, as from {turn} "
        f"({said(seen.significance)} sigma); the worst corner's eccentricity is "
        f"{said(seen.worst_eccentricity)} (limit {said(limits.field.corner_eccentricity)})"
    )
    items = [
        evidence(
            "field_rotation",
            "tangential pattern",
            min(5.0, 0.5 * seen.significance),
            text,
            value=seen.significance,
            limit=limits.field.rotation_sigma,
            unit="sigma",
        ),
        evidence(
            "field_rotation",
            "worst corner eccentricity",
            points,
            text,
            value=seen.worst_eccentricity,
            limit=limits.field.corner_eccentricity,
        ),
    ]
    if np.isfinite(from_registration) and np.isfinite(seen.angle_deg):
        turn = f"the field turns {said(60 * from_registration, '′')} an exposure between frames"
        items.append(
            evidence(
                "field_rotation",
                "turn between frames",
                float(
                    np.interp(from_registration / max(seen.angle_deg, 1e-9), [0, 0.5], [-0.5, 2])
                ),
                turn,
                value=from_registration,
                usual=seen.angle_deg,
                unit="°",
            )
        )
        if items[-1].points > 0:
            text += f"; {turn}"
    return [Finding("field_rotation", points, True, text, tuple(items))]


def fixed_pattern_eccentricity(series: GroupSeries, frames) -> float:
    """Worst eccentricity over the field of the pattern that all frames share.

    The frame's common shape is taken out first, so steady trailing does not count.

    Parameters
    ----------
    series : GroupSeries
    frames : sequence of Frame
        The night's frames.

    Returns
    -------
    float
        NaN where fewer than three frames measured it.
    """
    fields = [frames[i].stars.shape_field for i in series.members]
    fields = [f for f in fields if f is not None]
    if not fields:
        return float("nan")
    terms = max(f.coefficients.shape[1] for f in fields)
    stack = np.array([f.coefficients for f in fields if f.coefficients.shape[1] == terms])
    errors = np.array([f.errors for f in fields if f.coefficients.shape[1] == terms])
    if len(stack) < 3 or terms < 3:
        return float("nan")
    common = np.median(stack, axis=0)
    size = (common[0, 0] + common[1, 0]) / 2
    common[:, 0] = size, size, 0.0
    # A pattern must stand out of the scatter between frames to be called fixed.
    scatter = 1.4826 * np.median(np.abs(stack - np.median(stack, axis=0)), axis=0)
    noise = 1.2533 * np.hypot(scatter, np.median(errors, axis=0)) / np.sqrt(len(stack))
    common[:, 1:][np.abs(common[:, 1:]) < 3 * noise[:, 1:]] = 0.0
    return float(np.nanmax(eccentricity_over_field(common)))


def _turned_between_frames(series: GroupSeries, position: int) -> float:
    """Turn of the field over one exposure, deg, from the registration of its neighbours."""
    window = np.sort(np.append(series.near(position, 6), position))
    turn, time = series["rotation_deg"][window], series["time"][window]
    good = np.isfinite(turn)
    if good.sum() < 5 or not series.group.exposure_s:
        return float("nan")
    steps = (np.diff(turn[good]) + 90.0) % 180.0 - 90.0  # a meridian flip is no turn
    rate = float(np.median(steps / np.diff(time[good])))
    return abs(rate) * series.group.exposure_s
