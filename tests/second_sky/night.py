"""One night from its seed: plan it, run the mount with and without each cause, expose, write."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits

from . import mount, record, stars, truth
from .mount import STEP, Forces
from .rig import SIDEREAL, Rig, draw_rig
from .troubles import KINDS, Plan, Scene

LEAD = 90.0
"""Seconds of guiding before the first frame."""
WORDS = {
    "wind_trail",
    "ra_oscillation",
    "periodic_error",
    "dec_drift",
    "flexure",
    "bump",
    "dither_overlap",
    "tracking_lost",
}
"""Causes that move the star alike over the field."""


@dataclass(slots=True)
class Night:
    """A night before it is exposed.

    ``paths`` holds the main camera's path with everything and, by cause word, without it.
    """

    seed: int
    rig: Rig
    scene: Scene
    run: mount.Run
    paths: dict[str, np.ndarray]
    start: datetime
    kinds: dict[str, list[int]]

    def steps(self, k: int) -> slice:
        """Steps of the grid within an exposure."""
        first = round(float(self.scene.plan.starts[k]) / STEP)
        return slice(first, first + round(self.rig.exposure / STEP))


def choose(rng: np.random.Generator) -> list[str]:
    """Two to four kinds of trouble; at most one of those that last all night."""
    names = sorted(KINDS)
    odds = np.array([KINDS[n].odds for n in names])
    count = int(rng.integers(2, 5))
    chosen: list[str] = []
    for name in rng.choice(names, len(names), replace=False, p=odds / odds.sum()):
        whole = KINDS[name].shape == "all"
        if whole and chosen and any(KINDS[c].shape == "all" for c in chosen):
            continue
        chosen.append(str(name))
        if len(chosen) == count:
            break
    if "unguided" in chosen:
        guided = {"swing", "worm", "polar", "lost", "late", "unguided"}
        chosen = [c for c in chosen if c not in guided] + ["unguided"]
    return chosen


def plan_night(seed: int) -> Night:
    """Everything of a night but the pixels."""
    rng = np.random.default_rng([20311, seed])
    chosen = choose(rng)
    rig = draw_rig(rng, set(chosen))
    plan, forces, time = _schedule(rig, rng)
    scene = Scene(rig, rng, time, forces, plan)
    forces.push("periodic_error", mount.worm(rig, time))
    drift, turning = mount.polar(rig, time)
    forces.push("dec_drift", drift)
    plan.turning += turning
    kinds = _frames_of(chosen, rig, rng)
    for name in sorted(kinds, key=lambda n: n != "late"):
        KINDS[name].apply(scene, kinds[name])
    middle = plan.starts + 0.5 * rig.exposure
    forces.light = np.interp(time, middle, plan.passing())
    noise = mount.guide_noise(rig, len(time), rng)
    run = mount.run(rig, forces, noise)
    acting = set(forces.seen) | set(forces.unseen) | set(forces.blind)
    acting |= {"ra_oscillation"} & {"ra_oscillation" if "swing" in kinds else ""}
    acting |= {"dither_overlap"} if "late" in kinds else set()
    acting |= {"comet"} if plan.comet else set()
    paths = {w: mount.run(rig, forces, noise, w).main for w in sorted(acting)}
    hours = rng.uniform(-2.0, 4.0)
    start = datetime(2033, 1, 1, 22, tzinfo=UTC) + timedelta(
        days=int(rng.integers(0, 700)), hours=float(hours)
    )
    return Night(seed, rig, scene, run, paths, start, kinds)


def _schedule(rig: Rig, rng: np.random.Generator) -> tuple[Plan, Forces, np.ndarray]:
    """When frames start, dithers between them, a pier flip."""
    starts, dithers, flip_time, now = [], {}, None, LEAD
    readout = rng.uniform(2.5, 9.0)
    for k in range(rig.frames):
        if k:
            now += rig.exposure + readout
            if k == rig.flip_at:
                flip_time = now
                now += 170.0
            elif rig.dither_every and k % rig.dither_every == 0 and rig.guided:
                dithers[k] = now
                now += rng.uniform(40.0, 60.0)
        now = round(now / STEP) * STEP
        starts.append(now)
    n = int((now + rig.exposure + 30.0) / STEP)
    time = np.arange(n) * STEP
    forces = Forces(n)
    most = 0.55 * rig.window
    for at in dithers.values():
        size = min(rng.uniform(2.0, 10.0) * rig.scale, most) * rng.choice([0.5, 1.0])
        size = most * rng.uniform(0.5, 1.0) if rig.longest_pulse <= 0.5 else size
        angle = rng.uniform(0.0, 2 * np.pi)
        forces.lock[time >= at] += size * np.array([np.cos(angle), np.sin(angle)])
    forces.late_lock = forces.lock.copy()
    for at in starts[1:]:
        forces.centred[int((at - 1.5 - (40.0 if dithers else 0.0)) / STEP)] = 2
    flipped = np.zeros(rig.frames, bool)
    if flip_time is not None:
        flipped[rig.flip_at :] = True
        forces.idle |= (time >= flip_time) & (time < flip_time + 120.0)
        forces.centred[int((flip_time + 119.0) / STEP)] = 1
    ones = np.ones(rig.frames)
    wander = np.exp(np.cumsum(rng.normal(0.0, 0.02, rig.frames)))
    swell = wander / wander.mean() * (_airmass(rig, np.array(starts)) / 1.2) ** 0.6
    blur = rng.normal(0.0, 0.06, rig.frames) * rig.seeing / 206265.0 * rig.focal_mm * 1e3
    plan = Plan(
        np.array(starts),
        dithers,
        flipped,
        swell,
        blur * rig.f_ratio,
        0.0 * ones,
        0.0 * ones,
        ones.copy(),
        np.zeros(n),
    )
    return plan, forces, time


def _airmass(rig: Rig, time: np.ndarray) -> np.ndarray:
    hour = np.radians(rig.hour_start + SIDEREAL * time / 3600.0)
    lat, dec = np.radians(rig.latitude), np.radians(rig.declination)
    high = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
    return 1.0 / np.clip(high, 0.3, 1.0)


def _frames_of(chosen: list[str], rig: Rig, rng: np.random.Generator) -> dict[str, list[int]]:
    """Which frames each kind strikes; about half of the night stays clean."""
    n = rig.frames
    left, found = set(range(1, n)), {}
    ends = [c for c in chosen if KINDS[c].shape == "end"]
    edge = n
    for name in rng.permutation(ends):
        length = int(rng.integers(4, 8))
        begin = max(edge - length, 3)
        found[str(name)] = list(range(begin, edge))
        edge = begin - int(rng.integers(0, 3))
        left -= set(found[str(name)])
    for name in chosen:
        shape = KINDS[name].shape
        if shape == "all":
            found[name] = list(range(n))
        elif shape == "run":
            length = int(rng.integers(3, 6))
            places = [a for a in range(1, n - length) if set(range(a, a + length)) <= left]
            if places:
                begin = int(rng.choice(places))
                found[name] = list(range(begin, begin + length))
                left -= set(found[name])
        elif shape == "single" and len(left) > 6:
            count = int(rng.integers(2, 6))
            found[name] = sorted(int(k) for k in rng.choice(sorted(left), count, replace=False))
            left -= set(found[name])
    return found


def blur_of(night: Night, k: int) -> stars.Blur:
    """What one frame's starlight goes through."""
    rig, plan = night.rig, night.scene.plan
    disc = abs(plan.blur[k]) / rig.f_ratio / (rig.focal_mm * 1e3) * 206265.0
    return stars.Blur(rig.seeing * plan.swell[k] * plan.dewy[k], float(disc), float(plan.halo[k]))


