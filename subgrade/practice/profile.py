"""True shape of a rendered star: widths and moments of the noiseless image."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class StarTruth:
    """Shape of the pixel-convolved star image, in px; NaN where it has no meaning.

    ``fwhm`` is the geometric mean of the half-maximum widths along the long and
    short axes; ``xx, yy, xy`` are moments under an adaptive Gaussian weight;
    ``pixels`` is the noise-equivalent area 1 / sum P^2 (King 1983 PASP 95, 163).
    """

    fwhm: float
    fwhm_major: float
    fwhm_minor: float
    xx: float
    yy: float
    xy: float
    eccentricity: float
    angle_deg: float
    pixels: float


def shape_of(xx: float, yy: float, xy: float) -> tuple[float, float]:
    """Eccentricity and angle (deg, in [0, 180)) of an ellipse with these moments."""
    mean, half = (xx + yy) / 2.0, np.hypot((xx - yy) / 2.0, xy)
    ecc = float(np.sqrt(max(0.0, 1.0 - (mean - half) / (mean + half))))
    return ecc, float(np.rad2deg(0.5 * np.arctan2(2 * xy, xx - yy)) % 180.0)


def adaptive_moments(image: np.ndarray, step: float) -> tuple[float, float, float, float, float]:
    """Centroid and second moments under the Gaussian that fits them.

    The weight's moments are iterated until they are twice the weighted ones
    (Bernstein & Jarvis 2002; Hirata & Seljak 2003), so a Gaussian star gives
    its own moments.

    Parameters
    ----------
    image : ndarray, shape (n, n)
        Star without sky, near the middle of the array.
    step : float
        Pixels per element.

    Returns
    -------
    x, y, xx, yy, xy : float
        px and px^2, from the array's element (n // 2, n // 2).
    """
    n = image.shape[0]
    axis = (np.arange(n) - n // 2) * step
    x, y = axis[None, :], axis[:, None]
    # Start at the brightest place: a faint tail must not pull the first weight wide.
    top = np.unravel_index(np.argmax(image), image.shape)
    cx, cy = float(axis[top[1]]), float(axis[top[0]])
    w = np.array([4.0, 4.0, 0.0])
    for _ in range(400):
        det = w[0] * w[1] - w[2] ** 2
        dx, dy = x - cx, y - cy
        rho = (w[1] * dx**2 + w[0] * dy**2 - 2 * w[2] * dx * dy) / det
        weighted = image * np.exp(-0.5 * rho)
        total = weighted.sum()
        mx, my = (weighted * dx).sum() / total, (weighted * dy).sum() / total
        new = np.array(
            [
                2 * (weighted * dx * dx).sum() / total,
                2 * (weighted * dy * dy).sum() / total,
                2 * (weighted * dx * dy).sum() / total,
            ]
        )
        cx, cy = cx + 2 * mx, cy + 2 * my
        change = np.abs(new - w).max() + abs(mx) + abs(my)
        w = new
        if not np.all(np.isfinite(w)) or w[0] * w[1] - w[2] ** 2 <= 0:
            return NAN, NAN, NAN, NAN, NAN
        if change < 1e-9:
            break
    return cx, cy, float(w[0]), float(w[1]), float(w[2])


def _summit(image: np.ndarray, step: float) -> tuple[float, float]:
    """Place of the maximum by parabolas through its neighbours, px from element n // 2."""
    middle = image.shape[0] // 2
    row, column = np.unravel_index(np.argmax(image), image.shape)
    place = []
    for at, low, high in (
        (column, image[row, column - 1], image[row, (column + 1) % image.shape[1]]),
        (row, image[row - 1, column], image[(row + 1) % image.shape[0], column]),
    ):
        bend = low - 2 * image[row, column] + high
        place.append((at - middle + (0.5 * (low - high) / bend if bend < 0 else 0.0)) * step)
    return float(place[0]), float(place[1])


def half_width(radius: np.ndarray, left: np.ndarray, right: np.ndarray, level: float) -> float:
    """Span of a cut between its outermost crossings of ``level``, by linear interpolation."""
    reach = 0.0
    for side in (left, right):
        above = np.flatnonzero(side >= level)
        if len(above) == 0 or above[-1] == len(side) - 1:
            return NAN
        i = above[-1]
        reach += radius[i] + (side[i] - level) / (side[i] - side[i + 1]) * (radius[1] - radius[0])
    return float(reach)


def star_truth(spectrum: np.ndarray, kx: np.ndarray, ky: np.ndarray) -> StarTruth:
    """Measure the star that a full spectrum describes.

    Parameters
    ----------
    spectrum : ndarray of complex, shape (n, n)
        Transfer function, pixel included, at ``ky`` x ``kx`` in `numpy.fft.fftfreq` order.
    kx, ky : ndarray, shape (n,)
        Cycles per px, evenly spaced.
    """
    n = len(kx)
    spacing = float(kx[1] - kx[0])
    step = 1.0 / (n * spacing)
    image = np.fft.fftshift(np.fft.ifft2(spectrum).real)
    _, _, xx, yy, xy = adaptive_moments(image, step)
    # Parseval over the continuous image; equals 1 / sum P^2 when the pixels sample it well.
    pixels = 1.0 / float(np.sum(np.abs(spectrum) ** 2) * spacing**2)
    if not np.isfinite(xx):
        return StarTruth(*(NAN,) * 8, pixels=pixels)
    ecc, angle = shape_of(xx, yy, xy)

    # The spectrum is zero beyond the seeing's cut-off: leave those rows and columns out.
    ix, iy = np.flatnonzero(spectrum.any(axis=0)), np.flatnonzero(spectrum.any(axis=1))
    inner = spectrum[np.ix_(iy, ix)]

    def brightness(px: np.ndarray, py: np.ndarray) -> np.ndarray:
        ex = np.exp((2j * np.pi) * px[:, None] * kx[ix])
        ey = np.exp((2j * np.pi) * py[:, None] * ky[iy])
        return np.sum((ey @ inner) * ex, axis=1).real

    # Cuts run through the brightest place: between two images the centroid lies in a valley.
    cx, cy = _summit(image, step)
    extent = 0.45 / spacing
    radius = np.linspace(0.0, extent, 500)
    t = np.deg2rad(angle)
    cuts = [
        brightness(cx + s * radius * np.cos(a), cy + s * radius * np.sin(a))
        for a in (t, t + np.pi / 2)
        for s in (-1, 1)
    ]
    level = 0.5 * max(float(c.max()) for c in cuts)
    major = half_width(radius, cuts[0], cuts[1], level)
    minor = half_width(radius, cuts[2], cuts[3], level)
    fwhm = float(np.sqrt(major * minor))
    return StarTruth(fwhm, major, minor, xx, yy, xy, ecc, angle, pixels)
