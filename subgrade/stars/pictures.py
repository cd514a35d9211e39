"""Small pictures of one frame for a person's eye, drawn while its pixels are in memory.

All are shown with +y up: the first row stored is at the bottom.  The stretch is the
inverse hyperbolic sine (Lupton et al. 2004, PASP 116, 133): linear near the sky,
logarithmic for bright light.

Which stars of a frame are shown enlarged: five along one diagonal, from corner to corner.

Of the two diagonals the one along which the stars' shape varies more, so that tilt, coma and
field rotation show in one row.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from PIL import Image

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.robust import scatter
from subgrade.stars.common_shape import field_terms
from subgrade.stars.ellipse import distortion, eccentricity_error, eccentricity_of
from subgrade.stars.model import (
    CutOut,
    FramePictures,
    FrameStars,
    Picture,
    ShapeField,
    StarFlag,
    StarImage,
    StarList,
)

THUMBNAIL_PX = 256
"""About the longer side of a thumbnail; the factor to the frame is a whole number."""
THUMBNAIL_BYTES = 6000
CUTOUT_PX = 96
CUTOUT_BYTES = 1200
"""Of one of five."""
CUTOUT_FWHM = 8.0
LEAST_SIDE_PX, LARGEST_SIDE_PX = 24, 64
LONGEST_SIDE_PX = 192
"""Side of a cut-out that must hold a long trail or two images apart."""
STAR_FWHM = 6.0
"""Width of a star image's picture in its own FWHM, so that shapes compare at one size."""
SKY_GREY = 0.16
"""Sky on a scale from black to white: dark, with room below for shadows."""


def frame_pictures(
    pixels: Pixels, facts: HeaderFacts | None, stars: FrameStars | None
) -> FramePictures:
    """Thumbnail and star cut-outs of one frame.

    Parameters
    ----------
    pixels : Pixels
        As measured; a colour mosaic as stored, drawn grey from whole 2x2 cells.
    facts : HeaderFacts or None
        Only the mosaic pattern is used.
    stars : FrameStars or None
        The frame's measurement; without stars there are no cut-outs.

    Returns
    -------
    FramePictures
        The same bytes for the same input.
    """
    cell = 2 if facts is not None and facts.mosaic else 1
    thumbnail, scale = _thumbnail(pixels, cell)
    return FramePictures(thumbnail, scale, _cutouts(pixels, cell, stars))


def star_image_picture(
    image: StarImage, width: int = CUTOUT_PX, field_px: float | None = None
) -> Picture:
    """The stacked star image, square, its peak white.

    Parameters
    ----------
    image : StarImage
    width : int
        Picture pixels along a side.
    field_px : float, optional
        Sensor pixels along a side; without it `STAR_FWHM` widths of the star.  Give one
        value for all frames of a night to compare their sizes.
    """
    data = np.nan_to_num(np.asarray(image.image, np.float32), nan=0.0, posinf=0.0, neginf=0.0)
    peak = data.max(initial=0.0)
    values = data / peak if peak > 0 else np.zeros_like(data)
    side = field_px / image.step_px if field_px else _star_side(values)
    side = min(max(side, 3.0), 4.0 * len(data))
    # a margin of sky all round, then a square of any size about the middle
    margin = int(np.ceil(max(0.0, side - len(data)) / 2)) + 1
    shown = Image.fromarray(_stretched(np.pad(values, margin), 0.05))
    edge = len(data) / 2 + margin - side / 2
    box = (edge, edge, edge + side, edge + side)
    grey = np.asarray(shown.resize((width, width), Image.Resampling.BICUBIC, box))
    return _encoded(_bytes(np.clip(grey, 0.0, 1.0)), "WEBP", CUTOUT_BYTES)


def _star_side(values: np.ndarray) -> float:
    """Elements along a side that show a star of peak 1 whole, a double one too."""
    size = 4 * len(values)
    fine = np.asarray(Image.fromarray(values).resize((size, size), Image.Resampling.BICUBIC))
    # the width of a circle as large as the area above half the peak
    fwhm = 2.0 * np.sqrt(np.count_nonzero(fine >= 0.5) / np.pi) / 4
    rows, columns = np.nonzero(values >= 0.3)
    middle = (len(values) - 1) / 2
    reach = np.maximum(np.abs(rows - middle), np.abs(columns - middle)).max(initial=0.0)
    return max(STAR_FWHM * fwhm, 3.0 * reach)


