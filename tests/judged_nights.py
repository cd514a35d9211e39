"""Nights built from numbers alone, for testing the judging and writing stages."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from subgrade.guiding.model import ClockFit, ExposureGuiding, GuideNight, PathFit
from subgrade.guiding.path_fit import fit_path
from subgrade.lights.model import HeaderFacts
from subgrade.night.model import Frame, FrameCompared, Group, Night, Registration, Usual
from subgrade.record.model import Column, GuideRecord
from subgrade.stars.model import FrameStars, ShapeField, StarImage, StarList

EXPOSURE_S = 120.0
START = 1_900_000_000.0
SKY_AXES = ((-1.0, 0.0), (0.0, 1.0))
"""North up, east left, one arcsecond a pixel."""


@dataclass
class Shot:
    """One frame of a made-up night; every number as the measuring stages would give it."""

    fwhm: float = 3.0
    eccentricity: float = 0.2
    angle: float = 30.0
    transparency: float = 1.0
    sky: float = 1000.0
    noise: float = 10.0
    stars: int = 300
    status: str = "measured"
    length: float = np.nan
    hollow: float = np.nan
    quarters: tuple | None = None
    stray: str = ""
    streaks: tuple = ()
    image: StarImage | None = None
    shape_field: ShapeField | None = None
    facts: dict = field(default_factory=dict)
    dx: float = 0.0
    dy: float = 0.0
    rotation: float = 0.0
    catalogue: StarList | None = None
    places: int = 0
    hot: int = 0
    fwhm_error: float = 0.01
    eccentricity_error: float = 0.01


def steady(count: int, seed: int = 1, **changes) -> list[Shot]:
    """Clean frames that differ as much as a good night's do."""
    rng = np.random.default_rng(seed)
    return [
        Shot(
            fwhm=3.0 + 0.05 * rng.standard_normal(),
            eccentricity=abs(0.2 + 0.04 * rng.standard_normal()),
            angle=float(rng.uniform(0, 180)),
            transparency=1.0 + 0.005 * rng.standard_normal(),
            sky=1000 + 3 * rng.standard_normal(),
            noise=10 + 0.03 * rng.standard_normal(),
            stars=int(300 + 8 * rng.standard_normal()),
            **changes,
        )
        for _ in range(count)
    ]


def night_of(shots: list[Shot], scale: float | None = 1.0) -> Night:
    """A night of one group (strays apart) from its shots, in the order given."""
    frames, compared = [], []
    for k, shot in enumerate(shots):
        frames.append(
            Frame(f"light_{k:03d}.fits", f"/n/light_{k:03d}.fits", *_parts(shot, k, scale))
        )
        compared.append(_compared(shot))
    members = tuple(k for k, shot in enumerate(shots) if not shot.stray)
    group = Group(
        "Field, L, 120 s",
        "Field",
        "L",
        EXPOSURE_S,
        (1, 1),
        (1000, 1200),
        members,
        members[0],
        _usual(frames, compared, members),
    )
    return Night(tuple(frames), tuple(compared), (group,))


def moffat_image(fwhm: float, places=(0.0,), shares=(1.0,), angle=0.0, beta=3.0) -> StarImage:
    """A star image drawn along an axis: a Moffat at each place with its share of the light."""
    step = fwhm / 8
    grid = (np.arange(65) - 32) * step
    x, y = np.meshgrid(grid, grid)
    t = np.radians(angle)
    along, across = x * np.cos(t) + y * np.sin(t), -x * np.sin(t) + y * np.cos(t)
    alpha2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
    image = sum(
        s * (1 + ((along - p) ** 2 + across**2) / alpha2) ** -beta
        for p, s in zip(places, shares, strict=True)
    )
    return StarImage((image / image.max()).astype(np.float32), step, 100)


def _parts(shot: Shot, k: int, scale) -> tuple[HeaderFacts, FrameStars]:
    start = START + k * (EXPOSURE_S + 10)
    facts = HeaderFacts(
        target="Field",
        filter="L",
        exposure_s=EXPOSURE_S,
        start_unix=start,
        mid_unix=start + EXPOSURE_S / 2,
        start_utc="2030-03-17T17:46:40.000Z",
        mid_utc="2030-03-17T17:47:40.000Z",
        scale_arcsec=scale,
    )
    facts = replace(facts, **shot.facts)
    measured = shot.status == "measured"
    q = np.sqrt(1 - shot.eccentricity**2)
    minor2 = (shot.fwhm**2 * q) if measured else np.nan
    major = shot.fwhm / np.sqrt(q)
    a, b = (major / 2.3548) ** 2, minor2 / 2.3548**2
    t = np.radians(shot.angle)
    stars = FrameStars(
        1200,
        1000,
        shot.sky,
        shot.noise,
        np.full((8, 9), shot.sky, np.float32),
        128,
        shot.stars,
        20.0,
        fwhm_px=shot.fwhm if measured else np.nan,
        fwhm_error_px=shot.fwhm_error,
        fwhm_method="image",
        fwhm_major_px=major,
        fwhm_minor_px=np.sqrt(minor2),
        eccentricity=shot.eccentricity if measured else np.nan,
        eccentricity_error=shot.eccentricity_error,
        angle_deg=shot.angle % 180,
        angle_error_deg=2.0,
        xx=a * np.cos(t) ** 2 + b * np.sin(t) ** 2,
        yy=a * np.sin(t) ** 2 + b * np.cos(t) ** 2,
        xy=(a - b) * np.sin(t) * np.cos(t),
        moment_error=0.01,
        length_px=shot.length,
        hollow=shot.hollow,
        shape_status=shot.status,
        stars_in_shape=100,
        star_image=shot.image,
        shape_field=shot.shape_field,
        streaks=shot.streaks,
        catalogue=shot.catalogue,
        bright_places=shot.places,
        hot_pixels=shot.hot,
    )
    return facts, stars


