"""The camera's angle to RA and Dec, and what the recorded motion adds to the stars.

An elongation is the complex number q = (xx - yy) + 2i xy.  Rotating the motion by
the camera's angle t multiplies its q by exp(2it), a mirror takes the conjugate,
and what is round (seeing, focus, the guide star's own jitter) drops out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.guiding.model import ExposureGuiding, Prediction
from subgrade.night.model import Night
from subgrade.robust import scatter

NAN = float("nan")
MIN_FRAMES = 6
LARGEST_ANGLE_ERROR_DEG = 15.0
"""Above this the angle counts as unknown: a choice."""
HAND_LEAD, ANGLE_LEAD = 3.0, 4.0
"""Least lead in log-likelihood of one handedness over the other, and of the recorded motion
over no connection at all: a choice."""
MODEL_SHARE = 0.2
"""Weighted moments answer motion by up to this share otherwise than plain variances do."""
RESPONSES = (0.5, 0.65, 0.8, 1.0, 1.2, 1.4)
"""Measured over recorded elongation, as tried."""
UNEXPLAINED = (0.0, 0.3, 0.6, 1.0)
"""Shares of the shapes' usual scatter that may be left unexplained; the likeliest counts."""
UNSEEN_SHARE = 0.15
"""Share of frames that moved in a way the guider does not see (flexure, gusts on the tube)."""


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
    night: Night,
    exposures: Sequence[ExposureGuiding | None],
    calm_arcsec: float = NAN,
    axes: str = "ra_dec",
) -> CameraAngle:
    """Camera angle and handedness, from coordinate solutions or from the night itself.

    Parameters
    ----------
    night : Night
    exposures : sequence of ExposureGuiding or None
        In ``night.frames`` order.
    calm_arcsec : float
        Scatter per axis of the record's quiet stretches; sets how far chance alone makes a
        recorded covariance oval.
    axes : str
        ``xy`` when the record counts along the guide camera's axes: a solution of the
        main camera then shows nothing.
    """
    if axes == "ra_dec":
        solved = angle_from_solutions([frame.facts.sky_axes for frame in night.frames])
        if solved is not None:
            return solved
    return angle_from_elongations(*_elongations(night, exposures, calm_arcsec))


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
    error = MAD_TO_SIGMA * float(np.median(spread)) / len(east) ** 0.5
    hand = int(np.sign(sum(h for _, h in east)))
    return CameraAngle(float(angle % 360.0), error, hand, "wcs", NAN, len(east))


def _elongations(night: Night, exposures, calm: float):
    """Measured and recorded elongation (arcsec^2 where the scale is known), error, group."""
    shape, motion, error, part = [], [], [], []
    noise = calm**2 if np.isfinite(calm) else 0.0
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
            sampled = sampling_error(noise, max(0.5 * (rr + dd) - noise, 0.0), guiding.samples)
            error.append(2.0 * float(np.hypot(known * area, sampled)))
            part.append(compared.group)
    return (
        np.array(shape, complex),
        np.array(motion, complex),
        np.array(error, float),
        np.array(part, int),
    )


def sampling_error(noise: float, motion: float, samples: int) -> float:
    """One sigma of half a covariance's elongation that noise of a variance makes by chance.

    Noise with noise and noise with motion: sqrt(noise (noise + 2 motion) / n).
    """
    return float(np.sqrt(noise * (noise + 2.0 * motion) / samples))