def field_path(night: Night, k: int, place: np.ndarray, path: np.ndarray) -> np.ndarray:
    """Path on the sensor, px, of a star at a place (px from the guide star)."""
    plan, steps = night.scene.plan, night.steps(k)
    moved = path[steps] @ night.rig.to_pixels(bool(plan.flipped[k])).T
    turn = plan.turning[steps]
    sign = -1.0 if night.rig.mirror else 1.0
    c, s = np.cos(turn) - 1.0, sign * np.sin(turn)
    around = np.stack([c * place[0] - s * place[1], s * place[0] + c * place[1]], axis=1)
    return moved + around


def facts_of(night: Night, k: int, pivot: np.ndarray, sky: float) -> truth.Facts:
    """The true numbers of one frame."""
    rig, plan, blur = night.rig, night.scene.plan, blur_of(night, k)
    size = np.array([rig.width, rig.height], float)
    own = night.paths["comet"] if plan.comet else night.run.main
    centre = field_path(night, k, 0.5 * size - pivot, own)
    corners = [size * c - pivot for c in ((0, 0), (0, 1), (1, 0), (1, 1))]
    ways = [field_path(night, k, c, own) for c in corners]
    worst = max(ways, key=lambda p: p.var(axis=0).sum())
    to = rig.to_pixels(bool(plan.flipped[k])).T
    without = {w: p[night.steps(k)] @ to for w, p in night.paths.items() if w != "comet"}
    still = (own[night.steps(k)] - own[night.steps(k)].mean(axis=0)) @ to
    turned = centre - centre.mean(axis=0) - still
    motion = truth.own_shares(centre, {w: p + turned for w, p in without.items()})
    if plan.comet:  # what a cause takes away is counted beyond the comet's own trail
        beyond = night.run.main[night.steps(k)] @ to - still
        motion = truth.own_shares(centre, {w: p - beyond + turned for w, p in without.items()})
    flat = worst - worst.mean(axis=0)
    motion["field_rotation"] = 1.0 - still.var(axis=0).sum() / max(flat.var(axis=0).sum(), 1e-12)
    shape = truth.star_shape(rig, blur, centre)
    turns = (
        np.ptp(plan.turning[night.steps(k)]) * np.hypot(*size) > 0.05 * rig.star_width / rig.scale
    )
    corner = truth.star_shape(rig, blur, worst) if turns else shape
    glow = plan.sky()[k]
    depth = (plan.passing()[k] * (1.0 - 0.5 * plan.halo[k])) ** 2
    depth /= sky * glow * rig.exposure + rig.read_noise**2
    return truth.Facts(
        shape,
        corner,
        depth,
        plan.patch[k],
        motion,
        _swelling(night, k, centre),
        _losses(night, k, sky),
    )


