"""What goes wrong in a night: each kind writes forces on the mount, or spoils the frames' light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import butter, lfilter

from . import mount
from .mount import STEP, Forces
from .rig import SIDEREAL, Rig


@dataclass(slots=True)
class Plan:
    """The night as planned: when frames start, and what each one's light goes through.

    Attributes
    ----------
    starts : ndarray, shape (frames,)
        Seconds from the start of the grid.
    dither_at : dict of int to float
        When the dither before a frame was asked for.
    flipped : ndarray of bool, shape (frames,)
    swell, blur, patch, halo : ndarray, shape (frames,)
        Factor on the seeing, defocus (um), relative slope of the starlight over the frame, share of
        light in a wide halo.
    dewy : ndarray, shape (frames,)
        Factor on the star's width by dew.
    loss, glow : dict of str to ndarray, shape (frames,)
        Starlight lost and sky gained, natural logarithms, by cause word.
    turning : ndarray, shape (n,)
        Turn of the field about the guide star, radians.
    """

    starts: np.ndarray
    dither_at: dict[int, float]
    flipped: np.ndarray
    swell: np.ndarray
    blur: np.ndarray
    patch: np.ndarray
    halo: np.ndarray
    dewy: np.ndarray
    turning: np.ndarray
    comet: bool = False
    loss: dict[str, np.ndarray] = field(default_factory=dict)
    glow: dict[str, np.ndarray] = field(default_factory=dict)

    def passing(self) -> np.ndarray:
        """Starlight that passes in each frame, 1 = clear."""
        return np.exp(-sum(self.loss.values(), np.zeros(len(self.starts))))

    def sky(self) -> np.ndarray:
        """Factor on the dark sky in each frame."""
        return np.exp(sum(self.glow.values(), np.zeros(len(self.starts))))

    def add(self, book: dict[str, np.ndarray], word: str, frames: list[int], value) -> None:
        """Add to `loss` or `glow` of some frames under a word."""
        book.setdefault(word, np.zeros(len(self.starts)))[frames] += value


@dataclass(slots=True)
class Scene:
    """What a kind of trouble may read and write."""

    rig: Rig
    rng: np.random.Generator
    time: np.ndarray
    forces: Forces
    plan: Plan

    def span(self, frames) -> np.ndarray:
        """Steps within the exposures of some frames, with the gaps between neighbours."""
        inside = np.zeros(len(self.time), bool)
        for k in frames:
            start = self.plan.starts[k]
            inside |= (self.time >= start) & (self.time < start + self.rig.exposure)
            if k + 1 in frames:
                inside |= (self.time >= start) & (self.time < self.plan.starts[k + 1])
        return inside

    def moment(self, k: int, early: float = 0.15, late: float = 0.85) -> float:
        """A time within the exposure of a frame."""
        return float(self.plan.starts[k] + self.rig.exposure * self.rng.uniform(early, late))

    def way(self) -> np.ndarray:
        """A direction on the sky."""
        angle = self.rng.uniform(0.0, 2.0 * np.pi)
        return np.array([np.cos(angle), np.sin(angle)])


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of trouble.

    ``shape`` is 'single' (frames here and there), 'run' (frames in a row), 'end' (a run that lasts
    to the end) or 'all'; ``odds`` is how often a night has it.
    """

    name: str
    shape: str
    odds: float
    apply: Callable[[Scene, list[int]], None]


KINDS: dict[str, Kind] = {}


def kind(name: str, shape: str, odds: float):
    """Enter a function as a kind of trouble."""

    def enter(function):
        KINDS[name] = Kind(name, shape, odds, function)
        return function

    return enter


