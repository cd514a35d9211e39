"""Nights drawn wide: many mounts, loops and skies, so that what is learned from them carries over.

Disturbances act on a mount inside a guide loop; what is left over is the path on the main
camera, and the record.  Sizes are drawn as the rms of the motion wished for in star widths
and turned into what the mount must do by the loop's own formulas; what comes out is the loop's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .geometry import first_axis_cosine, unix_seconds
from .guider import left_over, stability_limit
from .scenario import SIDEREAL_ARCSEC_PER_S, Event, Guider, Mount, Scenario
from .scenario_file import check
from .shares import MOTIONS
from .wide_setup import GUIDED, Setup, draw_setup

STILL = ("cloud", "sky_glow", "focus", "seeing", "dew", "satellite_trail")
"""Causes that are no motion."""
THROUGHOUT = (
    "wind_trail",
    "ra_oscillation",
    "periodic_error",
    "dec_drift",
    "field_rotation",
    "flexure",
    "dither_overlap",
    "focus",
    "seeing",
)
"""Causes that can affect every frame of a night."""
NEED_A_GUIDER = {"ra_oscillation", "dec_drift", "periodic_error", "flexure", "dither_overlap"}
"""Causes that an unguided mount has not, or has all night by nature."""
LAST = ("dither_overlap", "ra_oscillation")
"""Causes that set the longest correction."""
WEIGHTS = dict.fromkeys(MOTIONS, 3.0) | dict.fromkeys(STILL, 1.8)
WEIGHTS |= {"ra_oscillation": 5.0, "dither_overlap": 4.0, "bump": 4.0, "periodic_error": 4.0}
WEIGHTS |= {"dec_drift": 4.0, "flexure": 4.0, "field_rotation": 2.2}
WEIGHTS |= {"dew": 2.5, "focus": 2.5, "satellite_trail": 0.8}
"""How likely a cause is drawn before another, so that each ruins frames often enough."""
TRIANGLE_RMS = (0.5, 0.87, 1.44)
"""Rms of a loop that runs to and fro at its longest correction, over that correction's length, by
samples of lag: half a square wave, then triangles of 1.5 and 2.5 steps (derived)."""
LONGEST_GAP_S = 90.0
TRIES = 4
"""Places tried for a cause before it is left out of a night."""


def wide_scenario(
    seed: int,
    frames: int = 16,
    width: int = 480,
    height: int = 360,
    throughout: bool | None = None,
    causes: tuple[str, ...] = MOTIONS + STILL,
) -> Scenario:
    """Draw a night from a wide range of set-ups, mounts, loops, skies and faults.

    Parameters
    ----------
    seed : int
        The draw, and the night's own seed.
    frames, width, height : int
        Length of the night and frame size.
    throughout : bool, optional
        Whether one cause affects every frame; drawn with probability 0.15 when not given.
    causes : tuple of str
        Reason words to draw from.

    Returns
    -------
    Scenario

    Notes
    -----
    0.3 to 5 arcsec a pixel; a tenth of the nights unguided, a twelfth on an alt-azimuth mount,
    a twelfth on a comet.  Shares and ranges are a choice, no source.
    """
    rng = np.random.default_rng([seed, 31])
    setup = draw_setup(rng, seed, frames, width, height)
    draw = _Draw(rng, setup)
    usable = [c for c in causes if setup.kind in GUIDED or c not in NEED_A_GUIDER]
    bad = bool(rng.random() < 0.15) if throughout is None else throughout
    lasting = [c for c in THROUGHOUT if c in usable]
    if bad and lasting:
        spans = [(str(rng.choice(lasting)), 1, frames)]
    else:
        spans = _spans(rng, frames, usable)
    # The longest correction comes last: it must still hold the worm and drift drawn before.
    spans.sort(key=lambda s: (LAST.index(s[0]) if s[0] in LAST else -1, s))
    for cause, first, last in spans:
        draw.add(cause, first, last, bad)
    night = _with_settling(draw.night, draw.setup.fwhm)
    check(night, f"wide night {seed}")
    return night


def _spans(rng, frames: int, causes: list[str]) -> list[tuple[str, int, int]]:
    """Runs of frames, one cause each, now and then two; more than half the frames stay clean."""
    if not causes:
        return []
    taken: set[int] = set()
    spans = []
    weight = np.array([WEIGHTS[c] for c in causes])
    order = rng.choice(len(causes), len(causes), replace=False, p=weight / weight.sum())
    wanted = frames * rng.uniform(0.35, 0.5)
    for cause in (causes[k] for k in order):
        length = int(rng.choice([1, 1, 2, 2, 3] if cause in MOTIONS else [1, 2, 3]))
        if cause in ("dew", "focus"):
            length += 2
        last = frames - length + 1
        for first in rng.permutation(np.arange(1, last + 1))[:TRIES]:
            if cause in ("dew", "sky_glow") and rng.random() < 0.6:
                first = last
            span = set(range(int(first), int(first) + length))
            near = span | {min(span) - 1, max(span) + 1}
            if not near & taken and len(taken | span) <= wanted:
                break
        else:
            continue
        taken |= span
        first = min(span)
        spans.append((cause, first, first + length - 1))
        second = [c for c in causes if c != cause and c in MOTIONS]
        if rng.random() < 0.08 and second:
            spans.append((str(rng.choice(second)), first, first + length - 1))
    return spans


@dataclass
class _Draw:
    """The night while it is drawn: each cause adds its events and may change the mount."""

    rng: np.random.Generator
    setup: Setup
    rms: float = 0.0
    """Of the motion wished for, arcsec."""
    strength: float = 0.0
    """Of what is no motion, or has no plain rms: 0.2 mild to 1.2 severe."""
    throughout: bool = False

    def __post_init__(self):
        self.night = self.setup.night
        self.fwhm = self.setup.fwhm
        middle = unix_seconds(self.night.plan.start_utc)
        middle += 0.5 * self.night.plan.frames * (self.night.plan.exposure_s + 30.0)
        self.cosine = float(first_axis_cosine(self.night, middle))
        self.limit = stability_limit(self.night.guider.lag_samples)

    def add(self, cause: str, first: int, last: int, bad: bool) -> None:
        """Add one cause on frames ``first`` to ``last``; plain enough where it is all there is."""
        rng = self.rng
        low, high = (0.4, 0.9) if bad else (0.25, 1.3)
        self.rms = self.fwhm * float(np.exp(rng.uniform(np.log(low), np.log(high))))
        self.strength = float(rng.uniform(0.5 if bad else 0.2, 1.2))
        self.throughout = bad
        event = Event(cause, first, last, angle_deg=float(rng.uniform(0.0, 360.0)))
        made = getattr(self, f"_{cause}")(event)
        parts = self._wandering(made) if bad and cause == "flexure" else [made]
        self.night = replace(self.night, events=(*self.night.events, *parts))

    def _mount(self, **changes) -> None:
        self.night = replace(self.night, mount=replace(self.night.mount, **changes))

    def _guider(self, **changes) -> None:
        self.night = replace(self.night, guider=replace(self.night.guider, **changes))

    def _wind_trail(self, event: Event) -> Event:
        """A rough gust, one knock and its ringing, a lean, or gusts for most of the exposure."""
        rng, s, exposure = self.rng, self.strength, self.night.plan.exposure_s
        if self.throughout:
            lasting = exposure + self.night.plan.gap_s
            size = self.fwhm * (2.0 + 2.0 * s)
            return replace(event, kind="spell", size=size, at=0.0, duration_s=lasting)
        kind = str(rng.choice(["", "", "knock", "lean", "spell", "spell", "spell"]))
        at, share, size = float(rng.uniform(0.0, 0.6)), 0.15 + 0.4 * s, 1.5 + 3.5 * s
        if kind == "knock":
            share, size = 0.5, 6.0 + 14.0 * s
        elif kind == "lean":
            share, size = min(share, 12.0 / exposure), 2.0 + 5.0 * s
        elif kind == "spell":
            share, size, at = min(0.4 + 0.6 * s, 1.0), 2.0 + 4.0 * s, at / 3.0
        lasting = max(exposure * share, 2.0)
        return replace(event, kind=kind, size=self.fwhm * size, at=at, duration_s=lasting)

    def _ra_oscillation(self, event: Event) -> Event:
        """A gain beyond the loop's limit: it runs to and fro at its longest correction."""
        guider = self.night.guider
        step = 1.3 * self.rms / TRIANGLE_RMS[guider.lag_samples]
        step = max(step, 2.5 * _needed_per_sample(self.night, self.cosine))
        longest = 1000.0 * step / (guider.rate * SIDEREAL_ARCSEC_PER_S * self.cosine)
        self._guider(longest_correction_ms=float(np.clip(longest, 40.0, 900 * guider.interval_s)))
        return replace(event, size=float(self.limit * self.rng.uniform(1.02, 1.5)))

    def _periodic_error(self, event: Event) -> Event:
        """A rough gear of 2 to 60 s that the loop cannot follow, or a slow worm in a weak loop."""
        rng, guider = self.rng, self.night.guider
        if rng.random() < 0.6:
            period = float(np.exp(rng.uniform(np.log(2.0), np.log(60.0))))
            part = left_over(
                max(period, 2.0 * guider.interval_s),
                guider.ra_gain,
                guider.interval_s,
                guider.lag_samples,
            )
            size = min(self.rms * np.sqrt(2.0) / self.cosine / part, 40.0 * self.fwhm)
            return replace(event, kind="worm", size=float(size), period_s=period)
        period = float(np.exp(rng.uniform(np.log(60.0), np.log(600.0))))
        weak = float(rng.uniform(0.01, 0.06) * self.limit)
        loop = (guider.interval_s, guider.lag_samples)
        wished = self.rms * np.sqrt(2.0) / left_over(period, weak, *loop)
        harmless = 0.2 * self.fwhm / left_over(period, guider.ra_gain, *loop)
        worm = min(wished, harmless) / self.cosine
        self._mount(worm_arcsec=float(worm), worm_period_s=period)
        return replace(event, size=weak)

    def _dec_drift(self, event: Event) -> Event:
        """Dec guiding off, and a polar axis far enough off to show."""
        guider, exposure = self.night.guider, self.night.plan.exposure_s
        rate = self.rms * np.sqrt(12.0) / exposure
        # With Dec guiding on the guider must be able to hold it.
        held = 0.6 * guider.longest_correction_ms / 1000.0 * guider.rate * SIDEREAL_ARCSEC_PER_S
        rate = min(rate, held / guider.interval_s)
        east = float(self.rng.choice([-1.0, 1.0]) * rate * 60.0 / 0.2625)
        self._mount(pole_east_arcmin=float(np.clip(east, -150.0, 150.0)), pole_high_arcmin=0.0)
        return event

    def _field_rotation(self, event: Event) -> Event:
        """A turn about the guide star, sized by what it does at the field's centre."""
        camera, guider = self.night.camera, self.night.guider
        arm = np.hypot((guider.star_x - 0.5) * camera.width, (guider.star_y - 0.5) * camera.height)
        turn = self.rms / self.night.scale_arcsec * np.sqrt(12.0) / arm
        turn *= 3600.0 / self.night.plan.exposure_s
        return replace(event, size=float(np.rad2deg(turn)))

    def _flexure(self, event: Event) -> Event:
        return replace(event, size=self.rms * np.sqrt(12.0))

    def _wandering(self, event: Event) -> list[Event]:
        """A night of flexure in stretches of three frames: as gravity turns, so does the drift."""
        parts, angle, size = [], event.angle_deg, event.size
        for first in range(event.first, event.last + 1, 3):
            last = min(first + 2, event.last)
            parts.append(replace(event, first=first, last=last, angle_deg=angle, size=size))
            angle = float(angle + self.rng.normal(0.0, 10.0))
            size = float(size * np.exp(self.rng.normal(0.0, 0.12)))
        return parts

    def _tracking_lost(self, event: Event) -> Event:
        """Stopped, slipping with the guide star gone, or only the guide star gone."""
        rng, s, exposure = self.rng, self.strength, self.night.plan.exposure_s
        lasting = exposure * float(rng.uniform(0.3, 0.95))
        event = replace(event, at=float(rng.uniform(0.0, 0.4)), duration_s=lasting)
        kind = str(rng.choice(["stalled", "slipping", "slipping", "guide_star"]))
        if kind == "stalled":
            # From a moment to most of the exposure.
            short = self.fwhm * (2.0 + 10.0 * s) / (SIDEREAL_ARCSEC_PER_S * self.cosine)
            lasting = lasting if rng.random() < 0.3 else min(short, lasting)
            share = 0.6 + 0.4 * min(s, 1.0)
            return replace(event, kind=kind, size=share, duration_s=float(lasting))
        if kind == "guide_star":
            return replace(event, kind=kind, at=0.05, duration_s=0.95 * exposure)
        reach = self.fwhm * (2.0 + 15.0 * s) / (lasting * SIDEREAL_ARCSEC_PER_S * self.cosine)
        return replace(event, kind=kind, size=float(reach))

    def _bump(self, event: Event) -> Event:
        """A step early, amid or late; the guider may see it and pull back."""
        at = float(self.rng.beta(0.7, 0.7)) * 0.94 + 0.03
        kind = "mount" if self.rng.random() < 0.4 else ""
        size = self.fwhm * (0.8 + 4.0 * self.strength)
        return replace(event, size=size, at=at, kind=kind)

    def _dither_overlap(self, event: Event) -> Event:
        """A dither so late that the exposure begins where the last frame lay."""
        exposure = self.night.plan.exposure_s
        at = float(self.rng.uniform(-3.0 / exposure, 0.2))
        size = self.fwhm * float(np.exp(self.rng.uniform(np.log(1.2), np.log(14.0))))
        if self.rng.random() < 0.5:
            # A weak or slow loop makes it settle far into the exposure.
            pace = float(self.rng.uniform(0.25, 1.0) * size * 4.0 / exposure)
            self._slowed(pace)
        return replace(event, size=size, at=at)

    def _slowed(self, pace: float) -> None:
        """Shorten the longest correction to a pace in arcsec a second, as the mount allows."""
        guider = self.night.guider
        step = max(pace * guider.interval_s, 2.5 * _needed_per_sample(self.night, self.cosine))
        longest = 1000.0 * step / (guider.rate * SIDEREAL_ARCSEC_PER_S * self.cosine)
        self._guider(longest_correction_ms=float(min(longest, guider.longest_correction_ms)))

    def _cloud(self, event: Event) -> Event:
        """As likely as not beneath it the stars are sharper than in the clear."""
        kind = "steady_air" if self.rng.random() < 0.45 else ""
        return replace(event, size=min(0.1 + 0.8 * self.strength, 0.95), kind=kind)

    def _dew(self, event: Event) -> Event:
        return replace(event, size=min(0.25 + 0.45 * self.strength, 0.8), ramp=True)

    def _sky_glow(self, event: Event) -> Event:
        late = event.last == self.night.plan.frames
        return replace(event, size=1.3 + 8.0 * self.strength, ramp=late)

    def _focus(self, event: Event) -> Event:
        night = self.night
        blur = self.fwhm / night.scale_arcsec * (0.6 + 1.8 * self.strength)
        travel = blur * night.camera.pixel_um * night.optics.focal_ratio
        return replace(event, size=float(travel), ramp=not self.throughout)

    def _seeing(self, event: Event) -> Event:
        return replace(event, size=1.1 + 0.8 * self.strength)

    def _satellite_trail(self, event: Event) -> Event:
        kind = "tumbling" if self.rng.random() < 0.3 else ""
        return replace(event, size=60.0 + 300.0 * self.strength, last=event.first, kind=kind)


