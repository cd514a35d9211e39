"""Matched-filter brightness of every star under one star image.

With template P and white noise s the best linear estimate of the amplitude is
sum(P I) / sum(P^2), its error s / sqrt(sum(P^2)), and the signal to noise
sum(P I) / (s sqrt(sum(P^2))), which equals F / (s sqrt(NEA)) with the noise
equivalent area NEA = (sum P)^2 / sum(P^2) (King 1983, PASP 95, 163).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.stars.compiled import kernel
from subgrade.stars.raster import Stamps


@dataclass(frozen=True, slots=True)
class Template:
    """A star image for lookup: peak about 1, frame axes, centred.

    Attributes
    ----------
    image : ndarray of float32, shape (n, n)
    step_px : float
        Element size in pixels.
    radius_px : float
        Pixels farther from the centre are left out.
    """

    image: np.ndarray
    step_px: float
    radius_px: float

    @property
    def volume(self) -> float:
        """Sum over pixels of a star of amplitude 1."""
        return float(np.sum(self.image, dtype=np.float64)) * self.step_px**2


@dataclass(frozen=True, slots=True)
class TemplateFit:
    """Fit of the template to n stars.

    Attributes
    ----------
    amplitude, snr : ndarray
        Amplitude (ADU of the template's peak) and its signal to noise.
    peak : ndarray
        Highest pixel of the stamp's core, ADU above sky.
    misfit : ndarray
        Residual in the core left by the fit beyond noise, as a share of the star; 0 for a star.
    bad_share : ndarray
        Share of the template's pixels without a value.
    sharpness : ndarray
        S/N under the template at half its size over that under the template, less
        what a star gives at this place in the pixel: 0 for a star, scatter 0.6 / (S/N);
        about 0.2 for a line of single pixels, more for a single one.
    """

    amplitude: np.ndarray
    snr: np.ndarray
    peak: np.ndarray
    misfit: np.ndarray
    bad_share: np.ndarray
    sharpness: np.ndarray


@kernel
def _lookup(
    image: np.ndarray,
    inverse_step: float,
    middle: float,
    cx: float,
    dy: float,
    i0: int,
    i1: int,
    out: np.ndarray,
) -> None:
    """The template at columns i0 to i1 of a row, bilinear; its loop runs several at a time."""
    last = image.shape[0] - 1
    v = dy * inverse_step + middle
    j = int(v)
    if v < 0.0 or j >= last:
        for i in range(i0, i1 + 1):
            out[i] = 0.0
        return
    fv = v - j
    upper = image[j]
    lower = image[j + 1]
    end = np.int32(last - 1)
    for i in range(np.uint64(i0), np.uint64(i1 + 1)):
        u = (np.int64(i) - cx) * inverse_step + middle
        whole = np.int32(u)
        n = np.uint32(min(max(whole, np.int32(0)), end))
        right = n + np.uint32(1)
        fu = u - whole
        value = (upper[n] * (1 - fu) + upper[right] * fu) * (1 - fv) + (
            lower[n] * (1 - fu) + lower[right] * fu
        ) * fv
        out[i] = 0.0 if u < 0.0 or whole > end else value


@kernel
def _fit(
    stamps: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    image: np.ndarray,
    step: float,
    radius: float,
    noise: float,
    lattice: float,
    whole: np.ndarray,
    half: np.ndarray,
    out: np.ndarray,
) -> None:
    inverse = 1.0 / step
    middle = 0.5 * (image.shape[0] - 1)
    size = stamps.shape[1]
    r2 = radius * radius
    for k in range(stamps.shape[0]):
        pi = 0.0
        pp = 0.0
        ni = 0.0
        nn = 0.0
        pn = 0.0
        core_vv = 0.0
        core_pv = 0.0
        core_pp = 0.0
        inner = 0
        used = 0
        expected = 0
        odd_used = 0
        odd_expected = 0
        peak = -np.inf
        j0 = max(0, int(np.ceil(cy[k] - radius)))
        j1 = min(size - 1, int(np.floor(cy[k] + radius)))
        for j in range(j0, j1 + 1):
            dy = j - cy[k]
            span = np.sqrt(max(r2 - dy * dy, 0.0))
            i0 = max(0, int(np.ceil(cx[k] - span)))
            i1 = min(size - 1, int(np.floor(cx[k] + span)))
            if i1 < i0:
                continue
            _lookup(image, inverse, middle, cx[k], dy, i0, i1, whole)
            if 4.0 * dy * dy < r2:
                _lookup(image, 2.0 * inverse, middle, cx[k], dy, i0, i1, half)
            row = stamps[k, j]
            for i in range(i0, i1 + 1):
                expected += 1
                odd = (i + j) & 1
                odd_expected += odd
                value = row[i]
                if value != value:
                    continue
                p = whole[i]
                pi += p * value
                pp += p * p
                distance2 = dy * dy + (i - cx[k]) ** 2
                if distance2 < 0.36 * r2:  # wings touch neighbours
                    core_vv += value * value
                    core_pv += p * value
                    core_pp += p * p
                    inner += 1
                if 4.0 * distance2 < r2:
                    # the same image at half its size
                    q = half[i]
                    ni += q * value
                    nn += q * q
                    pn += p * q
                used += 1
                odd_used += odd
                peak = max(peak, value)
        if used == 0 or pp <= 0.0:
            out[k, 0] = np.nan
            out[k, 1] = 0.0
            out[k, 2] = np.nan
            out[k, 3] = np.nan
            out[k, 4] = 1.0
            out[k, 5] = np.nan
            continue
        amplitude = pi / pp
        misfit = core_vv - 2.0 * amplitude * core_pv + amplitude**2 * core_pp
        misfit -= inner * noise * noise
        out[k, 0] = amplitude
        out[k, 1] = pi / (noise * np.sqrt(pp / lattice)) if noise > 0 else np.inf
        out[k, 2] = peak
        if pi > 0.0 and nn > 0.0:
            out[k, 5] = ni / pi * np.sqrt(pp / nn) - pn / np.sqrt(pp * nn)
        else:
            out[k, 5] = 0.0
        out[k, 3] = np.sqrt(max(misfit, 0.0) / pp) / abs(amplitude) if amplitude != 0 else np.inf
        if lattice > 1.0:
            # of a small star's pixels half may be one more than the other half: only those of
            # the colour of the lattice can be missing
            if 2 * odd_used > used:
                used, expected = odd_used, odd_expected
            else:
                used, expected = used - odd_used, expected - odd_expected
        out[k, 4] = 1.0 - used / max(expected, 1)


def template_fit(
    stamps: Stamps,
    x: np.ndarray,
    y: np.ndarray,
    template: Template,
    noise: float,
    lattice: float = 1.0,
) -> TemplateFit:
    """Fit the template's amplitude to every stamp at the given centres.

    Parameters
    ----------
    stamps : Stamps
        n stamps.
    x, y : ndarray, shape (n,)
        Centroids, px on the frame.
    template : Template
    noise : float
        Sky noise of a pixel, ADU.
    lattice : float
        Pixels of the sensor per pixel that holds a value: 2 on the green lattice of
        a mosaic.  The signal to noise stated is that of a star seen by every pixel
        as the green ones see it.

    Returns
    -------
    TemplateFit
    """
    cx = np.asarray(x, np.float64) - stamps.x0
    cy = np.asarray(y, np.float64) - stamps.y0
    out = np.empty((len(stamps), 6))
    image = np.ascontiguousarray(template.image, np.float32)
    size = template.step_px, template.radius_px
    work = np.empty((2, stamps.data.shape[2]))
    _fit(stamps.data, cx, cy, image, *size, noise, lattice, *work, out)
    return TemplateFit(*(out[:, i] for i in range(6)))


def gaussian_template(xx: float, yy: float, xy: float, reach: float = 3.0) -> Template:
    """Elliptical Gaussian of the given moments (px^2) as a template out to ``reach`` sigma."""
    half_sum = 0.5 * (xx + yy)
    major = np.sqrt(half_sum + np.hypot(0.5 * (xx - yy), xy))
    minor = np.sqrt(max(half_sum - np.hypot(0.5 * (xx - yy), xy), 0.05))
    radius = reach * major
    step = max(minor / 5, radius / 200)
    n = int(np.ceil(radius / step)) + 1
    axis = np.arange(-n, n + 1) * step
    dx, dy = np.meshgrid(axis, axis)
    det = xx * yy - xy * xy
    r2 = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det
    return Template(np.exp(-0.5 * r2).astype(np.float32), float(step), float(radius))


def moffat_template(major: float, minor: float, beta: float, theta_deg: float) -> Template:
    """Elliptical Moffat profile (Moffat 1969, A&A 3, 455) out to 2.2 widths.

    Parameters
    ----------
    major, minor : float
        Full widths at half maximum, px.
    beta : float
    theta_deg : float
        Long axis, counter-clockwise from +x.
    """
    radius = 2.2 * major
    step = max(minor / 10, radius / 150)
    n = int(np.ceil(radius / step)) + 1
    axis = np.arange(-n, n + 1) * step
    dx, dy = np.meshgrid(axis, axis)
    c, s = np.cos(np.radians(theta_deg)), np.sin(np.radians(theta_deg))
    r2 = (2 * (dx * c + dy * s) / major) ** 2 + (2 * (dy * c - dx * s) / minor) ** 2
    image = (1 + (2 ** (1 / beta) - 1) * r2) ** -beta
    return Template(image.astype(np.float32), float(step), float(radius))