def _thumbnail(pixels: Pixels, cell: int) -> tuple[Picture, float]:
    """The whole frame, and its pixels per sensor pixel."""
    from subgrade.stars.block_means import area_means  # the only part that needs compiled code

    block = cell * max(1, round(max(pixels.shape) / (cell * THUMBNAIL_PX)))
    means = area_means(pixels, block)
    finite = means[np.isfinite(means)]
    grey = np.zeros(means.shape)
    if len(finite):
        sky = np.median(finite)
        spread = scatter(finite, sky)
        # a few stars are white, but never the noise of an empty frame
        white = max(np.quantile(finite, 0.998) - sky, 25.0 * spread)
        if white > 0:
            grey = _stretched((means - sky) / white, max(2.0 * spread / white, 0.02))
        else:
            grey = np.full(means.shape, SKY_GREY)
        grey = np.where(np.isfinite(means), grey, 0.0)
    return _encoded(_bytes(grey), "JPEG", THUMBNAIL_BYTES), 1.0 / block


@dataclass(frozen=True, slots=True)
class _Cut:
    """A star's window, sky removed, in parts of its peak; NaN where there is no pixel."""

    place: str
    star: int
    values: np.ndarray
    noise: float


def _cutouts(pixels: Pixels, cell: int, stars: FrameStars | None) -> tuple[CutOut, ...]:
    """Up to five stars along a diagonal, each in parts of its own peak, under one curve for all."""
    if stars is None or stars.catalogue is None or not len(stars.catalogue):
        return ()
    side = _side(stars, cell)
    cuts = [
        cut
        for place, k in stars_along(stars, side)
        if (cut := _cut(pixels, cell, stars, place, k, side)) is not None
    ]
    if not cuts:
        return ()
    # soft enough for the noise of the faintest, or it would look worse than it is
    soft = min(max(0.04, *(2.0 * cut.noise for cut in cuts)), 0.5)
    listed, typical = stars.catalogue, _typical_area(stars)
    return tuple(
        CutOut(
            cut.place,
            float(listed.x[cut.star]),
            float(listed.y[cut.star]),
            side,
            _square(_stretched(np.nan_to_num(cut.values), soft), CUTOUT_PX),
            *_own_shape(stars, cut.star, typical),
        )
        for cut in cuts
    )


def _area(listed: StarList) -> np.ndarray:
    """Product of the stars' half axes from their moments, px^2; NaN where there are none."""
    with np.errstate(invalid="ignore"):
        square = listed.xx.astype(float) * listed.yy - listed.xy.astype(float) ** 2
        return np.sqrt(np.where(square > 0, square, np.nan))


def _typical_area(stars: FrameStars) -> float:
    area = _area(stars.catalogue)
    area = area[(stars.catalogue.flags == 0) & np.isfinite(area)]
    return float(np.median(area)) if len(area) else float("nan")


def _own_shape(
    stars: FrameStars, k: int, typical: float
) -> tuple[float | None, float | None, float | None]:
    """FWHM, eccentricity and its error of one star; None where its shape is not known."""
    listed = stars.catalogue
    area, snr = float(_area(listed)[k]), float(listed.snr[k])
    if not (np.isfinite(area) and snr > 0):
        return None, None, None
    # of a Gaussian in sky noise (Bernstein & Jarvis 2002, AJ 123, 583; the factor from memory)
    chi_error = 2.0 / snr
    xx, yy, xy = (float(v[k]) for v in (listed.xx, listed.yy, listed.xy))
    chi = float(distortion(xx, yy, xy, chi_error * 0.5 * (xx + yy)))
    width = stars.fwhm_px * np.sqrt(area / typical)
    oval, error = float(eccentricity_of(chi)), float(eccentricity_error(chi, chi_error))
    return float(width) if np.isfinite(width) else None, oval, error


def _side(stars: FrameStars, cell: int) -> int:
    """Sensor pixels along a cut-out, whole cells of a mosaic."""
    width = CUTOUT_FWHM * stars.fwhm_px if np.isfinite(stars.fwhm_px) else LEAST_SIDE_PX
    side = min(max(width, LEAST_SIDE_PX), LARGEST_SIDE_PX)
    if np.isfinite(stars.length_px):
        side = max(side, min(1.6 * stars.length_px + LEAST_SIDE_PX / 2, LONGEST_SIDE_PX))
    return cell * int(np.ceil(side / cell))