def _needed_per_sample(night: Scenario, cosine: float) -> float:
    """What worm and drift move the star by from one guide sample to the next, arcsec."""
    mount: Mount = night.mount
    worm = mount.worm_arcsec * cosine * 2.0 * np.pi / mount.worm_period_s
    worm *= 1.0 + 2.0 * mount.worm_second
    pole = 0.2625 / 60.0 * np.hypot(mount.pole_east_arcmin, mount.pole_high_arcmin)
    return float((worm + pole) * night.guider.interval_s)


def settling_s(night: Scenario, fwhm: float, distance: float) -> float:
    """About how long the guider takes to bring the star ``distance`` arcsec to a new place, s.

    The longest correction each sample while the way is long, then exponentially down to a
    twentieth of a star width; Dec has its backlash to take up first.

    Parameters
    ----------
    night : Scenario
    fwhm, distance : float
        Star width and way to go, arcsec.
    """
    guider: Guider = night.guider
    middle = unix_seconds(night.plan.start_utc)
    slow = min(float(first_axis_cosine(night, middle)), 1.0)
    step = guider.longest_correction_ms / 1000.0 * guider.rate * SIDEREAL_ARCSEC_PER_S * slow
    gain = min(guider.ra_gain, guider.dec_gain)
    straight = (distance + night.mount.dec_backlash_arcsec) / step
    tail = max(np.log(max(min(distance, step / gain) / (0.05 * fwhm), 1.0)) / gain, 2.0)
    return float((straight + tail + 3 * guider.lag_samples + 2) * guider.interval_s)


def _with_settling(night: Scenario, fwhm: float) -> Scenario:
    """Leave time for the planned dithers to settle; smaller dithers where it would take ages."""
    plan = night.plan
    if not night.guider.on:
        return night
    size, reach = plan.dither_arcsec, 2.0 if plan.dither_order == "spiral" else 2.83
    late = [e.size for e in night.events if e.cause == "dither_overlap"]
    gap = 6.0 + settling_s(night, fwhm, reach * size)
    while gap > LONGEST_GAP_S and size > 0.05 * fwhm:
        size *= 0.8
        gap = 6.0 + settling_s(night, fwhm, reach * size)
    gap = float(np.clip(gap, plan.gap_s, LONGEST_GAP_S))
    margin = night.target.margin_arcsec + sum(late) + 3.0 * size
    return replace(
        night,
        plan=replace(plan, dither_arcsec=float(size), gap_s=gap),
        target=replace(night.target, margin_arcsec=float(margin)),
    )
