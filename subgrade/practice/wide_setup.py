"""The set-ups of wide nights: telescope, camera, site, mount, guider, record, and the plan."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .field import cumulative_counts
from .geometry import first_axis_cosine, hour_angle_deg, unix_seconds
from .guider import left_over, stability_limit
from .scenario import (
    DITHER_WORDS,
    STANDING,
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

START_UTC = "2031-02-18T02:40:00"
"""Night from here to there at the sites drawn, whatever the hour the field culminates."""
GUIDE_TIMES = ((0.3, 0.5), (0.5, 1.0), (1.0, 1.5), (1.0, 2.0), (2.0, 2.5), (2.0, 3.0), (4.0, 5.0))
"""Guide exposure and interval, s."""
GUIDED = ("guided", "comet", "altazimuth guided")
KINDS = {
    "guided": 0.74,
    "comet": 0.08,
    "unguided": 0.10,
    "altazimuth guided": 0.04,
    "altazimuth": 0.04,
}


@dataclass(frozen=True, slots=True)
class Setup:
    """A night without faults but what its mount has by nature.

    ``kind`` is one of `KINDS`; ``fwhm`` the clean star's width, arcsec.
    """

    night: Scenario
    kind: str
    fwhm: float


def draw_setup(rng: np.random.Generator, seed: int, frames: int, width: int, height: int) -> Setup:
    """Draw everything but the faults.

    Parameters
    ----------
    rng : numpy.random.Generator
    seed : int
        The night's own.
    frames, width, height : int
    """
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    camera, optics, air, sky = _instrument(rng, width, height)
    scale = 206.264806 * camera.pixel_um / optics.focal_mm
    fwhm = air.seeing_arcsec
    plan = _plan(rng, kind, frames, fwhm, scale)
    site, target = _pointing(rng, seed, plan, "altazimuth" in kind)
    target = replace(target, **_richness(rng, plan, camera, optics, sky, scale, fwhm))
    guider = _guider(rng, optics, min(fwhm, 4.0), fwhm)
    mount = _mount(rng, min(fwhm, 4.0))
    record = _record(rng)
    night = Scenario(seed, plan, site, target, camera, optics, air, sky, mount, guider, record)
    night = _kept_small(night, fwhm)
    if kind == "comet":
        night = _on_a_comet(rng, night, fwhm)
    if "altazimuth" in kind:
        night = _on_an_altazimuth(night)
    if kind not in GUIDED:
        night = _left_unguided(rng, night, fwhm)
    return Setup(_with_margin(night), kind, fwhm)


def _log_uniform(rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _instrument(rng, width: int, height: int) -> tuple[Camera, Optics, Air, Sky]:
    """Camera, optics, seeing and sky; the star is 1.5 to 9 px wide at rest."""
    scale = _log_uniform(rng, 0.3, 5.0)
    seeing = min(max(float(rng.uniform(1.4, 4.2)), float(rng.uniform(1.5, 2.2)) * scale), 9 * scale)
    pitch = min(float(rng.uniform(2.9, 9.0)), 4000.0 * scale / 206.264806)
    focal, ratio = 206.264806 * pitch / scale, float(rng.uniform(4.0, 9.0))
    mosaics = ["RGGB", "GRBG", "GBRG", "BGGR"]
    camera = Camera(
        width=width,
        height=height,
        pixel_um=float(pitch),
        binning=1,
        angle_deg=float(rng.uniform(0.0, 360.0)),
        mirrored=bool(rng.random() < 0.5),
        gain_e_per_adu=float(rng.uniform(0.3, 2.0)),
        read_noise_e=float(rng.uniform(1.2, 9.0)),
        bias_adu=float(rng.uniform(200.0, 1500.0)),
        hot_pixels_per_mpx=_log_uniform(rng, 30.0, 1000.0),
        mosaic=str(rng.choice(mosaics)) if rng.random() < 0.22 else "",
        wcs=bool(rng.random() < 0.2),
    )
    flaws = np.zeros(3)
    if rng.random() < 0.35:
        # Up to two pixels, or half a star, at the frame's edge.
        flaws = rng.uniform(0.0, 1.0, 3) * (rng.random(3) < 0.6) * max(2.0, 0.5 * seeing / scale)
    optics = Optics(
        focal_mm=float(focal),
        focal_ratio=ratio,
        obstruction=float(rng.choice([0.0, 0.35, 0.45])),
        zero_point=float(21.4 + 5.0 * np.log10(focal / ratio / 250.0)),
        tilt_um=float(rng.choice([-1.0, 1.0]) * flaws[0] * pitch * 2.0 * ratio),
        astigmatism_um=float(flaws[1] * pitch),
        coma_um=float(flaws[2] * pitch),
        vignetting=float(rng.uniform(0.0, 0.3)),
        focus_scatter_um=float(min(12.0, 0.12 * seeing / scale * pitch * ratio)),
    )
    air = Air(
        seeing_arcsec=seeing,
        beta=float(rng.uniform(2.5, 4.8)),
        swing=float(rng.uniform(0.02, 0.07)),
    )
    sky = Sky(mag_arcsec2=float(rng.uniform(17.8, 21.4)), gradient=float(rng.uniform(0.0, 0.2)))
    return camera, optics, air, sky


def _plan(rng, kind: str, frames: int, fwhm: float, scale: float) -> Plan:
    """Exposures, dithers and the meridian flip."""
    exposures = [30.0, 60.0, 90.0, 120.0, 180.0, 300.0]
    if kind == "unguided":
        exposures = [15.0, 20.0, 30.0, 60.0]
    elif "altazimuth" in kind:
        exposures = [15.0, 30.0, 60.0, 120.0]
    plan = Plan(
        frames=frames,
        exposure_s=float(rng.choice(exposures)),
        gap_s=float(rng.uniform(8.0, 30.0)),
        start_utc=START_UTC,
        dither_arcsec=_log_uniform(rng, max(0.5, 0.5 * scale), max(15.0, 8.0 * scale)),
        dither_every=int(rng.choice([0, 1, 1, 2, 3])),
        dither_order=str(rng.choice(["random", "random", "spiral", "line", "wander"])),
    )
    if rng.random() < 0.25 and frames > 3 and "altazimuth" not in kind:
        turn = float(rng.choice([180.0, 180.0, 0.0, 180.0 + rng.uniform(-8.0, 8.0)]))
        plan = replace(
            plan,
            flip_before=int(rng.integers(2, frames + 1)),
            flip_turn_deg=turn,
            flip_shift_arcsec=float(rng.choice([0.0, rng.uniform(2.0, 60.0) * scale])),
            flip_pause_s=float(rng.choice([0.0, rng.uniform(60.0, 300.0)])),
        )
    return plan


def _pointing(rng, seed: int, plan: Plan, altazimuth: bool) -> tuple[Site, Target]:
    """Site and field; an alt-azimuth mount keeps away from the zenith."""
    site = Site(float(rng.uniform(25.0, 55.0)), float(rng.uniform(-85.0, 5.0)))
    below = rng.uniform(-50.0, -14.0) if altazimuth else rng.uniform(-35.0, 20.0)
    dec = float(np.clip(site.latitude_deg + below, -30.0, 70.0))
    target = Target(name=f"Wide Field {seed}", ra_deg=0.0, dec_deg=dec)
    middle = unix_seconds(plan.start_utc) + plan.frames * (plan.exposure_s + plan.gap_s) / 2
    ra = (hour_angle_deg(middle, site, target) - float(rng.uniform(-40.0, 40.0))) % 360.0
    return site, replace(target, ra_deg=float(ra))


def _richness(rng, plan, camera, optics, sky, scale: float, fwhm: float) -> dict:
    """Star density for 60 to 300 stars of S/N 20, and where the faint ones may end."""
    zero, exposure = optics.zero_point, plan.exposure_s
    light = 10 ** (0.4 * (zero - sky.mag_arcsec2)) * scale**2 * exposure
    noise = np.sqrt(light + camera.read_noise_e**2)
    # Matched filter of a star of this width, in all 4 pi sigma^2 px (King 1983, PASP 95, 163).
    area = 4.0 * np.pi * (fwhm / scale / 2.355) ** 2 + 2.0
    faint = zero - 2.5 * np.log10(20.0 * noise * np.sqrt(area) / exposure)
    frame = camera.width * camera.height * scale**2 / 3600.0
    wanted = _log_uniform(rng, 60.0, 300.0)
    faint = float(np.clip(faint, 9.5, 20.0))
    density = wanted / (frame * float(cumulative_counts(faint)))
    return {"stars_per_arcmin2": float(density), "faintest": min(faint + 3.0, 20.5)}


def _guider(rng, optics: Optics, air: float, fwhm: float) -> Guider:
    """Guide loop: from half a second to five, corrections up to two samples late, all stable."""
    exposure, interval = GUIDE_TIMES[int(rng.integers(len(GUIDE_TIMES)))]
    lag = int(rng.choice([0, 0, 0, 0, 1, 1, 2]))
    gains = rng.uniform(0.2, 0.42, 2) * stability_limit(lag)
    room = interval - exposure
    snr = _log_uniform(rng, 14.0, 90.0)
    fade = float(rng.uniform(0.3, 0.9)) if rng.random() < 0.15 else 0.0
    return Guider(
        focal_mm=float(max(120.0, optics.focal_mm * rng.uniform(0.15, 1.0))),
        pixel_um=float(rng.uniform(2.4, 6.0)),
        exposure_s=exposure,
        interval_s=interval,
        delay_s=float(rng.uniform(0.1, 0.8) * room),
        lag_samples=lag,
        ra_gain=float(gains[0]),
        dec_gain=float(gains[1]),
        smallest_correction_arcsec=float(rng.uniform(0.0, 0.12) * air),
        longest_correction_ms=float(rng.uniform(200.0, max(400.0, min(2000.0, 800.0 * interval)))),
        rate=float(rng.choice([0.25, 0.5, 0.5, 0.75, 1.0])),
        seeing_noise_arcsec=float(rng.uniform(0.06, 0.12) * air),
        star_snr=snr,
        # Dimmed, not lost: a loss is a cause of its own.
        fade=min(fade, 1.0 - 9.0 / snr),
        search_area_arcsec=float(max(rng.uniform(12.0, 40.0), 4.0 * fwhm)),
    )


def _mount(rng, air: float) -> Mount:
    return Mount(
        worm_arcsec=_log_uniform(rng, 1.0, 30.0),
        worm_period_s=_log_uniform(rng, 40.0, 600.0),
        worm_second=float(rng.choice([0.0, rng.uniform(0.0, 0.6)])),
        pole_high_arcmin=float(rng.normal(0.0, 4.0)),
        pole_east_arcmin=float(rng.normal(0.0, 4.0)),
        jitter_arcsec=float(rng.uniform(0.02, 0.08) * air),
        jitter_memory_s=_log_uniform(rng, 0.3, 3.0),
        dec_backlash_arcsec=float(rng.choice([0.0, rng.uniform(0.3, 8.0)])),
        ring_hz=_log_uniform(rng, 0.4, 4.0),
        damping=_log_uniform(rng, 0.02, 0.2),
    )


def _record(rng) -> Record:
    return Record(
        unit=str(rng.choice(["arcsec", "px"])),
        clock=str(rng.choice(["datetime", "time", "seconds"])),
        utc_offset_h=float(rng.integers(-20, 23)) / 2.0,
        skew_s=float(rng.uniform(-8.0, 8.0)),
        separator=str(rng.choice([",", ";", "\t"])),
        dither_words=str(rng.choice([*DITHER_WORDS, "dither"])),
    )


def _kept_small(night: Scenario, fwhm: float) -> Scenario:
    """A worm that the loop, by its gain and its longest correction, holds to a tenth of a star."""
    mount, guider = night.mount, night.guider
    cosine = float(first_axis_cosine(night, unix_seconds(night.plan.start_utc)))
    loop = (guider.ra_gain, guider.interval_s, guider.lag_samples)
    part = left_over(mount.worm_period_s, *loop)
    part = part + mount.worm_second * left_over(mount.worm_period_s / 2.0, *loop)
    pace = guider.longest_correction_ms / 1000.0 * guider.rate * 15.0 / guider.interval_s
    fastest = 2.0 * np.pi / mount.worm_period_s * (1.0 + 2.0 * mount.worm_second)
    worm = min(mount.worm_arcsec, 0.1 * fwhm / part / cosine, pace / 3.0 / fastest)
    return replace(night, mount=replace(mount, worm_arcsec=float(worm)))


def _on_a_comet(rng, night: Scenario, fwhm: float) -> Scenario:
    """Follow a comet: stars are drawn out by one to six widths an exposure, dithers wander."""
    rate = fwhm * float(rng.uniform(1.0, 6.0)) / night.plan.exposure_s * 3600.0
    plan = replace(
        night.plan,
        follow_arcsec_per_h=float(min(rate, 600.0)),
        follow_pa_deg=float(rng.uniform(0.0, 360.0)),
        dither_order="wander",
        dither_every=max(night.plan.dither_every, 1),
    )
    return replace(night, plan=plan)


def _on_an_altazimuth(night: Scenario) -> Scenario:
    mount = replace(night.mount, altazimuth=True, pole_high_arcmin=0.0, pole_east_arcmin=0.0)
    turning = Event("field_rotation", 1, night.plan.frames, kind=STANDING)
    return replace(night, mount=mount, events=(*night.events, turning))


def _left_unguided(rng, night: Scenario, fwhm: float) -> Scenario:
    """Nobody guides: worm and drift show in proportion to the exposure, and are named as causes."""
    plan, mount = night.plan, night.mount
    worm_rms, drift_rms = (fwhm * _log_uniform(rng, 0.06, 0.6) for _ in range(2))
    cosine = float(first_axis_cosine(night, unix_seconds(plan.start_utc)))
    # The rms over an exposure of a sine at its steepest is that of a ramp; at most A / sqrt 2.
    ramp = worm_rms * np.sqrt(12.0) / (2.0 * np.pi * plan.exposure_s / mount.worm_period_s)
    worm = min(max(ramp, worm_rms * np.sqrt(2.0)) / cosine, 60.0)
    mount = replace(mount, worm_arcsec=float(worm))
    named = ["periodic_error"]
    if not mount.altazimuth:
        east = drift_rms * np.sqrt(12.0) / plan.exposure_s * 60.0 / 0.2625
        east *= float(rng.choice([-1.0, 1.0]))
        high = float(rng.normal(0.0, 0.5)) * east
        mount = replace(mount, pole_east_arcmin=float(east), pole_high_arcmin=high)
        named.append("dec_drift")
    events = [Event(cause, 1, plan.frames, kind=STANDING) for cause in named]
    return replace(
        night,
        mount=mount,
        guider=replace(night.guider, on=False),
        record=replace(night.record, write=False),
        events=(*night.events, *events),
    )


def _with_margin(night: Scenario) -> Scenario:
    """Stars as far beyond the frame as drift, worm, flip and the field's turn can reach."""
    plan, mount = night.plan, night.mount
    lasting = plan.frames * (plan.exposure_s + plan.gap_s)
    margin = 60.0 + plan.flip_shift_arcsec + 3.0 * plan.dither_arcsec
    if not night.guider.on:
        pole = np.hypot(mount.pole_east_arcmin, mount.pole_high_arcmin)
        margin += mount.worm_arcsec + 0.2625 / 60.0 * pole * lasting
    if mount.altazimuth:
        margin += 0.6 * night.camera.height * night.scale_arcsec
    return replace(night, target=replace(night.target, margin_arcsec=float(margin)))