@kind("gusts", "single", 3.0)
def _gusts(scene: Scene, frames: list[int]) -> None:
    """Knocks that ring, buffeting, or a slow lean; the tube is a spring, the guider sees it."""
    rig, rng, time = scene.rig, scene.rng, scene.time
    hertz, damping = rng.uniform(0.4, 2.5), rng.uniform(0.04, 0.25)
    wind, shape = scene.way(), rng.choice(["knock", "buffet", "lean", "mixed"])
    push = np.zeros((len(time), 2))
    for k in frames:
        one = rng.choice(["knock", "buffet", "lean"]) if shape == "mixed" else shape
        way = wind + 0.4 * scene.way()
        size = rig.star_width * rng.uniform(1.5, 6.0)
        begin = scene.moment(k, 0.02, 0.6)
        if one == "knock":
            blows = 2 + rng.poisson(rig.exposure / rng.uniform(8.0, 30.0))
            for at in begin + rng.uniform(0.0, 0.4 * rig.exposure, blows):
                blow = (time >= at) & (time < at + rng.uniform(0.3, 2.5))
                push += size * rng.uniform(0.7, 1.8) * way * blow[:, None]
            continue
        length = rig.exposure * rng.uniform(0.4, 1.0)
        rise = np.minimum(rng.uniform(0.5, 6.0), length / 3.0)
        hull = np.clip((time - begin) / rise, 0, 1) * np.clip((begin + length - time) / rise, 0, 1)
        if one == "buffet":
            b, a = butter(1, [0.05, min(1.0, 0.8 * hertz)], "bandpass", fs=1.0 / STEP)
            rough = lfilter(b, a, rng.normal(size=(len(time), 2)), axis=0)
            rough /= rough.std()
            along = rough[:, :1] * way + 0.25 * rough[:, 1:] * way[::-1] * [1, -1]
            push += 0.5 * size * hull[:, None] * along
        else:  # it leans and comes back, again and again, before the guider has taken it out
            beat = rng.uniform(2.0, 6.0) * rig.cadence
            leaning = np.sin(2.0 * np.pi * (time - begin) / (4.0 * beat)) > rng.uniform(-0.3, 0.6)
            push += 1.5 * size * (hull * leaning)[:, None] * way
    shift = mount.spring(push, hertz, damping)
    scene.forces.push("wind_trail", shift, seen=rng.random() < 0.85)


@kind("swing", "run", 2.6)
def _swing(scene: Scene, frames: list[int]) -> None:
    """RA gain set too high, or pulses that come a sample late: the loop swings."""
    rig, rng, inside = scene.rig, scene.rng, scene.span(frames)
    if rng.random() < 0.5:
        scene.forces.gain[inside] = rng.uniform(1.9, 2.6) / rig.gain_ra
    else:
        scene.forces.gain[inside] = rng.uniform(1.05, 1.7) / rig.gain_ra
        scene.forces.delay[inside] = rig.cadence * rng.uniform(0.9, 1.9)


@kind("worm", "run", 2.2)
def _worm(scene: Scene, frames: list[int]) -> None:
    """RA guiding too weak for the worm, or a rough tooth that comes by with every turn."""
    rig, rng, inside = scene.rig, scene.rng, scene.span(frames)
    if rng.random() < 0.6:
        scene.forces.weak_ra[inside] = rng.uniform(0.03, 0.2)
        return
    order = min(rng.uniform(5.0, 13.0), rig.worm_period / 30.0)
    fade = np.convolve(inside.astype(float), np.full(200, 1 / 200), "same")
    east = np.sin(2 * np.pi * order * scene.time / rig.worm_period + rng.uniform(0, 6.28))
    size = rig.star_width * rng.uniform(0.8, 2.0)
    scene.forces.push("periodic_error", np.stack([size * fade * east, 0.0 * east], axis=1))


@kind("polar", "run", 1.6)
def _polar(scene: Scene, frames: list[int]) -> None:
    """Dec guiding off or pushing one way only while the polar axis makes the stars drift."""
    inside = scene.span(frames)
    drift = np.gradient(scene.forces.seen["dec_drift"][:, 1])[inside].mean()
    away = mount.SOUTH_ONLY if drift < 0 else mount.NORTH_ONLY
    scene.forces.north[inside] = scene.rng.choice([mount.OFF, away])
    _centre_after(scene, max(frames))