def _swelling(night: Night, k: int, path: np.ndarray) -> dict[str, float]:
    """Shares of what makes the star wider than on an average frame, in squared FWHM, arcsec."""
    rig, plan, blur = night.rig, night.scene.plan, blur_of(night, k)
    usual = np.median(plan.swell)
    seen = rig.seeing**2
    parts = {
        "seeing": max(seen * (plan.swell[k] ** 2 - usual**2), 0.0),
        "dew": seen * plan.swell[k] ** 2 * (plan.dewy[k] ** 2 - 1.0 + 2.0 * plan.halo[k]),
        "focus": 0.35 * blur.disc**2,
    }
    moved = 5.55 * 0.5 * path.var(axis=0).sum() * rig.scale**2
    steps = night.steps(k)
    shares = truth.own_shares(
        night.run.main[steps], {w: p[steps] for w, p in night.paths.items() if w != "comet"}
    )
    parts |= {w: moved * max(s, 0.0) for w, s in shares.items()}
    total = sum(parts.values())
    return {w: v / max(total, 1e-12) for w, v in parts.items()}


def _losses(night: Night, k: int, sky: float) -> dict[str, float]:
    """Shares of the loss of depth, as logarithms."""
    rig, plan = night.rig, night.scene.plan
    parts = {w: 2.0 * max(v[k], 0.0) for w, v in plan.loss.items()}
    dark = rig.read_noise**2 / (sky * rig.exposure)
    for word, value in plan.glow.items():
        gained = np.log((np.exp(value[k]) + dark) / (1.0 + dark))
        parts[word] = parts.get(word, 0.0) + max(float(gained), 0.0)
    if "dew" in parts:
        parts["dew"] -= 2.0 * np.log(1.0 - 0.5 * plan.halo[k])
    total = sum(parts.values())
    return {w: v / max(total, 1e-12) for w, v in parts.items()}