def _compared(shot: Shot) -> FrameCompared:
    if shot.stray:
        return FrameCompared(group=-1, stray_note=shot.stray)
    return FrameCompared(
        0,
        registration=Registration(100, shot.dx, shot.dy, shot.rotation, 1.0, 0.1),
        transparency=shot.transparency,
        transparency_error=0.005,
        quarters=shot.quarters or (shot.transparency,) * 4,
        matched_stars=100,
    )


def _usual(frames, compared, members) -> dict[str, Usual]:
    def robust(values, low_is_best=True):
        values = np.array([v for v in values if np.isfinite(v)])
        if not values.size:
            return Usual(np.nan, np.nan, np.nan, 0)
        centre = np.median(values)
        spread = 1.4826 * np.median(np.abs(values - centre))
        best = np.quantile(values, 0.1 if low_is_best else 0.9)
        return Usual(float(centre), float(spread), float(best), values.size)

    names = ("fwhm_px", "eccentricity", "background_adu", "noise_adu", "stars")
    usual = {n: robust([getattr(frames[i].stars, n) for i in members], n != "stars") for n in names}
    usual["transparency"] = robust([compared[i].transparency for i in members], False)
    return usual


CALM_ARCSEC = 0.4
CADENCE_S = 2.0


class Recorded(ExposureGuiding):
    """An exposure's guiding with its samples, ``errors``: arcsec, shape (2, n)."""


def recorded(ra, dec=None, **known) -> Recorded:
    """An exposure's guiding from its error samples, arcsec, by numpy's own statistics."""
    rng = np.random.default_rng(len(ra))
    ra = np.asarray(ra, float)
    dec = CALM_ARCSEC * rng.standard_normal(len(ra)) if dec is None else np.asarray(dec, float)
    minutes = np.arange(len(ra)) * CADENCE_S / 60
    cov = np.cov(ra, dec, bias=True)
    found = Recorded(
        samples=len(ra),
        coverage=1.0,
        rms_ra=float(ra.std()),
        rms_dec=float(dec.std()),
        peak=float(np.hypot(ra - ra.mean(), dec - dec.mean()).max()),
        drift_ra=float(np.polyfit(minutes, ra, 1)[0]),
        drift_dec=float(np.polyfit(minutes, dec, 1)[0]),
        lag1_ra=float(np.corrcoef(ra[:-1], ra[1:])[0, 1]),
        lag1_dec=float(np.corrcoef(dec[:-1], dec[1:])[0, 1]),
        star_drop=0.95,
        longest_gap_s=CADENCE_S,
        moments=(float(cov[0, 0]), float(cov[1, 1]), float(cov[0, 1])),
    )
    found = replace(found, **known)
    object.__setattr__(found, "errors", np.stack([ra, dec]))
    return found


def calm_samples(count: int = 60, seed: int = 5) -> np.ndarray:
    """Guiding errors of one axis of a calm exposure, arcsec."""
    return CALM_ARCSEC * np.random.default_rng(seed).standard_normal(count)


def guide_of(night: Night, bad: dict, decided: bool = True, **known) -> GuideNight:
    """A record over the night: calm but for the exposures given."""
    calm = [recorded(calm_samples(seed=k)) for k in range(len(night.frames))]
    exposures = tuple(bad.get(k, calm[k]) for k in range(len(night.frames)))
    time = START + np.arange(600) * CADENCE_S
    zero = np.zeros(600)
    record = GuideRecord(
        "guiding.csv",
        "unknown",
        time,
        zero,
        zero,
        zero,
        zero,
        zero + 100,
        zero + 30,
        np.ones(600, bool),
        np.zeros(600, int),
        ((time[0], time[-1]),),
        (),
        (Column("RA error (arcsec)", "ra", "arcsec", 0.9, "title"),),
    )
    clock = ClockFit(-7200.0, 2.0, 1.0, 0.97, decided, "by dithers", () if decided else ((3, 0.9),))
    found = GuideNight(
        record,
        clock,
        exposures,
        paths=_paths(exposures),
        calm_rms_ra=CALM_ARCSEC,
        calm_rms_dec=CALM_ARCSEC,
    )
    return replace(found, **known)


def _paths(exposures) -> tuple[PathFit | None, ...]:
    """What moved the guide star in every exposure, of one record without pulses."""
    errors = [getattr(e, "errors", None) for e in exposures]
    known = [k for k, e in enumerate(errors) if e is not None]
    if not known:
        return (None,) * len(errors)
    both = np.concatenate([errors[k] for k in known], axis=1)
    count = [errors[k].shape[1] for k in known]
    start = START + CADENCE_S * np.concatenate([[0], np.cumsum(count)[:-1]])
    n = both.shape[1]
    blank = np.full(n, np.nan)
    time = START + (np.arange(n) + 0.5) * CADENCE_S
    record = GuideRecord(
        "guiding.csv", "utc", time, both[0], both[1], blank, blank, blank, blank,
        np.ones(n, bool), np.zeros(n, int), ((time[0], time[-1]),), (), (),
    )  # fmt: skip
    clock = ClockFit(0.0, 0.0, 0.0, 1.0, True, "stated")
    fits = fit_path(record, clock, start, start + CADENCE_S * np.array(count))
    found = dict(zip(known, fits, strict=True))
    return tuple(found.get(k) for k in range(len(errors)))
