"""Put stars on a picture at sub-pixel positions, from the spectrum of one star."""

from __future__ import annotations

import numpy as np

from .optics import frequencies

BATCH = 64
"""Stars made at once; bounds memory (64 stamps of 96 px take 5 MB)."""


def sampled_stars(spectrum: np.ndarray, dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
    """Pixel values of one star of flux 1 at several sub-pixel positions.

    Sampling by pixels folds the spectrum: the replicas at whole cycles per
    pixel are shifted in phase and added, which is exact where an interpolation
    of a pixel grid is not.

    Parameters
    ----------
    spectrum : ndarray of complex, shape (3, n, 3, n // 2 + 1)
        Replica order and frequency in y, then in x, as `frequencies` lays them out.
    dx, dy : ndarray, shape (stars,)
        Position from the centre of pixel (n // 2, n // 2), px.

    Returns
    -------
    ndarray of float, shape (stars, n, n)
    """
    _, n, _, half = spectrum.shape
    kx, ky = frequencies(n)
    orders = kx[:, 0]
    turn_y = np.exp((-2j * np.pi) * dy[:, None] * orders)
    turn_x = np.exp((-2j * np.pi) * dx[:, None] * orders)
    mix = (turn_y[:, :, None] * turn_x[:, None, :]).reshape(len(dx), 9)
    blocks = spectrum.transpose(0, 2, 1, 3).reshape(9, n * half)
    folded = (mix @ blocks).reshape(len(dx), n, half)
    centre = n // 2
    folded *= np.exp((-2j * np.pi) * (dy + centre)[:, None] * ky[1])[:, :, None]
    folded *= np.exp((-2j * np.pi) * (dx + centre)[:, None] * kx[1])[:, None, :]
    return np.fft.irfft2(folded, s=(n, n))


def colour_factors(mosaic: str, colours: np.ndarray) -> np.ndarray:
    """Share of a star's light that each pixel of a mosaic cell passes.

    Parameters
    ----------
    mosaic : str
        Four letters of R, G, B by row, or empty for a mono sensor.
    colours : ndarray, shape (stars, 3)
        Relative flux behind the red, green and blue filters.

    Returns
    -------
    ndarray, shape (stars, 2, 2)
        Indexed by row parity and column parity.
    """
    if not mosaic:
        return np.ones((len(colours), 2, 2))
    return colours[:, ["RGB".index(c) for c in mosaic]].reshape(-1, 2, 2)


def add_stars(
    picture: np.ndarray,
    spectrum: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    flux: np.ndarray,
    factors: np.ndarray | None = None,
) -> None:
    """Add stars to ``picture`` in place; parts beyond its edges are lost.

    Parameters
    ----------
    picture : ndarray, shape (height, width)
    spectrum : ndarray, shape (3, n, 3, n // 2 + 1)
    x, y : ndarray, shape (stars,)
        Positions, px, 0-based at pixel centres.
    flux : ndarray, shape (stars,)
    factors : ndarray, shape (stars, 2, 2), optional
        Mosaic factors of `colour_factors`.
    """
    height, width = picture.shape
    n = spectrum.shape[1]
    ix, iy = np.rint(x).astype(int), np.rint(y).astype(int)
    near = (ix > -n // 2) & (ix < width + n // 2) & (iy > -n // 2) & (iy < height + n // 2)
    chosen = np.flatnonzero(near)
    for begin in range(0, len(chosen), BATCH):
        part = chosen[begin : begin + BATCH]
        stamps = sampled_stars(spectrum, x[part] - ix[part], y[part] - iy[part])
        stamps *= flux[part][:, None, None]
        for stamp, i in zip(stamps, part, strict=True):
            x0, y0 = ix[i] - n // 2, iy[i] - n // 2
            if factors is not None:
                for row in (0, 1):
                    for column in (0, 1):
                        passed = factors[i, (y0 + row) % 2, (x0 + column) % 2]
                        stamp[row::2, column::2] *= passed
            xa, xb = max(x0, 0), min(x0 + n, width)
            ya, yb = max(y0, 0), min(y0 + n, height)
            if xa < xb and ya < yb:
                picture[ya:yb, xa:xb] += stamp[ya - y0 : yb - y0, xa - x0 : xb - x0]