def expose_frame(night, k, pivot, field, sensor, sky, rng) -> np.ndarray:
    """Counts of one frame."""
    rig, plan, blur = night.rig, night.scene.plan, blur_of(night, k)
    size = np.array([rig.width, rig.height], float)
    place = np.stack([field.x, field.y], axis=1)
    if plan.flipped[k]:
        place = size - place
        pivot = size - pivot
    path = field_path(night, k, np.zeros(2), night.run.main)
    turn = plan.turning[night.steps(k)] * (-1.0 if rig.mirror else 1.0)
    # Cells of the path keep the turn of the field apart where it matters at a corner.
    reach = np.hypot(*size) + 2.0
    keyed = path if np.ptp(turn) * reach < 0.05 else path + 7.0 * reach * turn[:, None]
    _, shares, owner = stars.gather(keyed)
    count = np.bincount(owner)
    where = np.stack([np.bincount(owner, path[:, a]) / count for a in (0, 1)], axis=1)
    turned = np.bincount(owner, turn) / count
    c, s = np.cos(turned), np.sin(turned)
    away = place - pivot
    x = pivot[0] + np.outer(away[:, 0], c) - np.outer(away[:, 1], s) + where[:, 0]
    y = pivot[1] + np.outer(away[:, 0], s) + np.outer(away[:, 1], c) + where[:, 1]
    flux = field.flux[:, None] * shares[None] * rig.exposure * plan.passing()[k]
    slope = 1.0 + plan.patch[k] * (x / rig.width - 0.5)
    at = np.stack([x.ravel(), y.ravel()], axis=1)
    light = stars.light_grid(
        rig, blur, at, (flux * np.clip(slope, 0.05, None)).ravel(), (rig.height, rig.width)
    )
    return stars.expose(rig, light, sky * plan.sky()[k] * rig.exposure, sensor, rng)


def header_of(night: Night, k: int, rng_night: dict) -> fits.Header:
    """Cards of one light frame; nights differ in how much they tell."""
    rig, plan, tells = night.rig, night.scene.plan, rng_night
    begun = night.start + timedelta(seconds=float(plan.starts[k]))
    head = fits.Header()
    head["IMAGETYP"] = "Light Frame"
    head["DATE-OBS"] = begun.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
    if tells["local"] is not None:
        here = begun + timedelta(hours=tells["local"])
        head["DATE-LOC"] = here.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
    head["EXPTIME"] = rig.exposure
    head["FILTER"] = rig.filter
    head["OBJECT"] = tells["object"]
    head["XBINNING"] = head["YBINNING"] = 1
    if tells["optics"]:
        head["XPIXSZ"] = head["YPIXSZ"] = (rig.pixel_um, "um")
        head["FOCALLEN"] = (round(rig.focal_mm, 1), "mm")
    if tells["scale"]:
        head["PIXSCALE"] = (round(rig.scale, 3), "arcsec/px")
    if tells["pier"]:
        head["PIERSIDE"] = "WEST" if plan.flipped[k] else "EAST"
    head["RA"], head["DEC"] = round(rig.right_ascension, 4), round(rig.declination, 4)
    if tells["solved"]:
        _solved(head, night, k)
    if tells["cold"] is not None:
        head["CCD-TEMP"] = -10.0
        head["AMBTEMP"] = round(tells["cold"] - 0.6 * float(plan.starts[k]) / 3600.0, 1)
    head["GAIN"], head["OFFSET"] = tells["gain"], int(rig.offset)
    return head


def _solved(head: fits.Header, night: Night, k: int) -> None:
    """A plate solution: the inverse of the camera's matrix, turned with the field."""
    rig, plan = night.rig, night.scene.plan
    turn = float(plan.turning[night.steps(k)].mean()) * (-1.0 if rig.mirror else 1.0)
    c, s = np.cos(turn), np.sin(turn)
    sky = np.linalg.inv(np.array([[c, -s], [s, c]]) @ rig.to_pixels(bool(plan.flipped[k]))) / 3600.0
    head["CTYPE1"], head["CTYPE2"] = "RA---TAN", "DEC--TAN"
    head["CRPIX1"], head["CRPIX2"] = rig.width / 2 + 0.5, rig.height / 2 + 0.5
    head["CRVAL1"], head["CRVAL2"] = rig.right_ascension, rig.declination
    head["CD1_1"], head["CD1_2"] = float(sky[0, 0]), float(sky[0, 1])
    head["CD2_1"], head["CD2_2"] = float(sky[1, 0]), float(sky[1, 1])