def _cut(
    pixels: Pixels, cell: int, stars: FrameStars, place: str, k: int, side: int
) -> _Cut | None:
    """One star's window; None where it holds no light."""
    x, y = float(stars.catalogue.x[k]), float(stars.catalogue.y[k])
    # a mosaic is drawn in cells, whose centres lie half a pixel on
    reach = side + 2 * cell
    x0 = max(0, int(x - reach / 2) // cell * cell)
    y0 = max(0, int(y - reach / 2) // cell * cell)
    far = reach + 2 * cell
    part = _physical(pixels, slice(y0, y0 + far), slice(x0, x0 + far))
    if cell == 2:
        h, w = part.shape[0] // 2, part.shape[1] // 2
        part = part[: 2 * h, : 2 * w].reshape(h, 2, w, 2).mean(axis=(1, 3))
    window = _window(
        part, (x - x0 + 0.5) / cell - 0.5, (y - y0 + 0.5) / cell - 0.5, max(1, side // cell)
    )
    border = np.concatenate([window[0], window[-1], window[:, 0], window[:, -1]])
    border = border[np.isfinite(border)]
    if not len(border):
        return None
    window = window - np.median(border)
    third = len(window) // 3
    peak = np.nan_to_num(window[third : len(window) - third, third : len(window) - third]).max()
    if not peak > 0:
        return None
    noise = stars.noise_adu / cell / peak
    return _Cut(place, k, window / peak, float(noise) if np.isfinite(noise) else 0.0)


def _physical(pixels: Pixels, rows: slice, columns: slice) -> np.ndarray:
    """A part of the frame, ADU, NaN where a pixel is not finite."""
    words = np.ascontiguousarray(pixels.data[rows, columns])
    form = pixels.swapped, pixels.sign_flip, pixels.zero, pixels.scale
    part = Pixels(words, *form).physical()
    return np.where(np.isfinite(part), part, np.float32(np.nan)).astype(np.float64)


def _window(image: np.ndarray, x: float, y: float, side: int) -> np.ndarray:
    """Square of an image around a place, to the nearest pixel; NaN off the image."""
    out = np.full((side, side), np.nan)
    left = round(x - (side - 1) / 2)
    low = round(y - (side - 1) / 2)
    rows = slice(max(low, 0), max(min(low + side, image.shape[0]), 0))
    columns = slice(max(left, 0), max(min(left + side, image.shape[1]), 0))
    part = image[rows, columns]
    j, i = rows.start - low, columns.start - left
    out[j : j + part.shape[0], i : i + part.shape[1]] = part
    return out


def _stretched(values: np.ndarray, soft: float) -> np.ndarray:
    """Light above the sky to grey, 0 to 1: none at `SKY_GREY`, 1 at white."""
    bent = np.arcsinh(values / soft) / np.arcsinh(1.0 / soft)
    return np.clip(SKY_GREY + (1.0 - SKY_GREY) * bent, 0.0, 1.0)


def _bytes(grey: np.ndarray) -> np.ndarray:
    """Grey of 0 to 1 as 8 bits, turned so that +y is up."""
    return np.ascontiguousarray(np.rint(255.0 * grey[::-1]).astype(np.uint8))


def _square(grey: np.ndarray, width: int) -> Picture:
    """A small square enlarged smoothly."""
    image = Image.fromarray(_bytes(grey)).resize((width, width), Image.Resampling.BICUBIC)
    return _encoded(np.asarray(image), "WEBP", CUTOUT_BYTES)


def _encoded(grey: np.ndarray, kind: str, limit: int) -> Picture:
    """Packed as finely as the limit of bytes allows."""
    image = Image.fromarray(grey)
    extra = {"method": 1} if kind == "WEBP" else {"optimize": True}
    data = b""
    for quality in (75, 60, 45, 30, 15):
        stream = io.BytesIO()
        image.save(stream, kind, quality=quality, **extra)
        data = stream.getvalue()
        if len(data) <= limit:
            break
    return Picture(data, image.width, image.height, f"image/{kind.lower()}")


STEPS = np.linspace(0.0, 1.0, 5)
"""Where along the diagonal a star is wanted, from its left end to its right end."""
PLACES = {
    False: ("bottom left", "lower left", "centre", "upper right", "top right"),
    True: ("top left", "upper left", "centre", "lower right", "bottom right"),
}
"""Names of the five places, by whether the diagonal falls to the right."""
NARROW, WHOLE = 0.3, 1.0
"""How far off the diagonal a star may lie, as a share of the frame; far where none is near."""
BRIGHT = 0.5
"""S/N of a star shown, at least, as a share of the third brightest's at its place."""
LEAST_TO_COMPARE, ODD = 5, 0.1
"""From so many stars on, one is passed over that differs so much from the others, beside its
noise, in distortion or the logarithm of its width: a choice."""
SIGMAS = 3.0
"""By how many standard errors one diagonal must vary more than the other: a choice."""


def stars_along(stars: FrameStars, side: int) -> list[tuple[str, int]]:
    """The stars to show, from the diagonal's left end to its right end.

    Parameters
    ----------
    stars : FrameStars
        With a list of stars.
    side : int
        Sensor pixels along a crop; stars whose crop lies inside the frame go first.

    Returns
    -------
    list of (str, int)
        Place and index in the list; a slice of the frame without a usable star is left out.
    """
    rising, falling = (_along(stars, falls, side) for falls in (False, True))
    lead = _lead(stars) or len(falling) - len(rising)
    return falling if lead > 0 else rising


def _along(stars: FrameStars, falls: bool, side: int) -> list[tuple[str, int]]:
    u = stars.catalogue.x / max(stars.width - 1, 1)
    v = stars.catalogue.y / max(stars.height - 1, 1)
    if falls:
        v = 1.0 - v
    along, off = (u + v) / 2, np.abs(u - v)
    inside = (along >= 0) & (along <= 1)  # a damaged list may place stars off the frame
    slices = np.where(inside, np.minimum(5.0 * np.where(inside, along, 0.0), 4.0).astype(int), -1)
    found = []
    for k, place in enumerate(PLACES[falls]):
        away = np.hypot(u - STEPS[k], v - STEPS[k])
        index = _chosen(stars, slices == k, off, away, side)
        if index is not None:
            found.append((place, index))
    return found


def _chosen(
    stars: FrameStars, here: np.ndarray, off: np.ndarray, away: np.ndarray, side: int
) -> int | None:
    """The nearest bright star: a clean one on the diagonal, else the best there is."""
    listed = stars.catalogue
    margin = np.minimum(
        np.minimum(listed.x, stars.width - 1 - listed.x),
        np.minimum(listed.y, stars.height - 1 - listed.y),
    )
    unfit = StarFlag.SATURATED | StarFlag.EDGE | StarFlag.BAD_PIXEL
    clean = listed.flags == 0
    whole = listed.is_star & ((listed.flags & int(unfit)) == 0)
    here = here & np.isfinite(listed.snr)
    for reach in (NARROW, WHOLE):
        for usable in (clean & (margin >= side / 2), clean, whole):
            some = np.flatnonzero(here & usable & (off <= reach))
            if len(some):
                some = _alike(listed, some)
                least = BRIGHT * np.sort(listed.snr[some])[::-1][:3][-1]
                bright = some[listed.snr[some] >= least]
                return int(bright[np.argmin(away[bright])])
    return None


def _alike(listed: StarList, some: np.ndarray) -> np.ndarray:
    """Of the stars of one place those shaped like most there; hot pixels and pairs are not."""
    xx, yy, xy = (v[some].astype(float) for v in (listed.xx, listed.yy, listed.xy))
    size = xx + yy
    with np.errstate(invalid="ignore", divide="ignore"):
        shapes = np.array([(xx - yy) / size, 2.0 * xy / size, 0.5 * np.log(size)])
    measured = np.isfinite(shapes).all(axis=0)
    if np.count_nonzero(measured) < LEAST_TO_COMPARE:
        return some
    off = np.linalg.norm(shapes - np.median(shapes[:, measured], axis=1)[:, None], axis=0)
    allowed = ODD + SIGMAS * 2.0 / listed.snr[some]
    return some[measured & (off <= allowed)] if (measured & (off <= allowed)).any() else some


def _lead(stars: FrameStars) -> float:
    """By how much the falling diagonal varies more; 0 where that is within the errors."""
    field = stars.shape_field
    if field is None or not np.isfinite(field.coefficients).all():
        return 0.0
    (rising, error), (falling, other) = (_variation(stars, field, falls) for falls in (False, True))
    lead = falling - rising
    return lead if abs(lead) > SIGMAS * np.hypot(error, other) else 0.0


def _variation(stars: FrameStars, field: ShapeField, falls: bool) -> tuple[float, float]:
    """Largest change of shape along a diagonal, distortion and size alike, and its error."""
    x = STEPS * (stars.width - 1)
    y = (1.0 - STEPS if falls else STEPS) * (stars.height - 1)
    u, v = (x - field.x0) / field.half, (y - field.y0) / field.half
    terms = field_terms(u, v, field.coefficients.shape[1])
    xx, yy, xy = field.coefficients @ terms
    size = np.abs(xx + yy)
    mean = max(float(size.mean()), 1e-9)
    shapes = np.array([(xx - yy) / mean, 2.0 * xy / mean, size / mean])
    apart = np.linalg.norm(shapes[:, :, None] - shapes[:, None, :], axis=0)
    errors = np.sqrt(np.nan_to_num(field.errors) ** 2 @ terms**2) / mean
    return float(apart.max()), float(2.0 * errors.max())