def angle_from_elongations(shape, motion, error, part) -> CameraAngle:
    """Find the turn that carries recorded elongations into measured ones.

    ``shape = k exp(2it) motion + c`` (mirrored: the conjugate of ``motion``) with a constant
    ``c`` for each group (fixed optics).  All turns, both hands and a range of k are
    tried; each frame either follows the model within its error (and `MODEL_SHARE` of the
    motion) or moved unseen, in which case it shows nothing.  The best must beat no
    connection at all, given the same freedom in the scatter.

    Parameters
    ----------
    shape, motion : ndarray of complex, shape (n,)
        (xx - yy) + 2i xy of the stars and of the recorded motion.
    error : ndarray, shape (n,)
        One sigma of each component of ``shape`` about the model for a frame at rest.
    part : ndarray of int, shape (n,)

    Returns
    -------
    CameraAngle
        ``source`` is ``none`` when the night does not show it.
    """
    n = len(shape)
    if n < MIN_FRAMES:
        return CameraAngle(frames=n)
    y, x = _less_usual(shape, part), _less_usual(motion, part)
    usual = scatter(y, 0.0) / 1.1774
    floors = [np.maximum(error, share * usual) for share in UNEXPLAINED]
    wide = max(3.0 * float(np.sqrt(np.mean(np.abs(y) ** 2))), 5.0 * float(floors[-1].max()))
    turn = np.radians(np.arange(0.0, 180.0, 1.0))
    factor = np.exp(2j * turn)[:, None] * np.array(RESPONSES)
    like = np.max(
        [
            [
                _likelihood(y, factor[..., None] * seen, np.hypot(f, MODEL_SHARE * np.abs(x)), wide)
                for seen in (x, np.conj(x))
            ]
            for f in floors
        ],
        axis=0,
    )
    none = max(float(_likelihood(y, np.zeros_like(y), f, wide)) for f in floors)
    best = np.unravel_index(int(np.argmax(like)), like.shape)
    hands = like.max(axis=(1, 2))
    clear = abs(hands[0] - hands[1]) >= HAND_LEAD
    # The two hands may want different turns: both count until one is chosen.
    chance = np.exp(like - like.max())[best[0] if clear else slice(None)]
    chance = chance.reshape(-1, *chance.shape[-2:]).sum(axis=(0, 2))
    middle = np.sum(chance * np.exp(2j * turn)) / chance.sum()
    angle = np.degrees(0.5 * np.angle(middle)) % 180.0
    spread = np.degrees(0.5 * np.sqrt(-2.0 * np.log(np.clip(abs(middle), 1e-9, 1.0))))
    spread = float(np.hypot(spread, 0.3))
    response = RESPONSES[best[2]]
    if like.max() - none < ANGLE_LEAD or spread > LARGEST_ANGLE_ERROR_DEG:
        return CameraAngle(frames=n, response=response)
    hand = (1, -1)[best[0]] if clear else 0
    return CameraAngle(float(angle), spread, hand, "night", response, n)


def _less_usual(values: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Less each group's median, component by component: most frames of a group are calm."""
    out = values.copy()
    for p in np.unique(part):
        mine = values[part == p]
        out[part == p] -= np.median(mine.real) + 1j * np.median(mine.imag)
    return out


def _likelihood(y, model, sigma, wide: float) -> np.ndarray:
    """Log-likelihood of frames that follow the model or moved unseen, summed over the last axis."""
    near = np.exp(-0.5 * np.abs((y - model) / sigma) ** 2) / sigma**2
    far = np.exp(-0.5 * np.abs(y / wide) ** 2) / wide**2
    return np.log((1.0 - UNSEEN_SHARE) * near + UNSEEN_SHARE * far).sum(axis=-1)


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
        None without overlap, angle or scale.  With the handedness unknown the recorded
        RA-Dec covariance is left out and counted as error.  ``predicted`` is the rotated
        covariance, less ``calm_arcsec`` squared on both axes and never below zero;
        ``residual`` is the trace-free part of measured less predicted,
        ((xx - yy)/2, (yy - xx)/2, xy), so that seeing and focus, which are round, do not
        enter; its axis ratio is that of an unexplained motion of variance
        2 hypot((xx - yy)/2, xy) along one line.  ``error`` is one sigma of (xx - yy)/2 and xy.
    """
    out = []
    for frame, guiding in zip(night.frames, exposures, strict=True):
        scale = frame.facts.scale_arcsec
        usable = guiding is not None and guiding.samples >= 5 and scale
        if not usable or not np.isfinite(camera.angle_deg):
            out.append(None)
            continue
        out.append(_prediction(frame.stars, guiding, camera, calm_arcsec, scale))
    return tuple(out)


def _prediction(stars, guiding, camera: CameraAngle, calm: float, scale: float) -> Prediction:
    rr, dd, rd = guiding.moments
    slant = 0.0 if camera.handedness else abs(rd) / scale**2
    if not camera.handedness:
        rd = 0.0
    rotated = rotated_moments((rr, dd, rd), camera.angle_deg, camera.handedness or 1)
    xx, yy, xy = (v / scale**2 for v in rotated)
    noise = (calm if np.isfinite(calm) else 0.0) ** 2 / scale**2
    motion = max(0.5 * (xx + yy) - noise, 0.0)
    sampled = sampling_error(noise, motion, guiding.samples)
    elongation = float(np.hypot(0.5 * (xx - yy), xy))
    turned = 2.0 * np.radians(camera.error_deg if np.isfinite(camera.error_deg) else 0.0)
    shape = stars.moment_error if np.isfinite(stars.moment_error) else 0.0
    error = np.sqrt(
        shape**2
        + slant**2
        + sampled**2
        + (MODEL_SHARE * elongation) ** 2
        + (turned * elongation) ** 2
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