@kind("flexure", "run", 1.3)
def _flexure(scene: Scene, frames: list[int]) -> None:
    """The main tube sags against the guide tube, at a pace that grows and fades with hour angle."""
    rig, rng = scene.rig, scene.rng
    pace = np.convolve(scene.span(frames).astype(float), np.full(400, 1 / 400), "same")
    hour = (scene.time - scene.time.mean()) * SIDEREAL / 3600.0
    pace *= 1.0 + rng.uniform(-0.5, 0.5) * hour / max(np.ptp(hour), 1.0)
    speed = rig.star_width * rng.uniform(0.8, 3.2) / rig.exposure
    moved = np.cumsum(pace) * STEP * speed
    scene.forces.push("flexure", moved[:, None] * scene.way(), seen=False)


@kind("bump", "single", 2.2)
def _bump(scene: Scene, frames: list[int]) -> None:
    """A cable snags: the whole mount jumps and is brought back, or only the main tube jumps."""
    rig, rng = scene.rig, scene.rng
    for k in frames:
        size = min(rig.star_width * rng.uniform(1.2, 4.5), 0.8 * rig.window)
        step = (scene.time >= scene.moment(k)).astype(float)
        jump = mount.spring(step[:, None] * scene.way() * size, rng.uniform(1, 4), 0.3)
        scene.forces.push("bump", jump, seen=rng.random() < 0.4)


@kind("late", "single", 1.7)
def _late(scene: Scene, frames: list[int]) -> None:
    """The exposure is begun before the dither has settled."""
    forces, plan = scene.forces, scene.plan
    for k in frames:
        if k not in plan.dither_at:
            continue
        asked = plan.starts[k] - scene.rng.uniform(0.2, 2.0)
        swap = (scene.time >= plan.dither_at[k]) & (scene.time < asked)
        before = forces.late_lock[np.searchsorted(scene.time, plan.dither_at[k]) - 1].copy()
        forces.late_lock[swap] = before


@kind("stall", "single", 1.0)
def _stall(scene: Scene, frames: list[int]) -> None:
    """The drive stops: stars run west at the sidereal rate; the target is centred anew after."""
    rate = np.zeros(len(scene.time))
    for k in frames:
        at = scene.moment(k)
        rate[(scene.time >= at) & (scene.time < at + scene.rng.uniform(2.5, 15.0))] = SIDEREAL
        _centre_after(scene, k)
    west = -np.cumsum(rate) * STEP * scene.rig.cos_dec
    scene.forces.push("tracking_lost", np.stack([west, np.zeros_like(west)], axis=1))


@kind("lost", "single", 1.1)
def _lost(scene: Scene, frames: list[int]) -> None:
    """The guide star is lost, and the mount runs off rate until it is back."""
    rig, rng = scene.rig, scene.rng
    creep = np.zeros((len(scene.time), 2))
    for k in frames:
        at = scene.moment(k, 0.05, 0.5)
        gone = (scene.time >= at) & (scene.time < scene.plan.starts[k] + rig.exposure + 1.0)
        scene.forces.hide("tracking_lost", gone)
        speed = rig.star_width * rng.uniform(2.0, 12.0) / rig.exposure
        way = scene.way() + np.array([rng.choice([-2.0, 2.0]), 0.0])
        creep += np.cumsum(gone)[:, None] * STEP * speed * way
        _centre_after(scene, k)
    scene.forces.push("tracking_lost", creep)


def _centre_after(scene: Scene, k: int) -> None:
    step = int((scene.plan.starts[k] + scene.rig.exposure + 1.5) / STEP)
    if step < len(scene.time):
        scene.forces.centred[step] = 1


