"""Nights drawn at random, for measuring how often a verdict is right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .field import cumulative_counts
from .geometry import hour_angle_deg, unix_seconds
from .scenario import (
    Air,
    Camera,
    Event,
    Guider,
    Mount,
    Optics,
    Plan,
    Record,
    Scenario,
    Site,
    Sky,
    Target,
)
from .scenario_file import check

SINGLE = (
    "wind_trail",
    "ra_oscillation",
    "periodic_error",
    "dec_drift",
    "flexure",
    "tracking_lost",
    "bump",
    "dither_overlap",
    "cloud",
    "sky_glow",
    "focus",
    "seeing",
    "field_rotation",
    "satellite_trail",
    "dew",
)
"""Causes a random night draws from."""
THROUGHOUT = ("wind_trail", "ra_oscillation", "dec_drift", "focus", "seeing")
"""Causes that can affect a random night from its first frame to its last."""


def random_scenario(
    seed: int,
    frames: int = 24,
    width: int = 720,
    height: int = 540,
    throughout: bool | None = None,
    causes: tuple[str, ...] = SINGLE,
) -> Scenario:
    """Draw a night: set-up, seeing, camera angle, handedness, clock, and what goes wrong.

    Parameters
    ----------
    seed : int
        The draw, and the night's own seed.
    frames, width, height : int
        Length of the night and frame size.
    throughout : bool, optional
        Whether one cause affects every frame; drawn with probability 0.12 when not given.
        Otherwise most frames are plainly clean.
    causes : tuple of str
        Reason words to draw from.

    Returns
    -------
    Scenario
    """
    rng = np.random.default_rng([seed, 20])
    scenario, width_arcsec = _setup(rng, seed, frames, width, height)
    bad = bool(rng.random() < 0.12) if throughout is None else throughout
    if bad:
        spans = [(str(rng.choice([c for c in THROUGHOUT if c in causes])), 1, frames)]
    else:
        spans = _spans(rng, frames, causes)
    events = []
    for cause, first, last in spans:
        strength = float(rng.uniform(0.75 if bad else 0.3, 1.0))
        event, scenario = _event(rng, scenario, cause, first, last, width_arcsec, strength)
        events.append(event)
    scenario = replace(scenario, events=tuple(events))
    check(scenario, f"random night {seed}")
    return scenario


def _setup(rng, seed: int, frames: int, width: int, height: int) -> tuple[Scenario, float]:
    """Telescope, camera, air and field; also the clean star's width in arcsec."""
    focal = float(np.exp(rng.uniform(np.log(450.0), np.log(2400.0))))
    ratio = float(rng.uniform(4.5, 8.0))
    fwhm_px = float(rng.uniform(2.2, 4.6))
    seeing = float(rng.uniform(1.8, 3.4))
    # The pitch follows from the sampling wanted; a short tube gets small pixels.
    scale = max(seeing / fwhm_px, 206.264806 * 2.9 / focal)
    seeing = max(seeing, 1.8 * scale)
    exposure = float(rng.choice([60.0, 90.0, 120.0, 180.0]))
    # 03:40 UTC is night from here to there, whatever the hour the field culminates.
    site = Site(float(rng.uniform(25.0, 55.0)), float(rng.uniform(-100.0, 15.0)))
    plan = Plan(
        frames=frames,
        exposure_s=exposure,
        gap_s=float(rng.uniform(16.0, 30.0)),
        start_utc="2031-02-18T03:40:00",
        dither_arcsec=float(rng.uniform(3.0, 8.0)),
        dither_every=int(rng.choice([1, 2, 3])),
        flip_before=int(rng.integers(2, frames + 1)) if rng.random() < 0.15 else 0,
    )
    camera = Camera(
        width=width,
        height=height,
        pixel_um=float(scale * focal / 206.264806),
        binning=1,
        angle_deg=float(rng.uniform(0.0, 360.0)),
        mirrored=bool(rng.random() < 0.5),
        gain_e_per_adu=float(rng.uniform(0.8, 2.0)),
        read_noise_e=float(rng.uniform(2.0, 8.0)),
        bias_adu=float(rng.uniform(300.0, 1500.0)),
    )
    zero = 21.4 + 5.0 * np.log10(focal / ratio / 250.0)
    sky = Sky(mag_arcsec2=float(rng.uniform(18.8, 21.2)), gradient=float(rng.uniform(0.0, 0.12)))
    # Within 35 degrees of the zenith at its highest: nobody plans a night near the horizon.
    dec = float(np.clip(site.latitude_deg + rng.uniform(-35.0, 20.0), -30.0, 70.0))
    target = Target(name=f"Random Field {seed}", ra_deg=0.0, dec_deg=dec)
    middle = unix_seconds(plan.start_utc) + frames * (exposure + plan.gap_s) / 2
    hour = float(rng.uniform(-40.0, 40.0))
    ra = (hour_angle_deg(middle, site, target) - hour) % 360.0
    noise = np.sqrt(10 ** (0.4 * (zero - sky.mag_arcsec2)) * scale**2 * exposure + 30.0)
    faint = zero - 2.5 * np.log10(20.0 * noise * 1.8 * seeing / scale / exposure)
    area = width * height * scale**2 / 3600.0
    wanted = float(rng.uniform(70.0, 350.0))
    density = wanted / (area * float(cumulative_counts(min(faint, 20.3))))
    target = replace(target, ra_deg=float(ra), stars_per_arcmin2=density)
    mount = Mount(
        worm_arcsec=float(rng.uniform(2.0, 9.0)),
        worm_period_s=float(rng.uniform(120.0, 500.0)),
        pole_high_arcmin=float(rng.normal(0.0, 3.0)),
        pole_east_arcmin=float(rng.normal(0.0, 3.0)),
        jitter_arcsec=float(min(rng.uniform(0.1, 0.3), 0.08 * seeing)),
    )
    gains = rng.uniform(0.4, 0.75, 2)
    guider = Guider(
        focal_mm=float(max(200.0, focal * rng.uniform(0.25, 1.0))),
        pixel_um=3.75,
        interval_s=float(rng.choice([1.5, 2.0, 3.0])),
        ra_gain=float(gains[0]),
        dec_gain=float(gains[1]),
        seeing_noise_arcsec=float(rng.uniform(0.08, 0.12) * seeing),
    )
    record = Record(
        unit=str(rng.choice(["arcsec", "px"])),
        clock=str(rng.choice(["datetime", "time", "seconds"])),
        utc_offset_h=float(rng.integers(-20, 23)) / 2.0,
        skew_s=float(rng.uniform(-8.0, 8.0)),
        separator=str(rng.choice([",", ";", "\t"])),
    )
    air = Air(
        seeing_arcsec=seeing,
        beta=float(rng.uniform(2.8, 4.5)),
        swing=float(rng.uniform(0.02, 0.06)),
    )
    optics = Optics(
        focal_mm=focal,
        focal_ratio=ratio,
        obstruction=float(rng.choice([0.0, 0.35, 0.45])),
        zero_point=float(zero),
        vignetting=float(rng.uniform(0.0, 0.2)),
    )
    night = Scenario(seed, plan, site, target, camera, optics, air, sky, mount, guider, record)
    return night, seeing


