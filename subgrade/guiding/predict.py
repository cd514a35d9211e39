"""From arcseconds along RA and Dec to pixels: the camera's angle, and what the motion adds to stars.

An elongation is the complex number q = (xx - yy) + 2i xy.  Rotating the motion by
the camera's angle t multiplies its q by exp(2it), a mirror takes the conjugate,
and what is round (seeing, focus, the guide star's own jitter) drops out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.guiding.model import ExposureGuiding, Prediction
from subgrade.night.model import Night

NAN = float("nan")
MIN_FRAMES = 6
LARGEST_ANGLE_ERROR_DEG = 15.0
"""Above this the night is said not to tell the angle: a choice."""
HAND_LEAD = 6.0
"""Least lead in chi-squared of one handedness over the other: a choice."""
MODEL_SHARE = 0.2
"""Weighted moments answer motion by up to this share otherwise than plain variances do."""
PLAUSIBLE_RESPONSE = (0.25, 3.0)
"""Measured over recorded elongation; outside it the two have nothing to do with one another."""


@dataclass(frozen=True, slots=True)
class CameraAngle:
    """How the main image lies to RA and Dec.

    ``angle_deg`` is the direction of RA (east), counter-clockwise from +x; from the night
    alone it is an axis in [0, 180), since an elongation has no head.  ``handedness`` +1
    when north is 90 degrees counter-clockwise from east, 0 unknown.  ``response`` is
    measured over recorded elongation (1 when the guider sees all).
    """

    angle_deg: float = NAN
    error_deg: float = NAN
    handedness: int = 0
    source: str = "none"
    response: float = NAN
    frames: int = 0


def camera_angle(
    night: Night, exposures: Sequence[ExposureGuiding | None], axes: str = "ra_dec"
) -> CameraAngle:
    """Camera angle and handedness, from coordinate solutions or from the night itself.

    Parameters
    ----------
    night : Night
    exposures : sequence of ExposureGuiding or None
        In ``night.frames`` order.
    axes : str
        ``xy`` when the record counts along the guide camera's axes: a solution of the
        main camera then says nothing.
    """
    if axes == "ra_dec":
        solved = angle_from_solutions([frame.facts.sky_axes for frame in night.frames])
        if solved is not None:
            return solved
    shape, motion, weight, part = _elongations(night, exposures)
    return angle_from_elongations(shape, motion, weight, part)


def angle_from_solutions(axes) -> CameraAngle | None:
    """Median over the frames that carry ``HeaderFacts.sky_axes``; None without any."""
    east = []
    for entry in axes:
        if entry is None:
            continue
        matrix = np.array(entry, float)
        if abs(np.linalg.det(matrix)) > 0:
            inverse = np.linalg.inv(matrix)
            east.append((complex(inverse[0, 0], inverse[1, 0]), np.sign(np.linalg.det(inverse))))
    if not east:
        return None
    # Half turns (a flip of the mount) leave the axis alone: doubled angles.
    doubled = np.array([(d / abs(d)) ** 2 for d, _ in east])
    middle = np.median(doubled.real) + 1j * np.median(doubled.imag)
    axis = 0.5 * float(np.angle(middle))
    head = east[0][0] * np.exp(-1j * axis)
    angle = np.degrees(axis) + (180.0 if head.real < 0 else 0.0)
    spread = 0.5 * np.degrees(np.abs(np.angle(doubled / middle)))
    error = 1.4826 * float(np.median(spread)) / len(east) ** 0.5
    hand = int(np.sign(sum(h for _, h in east)))
    return CameraAngle(float(angle % 360.0), error, hand, "wcs", NAN, len(east))


def _elongations(night: Night, exposures):
    """Measured and recorded elongation (arcsec^2 where the scale is known), error, group."""
    shape, motion, error, part = [], [], [], []
    for frame, compared, guiding in zip(night.frames, night.compared, exposures, strict=True):
        stars = frame.stars
        if guiding is None or guiding.samples < 8 or stars.shape_status not in ("measured", "few"):
            continue
        if guiding.coverage < 0.8 or guiding.lost_s > 0 or compared.group < 0:
            continue
        area = (frame.facts.scale_arcsec or 1.0) ** 2
        rr, dd, rd = guiding.moments
        values = complex(stars.xx - stars.yy, 2 * stars.xy) * area, complex(rr - dd, 2 * rd)
        if np.isfinite(values).all():
            shape.append(values[0])
            motion.append(values[1])
            known = stars.moment_error if np.isfinite(stars.moment_error) else 0.1
            error.append(2.0 * known * area)
            part.append(compared.group)
    return np.array(shape, complex), np.array(motion, complex), np.array(error), np.array(part)


def angle_from_elongations(shape, motion, error, part) -> CameraAngle:
    """Regress measured on recorded elongation over the frames, for both handednesses.

    ``shape = k exp(2it) motion + c`` (or with the conjugate of ``motion``), by least
    squares with Huber weights and a constant ``c`` for each group (fixed optics).

    Parameters
    ----------
    shape, motion : ndarray of complex, shape (n,)
        (xx - yy) + 2i xy of the stars and of the recorded motion.
    error : ndarray, shape (n,)
        One sigma of each component of ``shape``.
    part : ndarray of int, shape (n,)

    Returns
    -------
    CameraAngle
        ``source`` is ``none`` when the night does not tell.
    """
    if len(shape) < MIN_FRAMES:
        return CameraAngle(frames=len(shape))
    fits = {
        hand: _slope(shape, motion if hand > 0 else np.conj(motion), error, part)
        for hand in (1, -1)
    }
    hand = min(fits, key=lambda h: fits[h][2])
    slope, sigma, cost = fits[hand]
    response = abs(slope)
    if not response > 0:
        return CameraAngle(frames=len(shape))
    turn = np.degrees(sigma / response) / 2.0
    if turn > LARGEST_ANGLE_ERROR_DEG or not (
        PLAUSIBLE_RESPONSE[0] < response < PLAUSIBLE_RESPONSE[1]
    ):
        return CameraAngle(frames=len(shape), response=float(response))
    clear = fits[-hand][2] - cost > HAND_LEAD
    angle = np.degrees(np.angle(slope)) / 2.0 % 180.0
    return CameraAngle(
        float(angle), float(turn), hand if clear else 0, "night", float(response), len(shape)
    )


def _slope(shape, motion, error, part):
    """Complex slope, its error per component, and the robust cost (chi-squared units)."""
    weight = np.ones(len(shape))
    for _ in range(8):
        y, x = _centred(shape, weight, part), _centred(motion, weight, part)
        power = float(np.sum(weight * np.abs(x) ** 2))
        if power <= 0:
            return 0j, np.inf, np.inf
        slope = complex(np.sum(weight * np.conj(x) * y) / power)
        left = np.abs(y - slope * x)
        sigma = max(float(np.median(left)) / 1.1774, float(np.median(error)))
        weight = np.minimum(1.0, 2.0 * sigma / np.maximum(left, 1e-12))
    freedom = max(len(shape) - 1 - len(np.unique(part)), 1)
    spread = float(np.sum(weight * left**2)) / (2.0 * freedom)
    u = left / sigma
    cost = float(np.sum(np.where(u < 2.0, u**2, 4.0 * u - 4.0)))
    return slope, float(np.sqrt(spread / power)), cost


def _centred(values, weight, part):
    out = np.array(values)
    for p in np.unique(part):
        mine = part == p
        out[mine] -= np.sum(weight[mine] * values[mine]) / weight[mine].sum()
    return out


def rotated_moments(moments, angle_deg: float, handedness: int) -> tuple[float, float, float]:
    """(xx, yy, xy) in the image of a (ra-ra, dec-dec, ra-dec) covariance; the unit stays."""
    rr, dd, rd = moments
    t = np.radians(angle_deg)
    matrix = np.array([[np.cos(t), -handedness * np.sin(t)], [np.sin(t), handedness * np.cos(t)]])
    image = matrix @ np.array([[rr, rd], [rd, dd]]) @ matrix.T
    return float(image[0, 0]), float(image[1, 1]), float(image[0, 1])


def predict(
    night: Night,
    exposures: Sequence[ExposureGuiding | None],
    camera: CameraAngle,
    calm_arcsec: float,
) -> tuple[Prediction | None, ...]:
    """What the recorded motion adds to every frame's stars, beside what was measured.

    Parameters
    ----------
    night : Night
    exposures : sequence of ExposureGuiding or None
    camera : CameraAngle
    calm_arcsec : float
        Scatter per axis that the guide star shows when the main image is at rest.  The
        calmer axis' quiet RMS is a fair figure: seeing and centroid noise are alike on
        both axes.

    Returns
    -------
    tuple of Prediction or None
        None without overlap, angle, handedness or scale.  ``predicted`` is the rotated
        covariance, less ``calm_arcsec`` squared on both axes and never below zero;
        ``residual`` is the trace-free part of measured less predicted,
        ((xx - yy)/2, (yy - xx)/2, xy), so that seeing and focus, which are round, do not
        enter; its axis ratio is that of an unexplained motion of variance
        2 hypot((xx - yy)/2, xy) along one line.  ``error`` is one sigma of (xx - yy)/2 and xy.
    """
    out = []
    for frame, guiding in zip(night.frames, exposures, strict=True):
        scale = frame.facts.scale_arcsec
        usable = guiding is not None and guiding.samples >= 5 and scale and camera.handedness
        if not usable or not np.isfinite(camera.angle_deg):
            out.append(None)
            continue
        out.append(_prediction(frame.stars, guiding, camera, calm_arcsec, scale))
    return tuple(out)


def _prediction(stars, guiding, camera: CameraAngle, calm: float, scale: float) -> Prediction:
    rotated = rotated_moments(guiding.moments, camera.angle_deg, camera.handedness)
    xx, yy, xy = (v / scale**2 for v in rotated)
    noise = (calm if np.isfinite(calm) else 0.0) ** 2 / scale**2
    motion = max(0.5 * (xx + yy) - noise, 0.0)
    # Sampling error of a covariance from n samples: noise with noise, noise with motion.
    sampled = np.sqrt(noise * (noise + 2.0 * motion) / guiding.samples)
    elongation = float(np.hypot(0.5 * (xx - yy), xy))
    turned = 2.0 * np.radians(camera.error_deg if np.isfinite(camera.error_deg) else 0.0)
    shape = stars.moment_error if np.isfinite(stars.moment_error) else 0.0
    error = np.sqrt(
        shape**2 + sampled**2 + (MODEL_SHARE * elongation) ** 2 + (turned * elongation) ** 2
    )
    half, cross = 0.5 * (stars.xx - stars.yy) - 0.5 * (xx - yy), stars.xy - xy
    return Prediction(
        predicted=_without_noise(xx, yy, xy, noise),
        residual=(float(half), float(-half), float(cross)),
        error=float(error),
    )


def _without_noise(xx, yy, xy, noise) -> tuple[float, float, float]:
    """Covariance less a round noise, no variance left below zero."""
    value, axes = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    clean = (axes * np.maximum(value - noise, 0.0)) @ axes.T
    return float(clean[0, 0]), float(clean[1, 1]), float(clean[0, 1])
