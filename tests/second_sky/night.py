"""One night's files from its seed: expose the frames, say what is true of them, write."""

from __future__ import annotations

import csv
from datetime import timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits

from . import record, stars, truth
from .mount import STEP
from .plan import Night, plan_night


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


def header_of(night: Night, k: int, tells: dict) -> fits.Header:
    """Cards of one light frame; nights differ in how much they tell."""
    rig, plan = night.rig, night.scene.plan
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


def _told(night: Night, rng: np.random.Generator) -> dict:
    """What a night's headers tell; nights differ."""
    tells = {
        "local": float(rng.choice([-8.0, -5.0, 1.0, 2.0, 10.0])) if rng.random() < 0.3 else None,
        "optics": rng.random() < 0.7,
        "scale": rng.random() < 0.3,
        "pier": rng.random() < 0.7,
        "solved": rng.random() < 0.5,
        "cold": float(rng.uniform(-3.0, 18.0)) if rng.random() < 0.5 else None,
        "object": f"Comet {night.seed}"
        if night.scene.plan.comet
        else f"Field {night.seed % 97 + 1}",
        "gain": int(rng.integers(0, 300)),
    }
    tells["scale"] |= not tells["optics"] and rng.random() < 0.7
    return tells


def make_night(seed: int, out: Path, truth_only: bool = False) -> Path:
    """Write a night's frames, record and truth into ``out/night_SEED``; or its truth alone."""
    night = plan_night(seed)
    rig = night.rig
    rng = np.random.default_rng([77, seed])
    folder = out / f"night_{seed}"
    folder.mkdir(parents=True, exist_ok=True)
    sky = stars.sky_rate(rig)
    field, sensor = stars.draw_field(rig, rng, sky), stars.draw_sensor(rig, rng)
    size = np.array([rig.width, rig.height], float)
    way = rng.uniform(0.0, 2 * np.pi)
    away = rng.uniform(0.1, 0.9) * np.hypot(*size)
    pivot = 0.5 * size + away * np.array([np.cos(way), np.sin(way)])
    flipped = night.scene.plan.flipped
    pivots = [size - pivot if f else pivot for f in flipped]
    _write_truth(folder, night, [facts_of(night, k, p, sky) for k, p in enumerate(pivots)])
    if truth_only:
        return folder
    for old in (*folder.glob("light_*.fits"), *folder.glob("guiding.*")):
        old.unlink()
    tells = _told(night, rng)
    for k in range(rig.frames):
        counts = expose_frame(night, k, pivot, field, sensor, sky, rng)
        name = folder / f"light_{k + 1:03d}.fits"
        fits.PrimaryHDU(counts, header_of(night, k, tells)).writeto(name, overwrite=True)
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
