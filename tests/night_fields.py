"""Synthetic star lists with known geometry and brightness, for the comparing stage's tests."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from subgrade.lights.model import HeaderFacts
from subgrade.night.model import Frame
from subgrade.stars.model import FrameStars, StarFlag, StarList

NAN = float("nan")


@dataclass
class Sky:
    """Stars on a patch of sky larger than the frame, in the reference frame's pixels."""

    z: np.ndarray
    flux: np.ndarray


def make_sky(rng, per_frame=500, width=4000, height=3000, reach=1.0, slope=1.0) -> Sky:
    """Uniform stars with cumulative counts ~ flux^-slope, ``per_frame`` of them on a frame."""
    w, h = width * (1 + 2 * reach), height * (1 + 2 * reach)
    count = int(per_frame * w * h / (width * height))
    x = rng.uniform(-reach * width, (1 + reach) * width, count)
    y = rng.uniform(-reach * height, (1 + reach) * height, count)
    flux = 2000.0 * rng.pareto(slope, count) + 2000.0
    return Sky(x + 1j * y, np.minimum(flux, 2e6))


def make_frame(
    rng,
    sky: Sky,
    name="f000.fits",
    width=4000,
    height=3000,
    shift=0j,
    rotation=0.0,
    scale=1.0,
    dim=1.0,
    sky_noise=100.0,
    jitter=0.05,
    limit=5.0,
    full_well=1.5e6,
    false=0,
    keep=1.0,
    hot=None,
    facts: HeaderFacts | None = None,
    gain_error=0.003,
    **stars,
) -> Frame:
    """One frame of the sky: turned by ``rotation`` degrees about its centre, then shifted.

    ``dim`` is a number or a function of frame position; detections below
    ``limit`` sigma are lost, as are a random share ``1 - keep``; ``false``
    detections and ``hot`` pixels (complex positions) are added.
    """
    centre = (width - 1) / 2 + 1j * (height - 1) / 2
    place = (sky.z - centre) * scale * np.exp(1j * np.radians(rotation)) + centre + shift
    inside = (place.real > 0) & (place.real < width - 1) & (place.imag > 0)
    inside &= place.imag < height - 1
    place, true = place[inside], sky.flux[inside]
    through = dim(place) if callable(dim) else dim
    flux = true * through * (1 + rng.normal(0, gain_error, len(true)))
    flux = flux + rng.normal(0, sky_noise, len(flux))
    found = (flux / sky_noise > limit) & (rng.random(len(flux)) < keep)
    place, flux = place[found], flux[found]
    snr = flux / sky_noise
    spread = np.hypot(jitter, 1.5 / np.maximum(snr, 1))
    place = place + rng.normal(0, spread) + 1j * rng.normal(0, spread)
    flags = np.where(flux > full_well, int(StarFlag.SATURATED), 0)
    if false:
        spots = rng.uniform(0, width, false) + 1j * rng.uniform(0, height, false)
        place = np.concatenate([place, spots])
        flux = np.concatenate([flux, sky_noise * rng.uniform(limit, 30, false)])
        flags = np.concatenate([flags, np.zeros(false, int)])
    if hot is not None:
        place = np.concatenate([place, hot + rng.normal(0, 0.1, len(hot))])
        flux = np.concatenate([flux, np.full(len(hot), 300 * sky_noise)])
        flags = np.concatenate([flags, np.zeros(len(hot), int)])
    return frame_of(
        place, flux, flux / sky_noise, flags, name, width, height, facts, sky_noise, **stars
    )


def frame_of(place, flux, snr, flags, name, width, height, facts, sky_noise, **stars) -> Frame:
    """Wrap positions and fluxes as a measured frame."""
    order = np.argsort(-flux, kind="stable")
    n = len(order)
    f32 = np.float32
    catalogue = StarList(
        place.real[order].astype(float),
        place.imag[order].astype(float),
        flux[order].astype(f32),
        snr[order].astype(f32),
        (flux[order] / 10).astype(f32),
        np.full(n, 2.0, f32),
        np.full(n, 2.0, f32),
        np.zeros(n, f32),
        flags[order].astype(np.uint16),
    )
    defaults = {
        "fwhm_px": 3.0,
        "eccentricity": 0.35,
        "xx": 1.7,
        "yy": 1.5,
        "xy": 0.1,
        "shape_status": "measured" if n > 2 else ("few" if n else "none"),
    }
    defaults.update(stars)
    measured = FrameStars(
        width=width,
        height=height,
        background_adu=500.0,
        noise_adu=sky_noise / 10,
        background_map=np.full((2, 2), 500.0, f32),
        mesh_px=64,
        stars=n,
        stars_snr_limit=5.0,
        catalogue=catalogue,
        **defaults,
    )
    return Frame(name, f"/nowhere/{name}", facts or HeaderFacts(), measured)


def make_night(
    rng, sky=None, count=20, start=1_700_000_000.0, step=130.0, facts=None, dither=15.0, **kw
):
    """Dithered frames of one sky; lists in ``kw`` give one value per frame."""
    sky = sky or make_sky(rng)
    base = facts or HeaderFacts(filter="L", exposure_s=120.0, target="Testfield", camera="cam")
    frames = []
    for k in range(count):
        one = {key: (value[k] if isinstance(value, list) else value) for key, value in kw.items()}
        at = start + k * step
        one.setdefault("shift", complex(*rng.normal(0, dither, 2)))
        airmass = one.pop("airmass", base.airmass)
        stated = replace(base, start_unix=at, mid_unix=at + 60, airmass=airmass)
        frames.append(make_frame(rng, sky, f"f{k:04d}.fits", facts=stated, **one))
    return frames