@kind("rotation", "run", 1.0)
def _rotation(scene: Scene, frames: list[int]) -> None:
    """Alt-azimuth mount whose derotator stands still: w cos(lat) cos(az) / cos(alt) a second."""
    rig, time = scene.rig, scene.time
    lat, dec = np.radians(rig.latitude), np.radians(rig.declination)
    hour = np.radians(rig.hour_start + SIDEREAL * time / 3600.0)
    high = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
    cos_high = np.sqrt(np.clip(1.0 - high**2, 0.02, None))
    cos_az = (np.sin(dec) - high * np.sin(lat)) / (cos_high * np.cos(lat))
    rate = np.radians(SIDEREAL / 3600.0) * np.cos(lat) * cos_az / cos_high
    scene.plan.turning += np.cumsum(rate * scene.span(frames)) * STEP


@kind("unguided", "all", 0.6)
def _unguided(scene: Scene, frames: list[int]) -> None:
    """No guiding: worm and polar drift stay in (the rig carries both)."""
    del frames
    assert not scene.rig.guided


@kind("comet", "all", 1.0)
def _comet(scene: Scene, frames: list[int]) -> None:
    """The mount follows a comet: the stars' wanted place moves steadily."""
    del frames
    rig = scene.rig
    speed = rig.star_width * scene.rng.uniform(0.8, 2.2) / rig.exposure
    scene.forces.followed += scene.time[:, None] * speed * scene.way()
    scene.plan.comet = True


@kind("focus", "end", 1.5)
def _focus(scene: Scene, frames: list[int]) -> None:
    """Cooling draws the focus off, frame by frame; sometimes it is set right near the end."""
    rig, rng = scene.rig, scene.rng
    last = rng.uniform(1.6, 3.4) * rig.star_width  # blur disc at the end, arcsec
    disc = last / 206264.8 * rig.focal_mm * 1000.0  # um at the focal plane
    ramp = np.linspace(rng.uniform(0.1, 0.4), 1.0, len(frames))
    scene.plan.blur[frames] += rng.choice([-1, 1]) * disc * rig.f_ratio * ramp


@kind("seeing", "run", 1.6)
def _seeing(scene: Scene, frames: list[int]) -> None:
    """A spell of poor seeing."""
    scene.plan.swell[frames] *= scene.rng.uniform(1.35, 2.1) * scene.rng.lognormal(
        0.0, 0.08, len(frames)
    )


@kind("cloud", "run", 1.8)
def _cloud(scene: Scene, frames: list[int]) -> None:
    """Cloud drifts through: patchy over time and frame, lit from below or dark."""
    rng, plan = scene.rng, scene.plan
    depth = rng.uniform(0.15, 1.8) * rng.uniform(0.3, 1.6, len(frames))
    plan.add(plan.loss, "cloud", frames, depth)
    plan.patch[frames] += rng.normal(0.0, 0.12, len(frames)) * depth
    lit = 1.0 + rng.choice([-0.15, 0.3, 0.8]) * (1.0 - np.exp(-depth))
    plan.add(plan.glow, "cloud", frames, np.log(lit))


@kind("dew", "end", 0.9)
def _dew(scene: Scene, frames: list[int]) -> None:
    """Dew gathers on the glass: light goes slowly and halos grow until the end."""
    plan, ramp = scene.plan, np.linspace(0.05, 1.0, len(frames))
    loss = scene.rng.uniform(0.8, 1.9)
    plan.add(plan.loss, "dew", frames, loss * ramp)
    plan.halo[frames] = np.clip(plan.halo[frames] + scene.rng.uniform(0.25, 0.6) * ramp, 0, 0.7)
    plan.dewy[frames] *= 1.0 + scene.rng.uniform(0.1, 0.35) * ramp


@kind("glow", "end", 0.8)
def _glow(scene: Scene, frames: list[int]) -> None:
    """Dawn or a rising moon lifts the sky."""
    ramp = np.linspace(0.1, 1.0, len(frames)) ** scene.rng.choice([1.0, 2.0])
    plan = scene.plan
    plan.add(plan.glow, "sky_glow", frames, scene.rng.uniform(0.9, 2.3) * ramp)