def samples_of(night: Night, rng: np.random.Generator) -> record.Samples:
    """The guiding record's content."""
    rig, rows, plan = night.rig, night.run.rows, night.scene.plan
    forces = night.scene.forces
    steps = rows[:, 0].astype(int)
    lost = rows[:, 5] > 0
    snr = rng.uniform(15.0, 60.0) * np.sqrt(forces.light[steps])
    snr = np.where(lost, 0.0, snr * rng.lognormal(0.0, 0.06, len(steps)))
    second = steps * STEP + rng.uniform(0.0, 0.3)
    frame = np.clip(np.searchsorted(plan.starts - 40.0, second) - 1, 0, rig.frames - 1)
    moved = np.diff(forces.late_lock, axis=0)
    dithers = [(i * STEP, *moved[i]) for i in np.flatnonzero(np.abs(moved).sum(axis=1) > 0)]
    lag = timedelta(seconds=float(rng.normal(0.0, 0.6)))
    return record.Samples(
        night.start + lag,
        second,
        rows[:, 1:3],
        rows[:, 3:5],
        lost,
        snr,
        plan.flipped[frame],
        dithers,
    )


def make_night(seed: int, out: Path) -> Path:
    """Write a night's frames, record and truth into ``out/night_SEED``."""
    night = plan_night(seed)
    rig = night.rig
    rng = np.random.default_rng([77, seed])
    folder = out / f"night_{seed}"
    folder.mkdir(parents=True, exist_ok=True)
    sky = stars.sky_rate(rig)
    field, sensor = stars.draw_field(rig, rng, sky), stars.draw_sensor(rig, rng)
    size = np.array([rig.width, rig.height], float)
    way = rng.uniform(0.0, 2 * np.pi)
    pivot = 0.5 * size + rng.uniform(0.1, 0.9) * np.hypot(*size) * np.array(
        [np.cos(way), np.sin(way)]
    )
    tells = {
        "local": float(rng.choice([-8.0, -5.0, 1.0, 2.0, 10.0])) if rng.random() < 0.3 else None,
        "optics": rng.random() < 0.7,
        "scale": rng.random() < 0.3,
        "pier": rng.random() < 0.7,
        "solved": rng.random() < 0.5,
        "cold": float(rng.uniform(-3.0, 18.0)) if rng.random() < 0.5 else None,
        "object": f"Comet {seed}" if night.scene.plan.comet else f"Field {seed % 97 + 1}",
        "gain": int(rng.integers(0, 300)),
    }
    tells["scale"] |= not tells["optics"] and rng.random() < 0.7
    facts = []
    for k in range(rig.frames):
        counts = expose_frame(night, k, pivot, field, sensor, sky, rng)
        name = folder / f"light_{k + 1:03d}.fits"
        fits.PrimaryHDU(counts, header_of(night, k, tells)).writeto(name, overwrite=True)
        mine = size - pivot if night.scene.plan.flipped[k] else pivot
        facts.append(facts_of(night, k, mine, sky))
    _write_truth(folder, night, facts)
    if rig.guided or rng.random() < 0.4:
        name, text = record.write(rig, samples_of(night, rng), rng)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def _write_truth(folder: Path, night: Night, facts: list[truth.Facts]) -> None:
    head = ["frame", "verdict", "reason", "sure", "kinds", "start_utc", "eccentricity", "fwhm_px"]
    head += ["off", "away", "corner_eccentricity", "depth", "motion"]
    with (folder / "truth.csv").open("w", encoding="utf-8", newline="") as stream:
        rows = csv.writer(stream, lineterminator="\n")
        rows.writerow(head)
        deepest = max(f.depth for f in facts)
        for k, (true, one) in enumerate(zip(truth.judge(night.rig, facts), facts, strict=True)):
            kinds = ";".join(n for n, frames in sorted(night.kinds.items()) if k in frames)
            begun = night.start + timedelta(seconds=float(night.scene.plan.starts[k]))
            shares = " ".join(f"{w}={s:.2f}" for w, s in one.motion.items() if abs(s) >= 0.05)
            shape = one.shape
            numbers = (shape.eccentricity, shape.fwhm_px, shape.off, shape.away)
            rows.writerow(
                [f"light_{k + 1:03d}.fits", true.verdict, ";".join(true.reasons)]
                + ["yes" if true.sure else "no", kinds, begun.isoformat(timespec="milliseconds")]
                + [f"{v:.4g}" for v in (*numbers, one.corner.eccentricity, one.depth / deepest)]
                + [shares]
            )
