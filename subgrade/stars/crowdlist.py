"""The star list of a crowded frame, from all its stars fitted together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from subgrade.stars.catalogue import Catalogue
from subgrade.stars.crowd import LEAST_APART, find_crowd, is_crowded
from subgrade.stars.ellipse import ellipse_from_moments
from subgrade.stars.model import StarFlag
from subgrade.stars.photometry import TemplateFit
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.stack import Stack, image_template
from subgrade.stars.view import View

CLOSE_SHARE = 0.1
"""Brightness of a neighbour within one width, over the star's, from which the star's own is
doubtful although both were fitted together."""


def together(
    view: View, catalogue: Catalogue, stack: Stack, settings: MeasureSettings
) -> tuple[View, Catalogue, TemplateFit | None]:
    """View, star list and fits of a crowded frame; on any other those given, and None.

    Lines, pairs and rings are left as they are: their images hold several maxima.
    """
    if not _plain(catalogue, stack) or view.ring:
        return view, catalogue, None
    fwhm = float(np.sqrt(stack.major * stack.minor))
    listed = np.count_nonzero(catalogue.snr >= settings.list_snr)
    if not is_crowded(listed, fwhm, view.pixels.shape):
        return view, catalogue, None
    a, b, _ = (float(v) for v in ellipse_from_moments(*_moments(stack)))
    # blobs of several maxima are blends here, since the star image is plain
    kept = (catalogue.flags & int(StarFlag.SHARP)) == 0
    known = catalogue.take(np.flatnonzero(kept))
    template = image_template(stack, catalogue.moments)
    crowd = find_crowd(view, template, (a, b), known.x, known.y, known.amplitude)
    listed = crowd.fit.snr >= 0.8 * settings.list_snr
    fit = TemplateFit(*(getattr(crowd.fit, name)[listed] for name in TemplateFit.__slots__))
    x, y = crowd.x[listed], crowd.y[listed]
    flags, ident = _inherited(known, x, y, LEAST_APART * fwhm)
    reach = 3.0 * a
    height, width = view.pixels.shape
    edge = (x < reach) | (y < reach) | (x > width - 1 - reach) | (y > height - 1 - reach)
    flags[edge] |= np.uint16(StarFlag.EDGE)
    flags[_close(x, y, fit.amplitude, fwhm)] |= np.uint16(StarFlag.BLENDED)
    new = replace(
        catalogue, x=x, y=y, amplitude=fit.amplitude, snr=fit.snr, peak=fit.peak,
        sharpness=fit.sharpness, misfit=fit.misfit, flags=flags, ident=ident,
        whole_blobs=False,
    )  # fmt: skip
    return crowd.view, new, fit


def _moments(stack: Stack) -> tuple[float, float, float]:
    return stack.shape.xx, stack.shape.yy, stack.shape.xy


def _plain(catalogue: Catalogue, stack: Stack) -> bool:
    """Whether the frame's star is one filled image of moderate elongation."""
    if stack.method != "image" or catalogue.doubling is not None:
        return False
    a, b, _ = ellipse_from_moments(*_moments(stack))
    return bool(a < 2.5 * b and stack.widths.hollow > 0.9 and stack.widths.dip < 0.1)


def _inherited(known: Catalogue, x, y, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Flags and numbers that stars keep from the list before; new stars get new numbers."""
    distance, old = cKDTree(np.column_stack((known.x, known.y))).query(np.column_stack((x, y)))
    same = np.flatnonzero(distance < reach)
    # of several near one old star the nearest is it
    same = same[np.argsort(distance[same], kind="stable")]
    same = same[np.unique(old[same], return_index=True)[1]]
    ident = known.ident.max(initial=-1) + 1 + np.arange(len(x))
    ident[same] = known.ident[old[same]]
    flags = np.zeros(len(x), np.uint16)
    lasting = StarFlag.SATURATED | StarFlag.STREAK | StarFlag.BAD_PIXEL
    flags[same] = known.flags[old[same]] & np.uint16(lasting)
    return flags, ident


def _close(x, y, light, fwhm: float) -> np.ndarray:
    """Stars with a neighbour within one width that is not much fainter."""
    close = np.zeros(len(x), bool)
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(fwhm, output_type="ndarray")
    for one, two in (pairs.T, pairs.T[::-1]):
        close[one[light[two] > CLOSE_SHARE * light[one]]] = True
    return close
