"""Compile (or load from the disk cache) every kernel before the first frame."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numba.core import event

from subgrade.lights.model import Pixels
from subgrade.stars.background import Sky
from subgrade.stars.block_means import area_means
from subgrade.stars.crowd_fit import fit_all_stars, give_stars, peaks_of, with_own
from subgrade.stars.joint_fit import joint_fit
from subgrade.stars.local_sky import levelled
from subgrade.stars.measure import measure_stars
from subgrade.stars.moments import adaptive_moments, pooled_moments
from subgrade.stars.mosaic import green_means
from subgrade.stars.photometry import gaussian_template, template_fit
from subgrade.stars.raster import Stamps, blank, cut_stamps
from subgrade.stars.single_pixels import lone_pixels
from subgrade.stars.stacked_image import fit_spline, gather_samples
from subgrade.stars.streaks import find_streaks

_warm: list[bool] = []
"""Holds something once this process, or the one it was forked from, has every kernel."""


class NotCompiledYet(Exception):
    """A kernel is not on disk."""


def warm_up(compiling: Callable[[], None] | None = None, last_first: bool = False) -> None:
    """Have every kernel ready, from the disk or compiled, by measuring made-up frames.

    Parameters
    ----------
    compiling : callable, optional
        Called once, when the first kernel is not on disk and is about to be compiled, which
        takes some ten seconds for all; an exception it raises ends the warm-up.
    last_first : bool
        Begin with what a frame needs last.  Two processes that begin at the two ends share
        the compiling, since each loads what the other has put on disk.
    """
    if _warm:
        return
    with event.install_listener("numba:compile", _FirstCompile(compiling)):
        words, floats = _frames()
        if last_first:
            _late_kernels(words, floats)
        for pixels in (words, floats):
            measure_stars(pixels)
        if not last_first:
            _late_kernels(words, floats)
    _warm.append(True)


def load_kernels() -> bool:
    """Have every kernel ready if all are on disk; False, with the rest left, if one is not."""

    def stop() -> None:
        raise NotCompiledYet

    try:
        warm_up(stop)
    except NotCompiledYet:
        return False
    return True


class _FirstCompile(event.Listener):
    """Calls a function when compiling begins; loading from disk is no such event."""

    def __init__(self, call: Callable[[], None] | None) -> None:
        self._call = call

    def on_start(self, event: event.Event) -> None:
        call, self._call = self._call, None
        if call is not None:
            call()

    def on_end(self, event: event.Event) -> None:
        """Only beginnings count."""


def _frames() -> tuple[Pixels, Pixels]:
    """A small frame of stars as 16-bit words and as floats."""
    rng = np.random.default_rng(5)
    image = rng.normal(1000.0, 12.0, (160, 192)).astype(np.float32)
    yy, xx = np.mgrid[0:160, 0:192]
    for x, y in rng.uniform(12, 148, (24, 2)):
        image += 2500.0 * np.exp(-0.5 * ((xx - x) ** 2 + (yy - y) ** 2) / 1.8**2)
    words = np.clip(np.rint(image), 0, 65535).astype(np.uint16)
    return Pixels(words), Pixels(image, integer=False)


def _late_kernels(words: Pixels, floats: Pixels) -> None:
    """What a frame needs last, and what only a mosaic or a frame with a trail needs."""
    for pixels in (words, floats):
        area_means(pixels, 4)
    green_means(words, 0)
    trail = np.zeros((64, 64), np.float32)
    trail[32, :] = 50.0
    sky = Sky(np.zeros((2, 2), np.float32), np.ones((2, 2), np.float32), 128)
    find_streaks(trail, sky, 4, 1.0, np.zeros((64, 64), np.bool_), 60.0, trail, 3.0)
    y, x = np.mgrid[0:24, 0:24] * 8.0 + 4.3
    x, y = x.ravel()[:300], y.ravel()[:300]
    stamps = cut_stamps(words, np.full((2, 2), 1000.0, np.float32), 96, x, y, 7)
    blank(stamps.data, stamps.x0, stamps.y0, 192, np.array([5000]), np.zeros(161, np.int64))
    yy, xx = np.mgrid[-7:8, -7:8]
    stamps.data[:] = 100.0 * np.exp(-0.25 * (xx**2 + yy**2))
    one = np.ones(len(x))
    samples = gather_samples(stamps, x, y, 100.0 * one, 1.0, 0.0, 5.0, 5.0, 30_000)
    fit_spline(samples, 1.0, 1.0, 5.0, 5.0, 0.0, len(x))
    template_fit(stamps, x, y, gaussian_template(2.0, 2.0, 0.0), 1.0)
    adaptive_moments(stamps, x, y, (2.0, 2.0, 0.0))
    pooled_moments(stamps, x, y, (2.0, 2.0, 0.0))
    lone_pixels(stamps, x, y, 3.0, 1.0)
    levelled(stamps)
    left = np.zeros((64, 64), np.float32)
    left[32, 32] = 9.0
    stars = np.array([[32.0], [32.0], [1.0]])
    star = gaussian_template(2.0, 2.0, 0.0)
    fit_all_stars(left, stars, star, 1, 0.1)
    give_stars(left, stars, star, 1.0)
    with_own(stamps, x, y, one, star)
    peaks_of(left, left + 1.0)
    few = Stamps(stamps.data[:8, 2:13, 2:13], stamps.x0[:8] + 2, stamps.y0[:8] + 2)
    joint_fit(few, few.x0 + 5, few.y0 + 5, 1.0, 3.0)