def _spans(rng, frames: int, causes: tuple[str, ...]) -> list[tuple[str, int, int]]:
    """Causes with disjoint runs of frames that leave at least three fifths clean."""
    taken: set[int] = set()
    spans = []
    for cause in rng.permutation(list(causes)):
        length = int(rng.integers(1, 4))
        first = int(rng.integers(2, max(3, frames - length + 2)))
        if cause in ("dew", "focus"):
            length = int(rng.integers(3, 6))
            first = min(first, max(2, frames - length + 1))
        if cause in ("dew", "sky_glow") and rng.random() < 0.6:
            first = frames - length + 1
        span = set(range(first, first + length))
        # One clean frame between two causes keeps their after-effects apart.
        near = span | {first - 1, first + length}
        if max(span) > frames or near & taken or len(taken | span) > 0.4 * frames:
            continue
        taken |= span
        spans.append((str(cause), first, first + length - 1))
    return spans


def _event(rng, night: Scenario, cause: str, first: int, last: int, fwhm: float, strength: float):
    """One cause, mild (0.3) to severe (1.0); may ask more of the mount."""
    plan = night.plan
    event = Event(cause, first, last, angle_deg=float(rng.uniform(0, 360)))
    mount, dec = night.mount, np.deg2rad(night.target.dec_deg)
    if cause == "wind_trail":
        event = replace(event, size=fwhm * (1.5 + 3.5 * strength), at=float(rng.uniform(0, 0.4)))
        event = replace(event, duration_s=plan.exposure_s * (0.15 + 0.4 * strength))
    elif cause == "ra_oscillation":
        event = replace(event, size=1.75 + 0.22 * strength)
        noise = max(night.guider.seeing_noise_arcsec, fwhm * 0.1)
        night = replace(night, guider=replace(night.guider, seeing_noise_arcsec=noise))
    elif cause == "periodic_error":
        event = replace(event, size=0.02)
        worm = max(mount.worm_arcsec, fwhm * (0.6 + 1.6 * strength) / np.cos(dec))
        period = min(mount.worm_period_s, 2.2 * plan.exposure_s)
        night = replace(night, mount=replace(mount, worm_arcsec=float(worm), worm_period_s=period))
    elif cause == "dec_drift":
        drift = fwhm * (0.9 + 2.0 * strength) * 60.0 / plan.exposure_s
        east = float(np.sign(rng.standard_normal()) * drift / 0.2625)
        night = replace(night, mount=replace(mount, pole_east_arcmin=east, pole_high_arcmin=0.0))
    elif cause == "flexure":
        event = replace(event, size=fwhm * (0.9 + 2.0 * strength))
    elif cause == "tracking_lost":
        lasting = plan.exposure_s * float(rng.uniform(0.4, 0.9))
        event = replace(event, at=float(rng.uniform(0.0, 0.5)), duration_s=lasting)
        if rng.random() < 0.4:
            # Within the guider's reach a slow mount is simply corrected: stop it nearly dead.
            event = replace(event, kind="stalled", size=0.6 + 0.4 * strength)
        else:
            reach = fwhm * (3.0 + 15.0 * strength) / (lasting * 15.0 * np.cos(dec))
            event = replace(event, kind="slipping", size=float(reach))
    elif cause == "bump":
        event = replace(event, size=fwhm * (1.0 + 3.0 * strength), at=float(rng.uniform(0.2, 0.8)))
    elif cause == "dither_overlap":
        event = replace(event, size=fwhm * (3.0 + 8.0 * strength), at=float(rng.uniform(0, 0.12)))
        event = replace(event, last=first)
    elif cause == "cloud":
        event = replace(event, size=0.15 + 0.75 * strength)
    elif cause == "dew":
        event = replace(event, size=0.3 + 0.4 * strength, ramp=True)
    elif cause == "sky_glow":
        event = replace(event, size=1.5 + 8.0 * strength, ramp=last == plan.frames)
    elif cause == "focus":
        blur = fwhm / night.scale_arcsec * (0.8 + 1.6 * strength)
        travel = blur * night.camera.pixel_um * night.optics.focal_ratio
        event = replace(event, size=float(travel), ramp=last - first < plan.frames - 1)
    elif cause == "seeing":
        event = replace(event, size=1.15 + 0.7 * strength)
    elif cause == "field_rotation":
        half = 0.5 * np.hypot(night.camera.width, night.camera.height)
        arc = fwhm / night.scale_arcsec * (1.2 + 2.5 * strength) / half
        event = replace(event, size=float(np.rad2deg(arc) * 3600.0 / plan.exposure_s))
    elif cause == "satellite_trail":
        event = replace(event, size=60.0 + 300.0 * strength, last=first)
    return event, night
