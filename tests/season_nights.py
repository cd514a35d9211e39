"""RESULTS folders of many nights made from star positions and numbers, nothing rendered.

A `Sky` holds true stars, a `Plan` what one series of a night saw of it; `write_night` leaves what
`subgrade grade` would: session.json and the kept measurements. All errors are drawn as a camera's
sky noise gives them, so that whatever is worked out can be held against the truth in the plan.

"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np

from subgrade.lights.model import HeaderFacts
from subgrade.measuring import measurement_cache
from subgrade.night.weights import sky_limited_weights
from subgrade.results.columns import COLUMNS
from subgrade.results.file_identity import FileIdentity
from subgrade.settings import Settings, asked_for
from subgrade.stars.model import FrameStars, StarList

NEA = 2.266180
"""Noise-equivalent area of a Gaussian star, FWHM²."""
IMAGE_ERROR = 0.035
"""Relative error that all fluxes of a night share, with one star in its frames' star images; it
falls with the root of their number (docs/comparing.md)."""
MOST_IN_IMAGE = 100


@dataclass(frozen=True)
class Sky:
    """True stars: places (arcsec, east + i north of the field's centre) and counts a second."""

    place: np.ndarray
    rate: np.ndarray

    @classmethod
    def random(cls, seed: int = 0, stars: int = 1200, width: float = 4000.0) -> Sky:
        """Stars all over a square of a width (arcsec), bright ones rare as in the sky."""
        rng = np.random.default_rng(seed)
        place = (rng.uniform(-0.5, 0.5, stars) + 1j * rng.uniform(-0.5, 0.5, stars)) * width
        # counts of stars brighter than f go as f^-1 (about that of the Milky Way's faint ones)
        rate = 8.0 / rng.uniform(1 / 400, 1.0, stars)
        return cls(place, rate)


@dataclass(frozen=True)
class Plan:
    """Frames of one night taken alike. Arrays have one entry a frame; numbers hold for all.

    ``ratio`` is the counts recorded per true count in a clear frame, ``colour`` how much that
    scatters from star to star (relative), alike in all plans of one value; ``transparency`` the
    truth of each frame, which session.json states with ``transparency_error``; ``rejects`` reason
    words by frame.
    """

    start: str = "2030-03-17T20:00:00Z"
    frames: int = 20
    cadence_s: float | None = None
    target: str | None = "NGC 7000"
    filter: str | None = "L"
    exposure_s: float | None = 120.0
    camera: str | None = None
    gain: float | None = None
    binning: tuple[int, int] = (1, 1)
    scale: float | None = 1.5
    true_scale: float | None = None
    shape: tuple[int, int] = (1000, 1200)
    ratio: float = 1.0
    colour: float = 0.0
    centre: complex = 0j
    turn_deg: float = 0.0
    mirrored: bool = False
    dither_px: float = 8.0
    transparency: float | Sequence[float] = 1.0
    transparency_error: float = 0.002
    fwhm_arcsec: float | Sequence[float] = 3.0
    fwhm_scatter: float = 0.03
    eccentricity: float | Sequence[float] = 0.25
    angle_deg: float | Sequence[float] = 30.0
    noise_adu: float | Sequence[float] = 12.0
    background_adu: float | Sequence[float] = 900.0
    guide_rms: tuple[float, float] | None = None
    airmass: float | Sequence[float] | None = None
    site: tuple[float, float] | None = None
    radec: tuple[float, float] | None = None
    rejects: Mapping[int, str] = field(default_factory=dict)
    prefix: str = "light"
    trends: dict | None = None


@dataclass(frozen=True)
class _Made:
    """One frame as measured."""

    facts: HeaderFacts
    stars: FrameStars
    transparency: float
    start: float
    verdict: str
    reason: str


def write_night(
    folder: Path,
    plans: Sequence[Plan],
    sky: Sky,
    seed: int = 0,
    subs: Path | None = None,
    written: str = "2030-04-01T00:00:00Z",
    measured: bool = True,
    culled: Sequence[str] = (),
    evidence: Sequence[dict] = (),
    **record,
) -> Path:
    """Write a RESULTS folder.

    Parameters
    ----------
    folder : Path
        RESULTS, made.
    plans : sequence of Plan
        One a group.
    sky : Sky
    seed : int
        Of all errors.
    subs : Path, optional
        Where the subs are said to lie; none is there.
    written : str
        When it was graded.
    measured : bool
        Whether measurements are kept.
    culled : sequence of str
        Names of frames that a cull moved away before this grade.
    evidence : sequence of dict
        Of every frame.
    **record
        Keys of session.json that replace the default ones, as ``guiding``, ``diagnosis``.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    subs = subs or folder.parent / f"{folder.name}_subs"
    rng = np.random.default_rng(seed)
    settings = Settings((str(subs),), str(folder))
    cache = measurement_cache(settings)
    frames = []
    for group, plan in enumerate(plans):
        for k, made in enumerate(_frames(plan, sky, rng)):
            name = f"{plan.prefix}_{group + 1}_{k + 1:03d}.fits"
            frames.append(
                _frame(name, subs, group, made, seed, plan) | {"evidence": list(evidence)}
            )
            if measured:
                content = frames[-1]["identity"]["content"]
                cache.save(cache.key("", FileIdentity(0, 0, content)), made.facts, made.stars)
        _weigh([f for f in frames if f["group"] == group])
    frames.sort(key=lambda f: f["values"]["start_utc"] or "")
    away = [f for f in frames if f["values"]["frame"] in culled]
    here = [f for f in frames if f["values"]["frame"] not in culled]
    session = {
        "format": 1,
        "program": {"name": "subgrade", "version": "test"},
        "written_utc": written,
        "folder": str(subs),
        "run_in": str(folder.parent),
        "settings": asked_for(settings),
        "limits": {},
        "totals": _totals(here),
        "causes": _causes(here),
        "groups": [_group(plan, k, here) for k, plan in enumerate(plans)],
        "guiding": None,
        "night": {
            "clear_from": 0.85,
            "groups": [
                {"label": _label(plan), "trends": plan.trends, "frames": plan.frames}
                for plan in plans
            ],
        },
        "choice": {},
        "diagnosis": None,
        "remarks": [],
        "teaching": None,
        "marks": None,
        "frames": here,
        "culled": [
            {
                "frame": f["values"]["frame"],
                "path": f["path"],
                "place": str(subs.parent / "culled" / f["values"]["frame"]),
                "record": f,
            }
            for f in away
        ],
        "problems": [],
    } | record
    text = json.dumps(session, allow_nan=False)
    (folder / "session.json").write_text(text, encoding="utf-8")
    return folder


def finding(topic: str, reason: str = "", sentence: str = "", advice=(), frames=(), **numbers):
    """One finding of a diagnosis as session.json has it.

    ``numbers`` are name to (value, error, unit); underscores in names become blanks. ``advice``
    are (action, because) pairs.
    """
    return {
        "topic": topic,
        "reason": reason,
        "sentence": sentence or f"{topic}.",
        "numbers": [
            {"name": name.replace("_", " "), "value": value, "error": error, "unit": unit}
            for name, (value, error, unit) in numbers.items()
        ],
        "evidence": [],
        "sureness": 0.9,
        "sure": "sure",
        "frames": list(frames),
        "spans": [],
        "cost_s": 0.0,
        "advice": [
            {"action": action, "because": because, "caution": ""} for action, because in advice
        ],
    }


def diagnosis(*findings: dict) -> dict:
    """A diagnosis of these findings, with the advice that they give."""
    advice = [
        {"topic": f["topic"], "saves_s": f["cost_s"], "sureness": 0.9, "frames": f["frames"]}
        | {"saves": ""}
        | given
        for f in findings
        for given in f["advice"]
    ]
    return {"summary": "", "losses": [], "findings": list(findings), "advice": advice}


def _frames(plan: Plan, sky: Sky, rng) -> list[_Made]:
    start = datetime.datetime.fromisoformat(plan.start).timestamp()
    step = plan.cadence_s or (plan.exposure_s or 60.0) + 10.0
    image = rng.normal()
    return [_made(plan, sky, rng, k, start + k * step, image) for k in range(plan.frames)]


def _of(value, k: int):
    return value if value is None or np.isscalar(value) else value[k]


def _made(plan: Plan, sky: Sky, rng, k: int, start: float, image: float) -> _Made:
    scale = plan.true_scale or plan.scale or 1.5
    light = _of(plan.transparency, k)
    noise = float(_of(plan.noise_adu, k))
    fwhm = _of(plan.fwhm_arcsec, k) / scale * float(np.exp(plan.fwhm_scatter * rng.normal()))
    colour = np.random.default_rng(8).normal(size=len(sky.rate))
    flux = sky.rate * (plan.exposure_s or 60.0) * plan.ratio * light
    flux = flux * (1 + plan.colour * np.clip(colour, -3, 3))
    sigma = noise * fwhm * np.sqrt(NEA)
    noisy = flux + sigma * rng.normal(size=len(flux))
    z = (sky.place - plan.centre) / scale * np.exp(1j * np.radians(plan.turn_deg))
    z = np.conj(z) if plan.mirrored else z
    dither = plan.dither_px * (rng.normal() + 1j * rng.normal())
    z = z + (plan.shape[1] - 1) / 2 + 1j * (plan.shape[0] - 1) / 2 + dither
    z = z + 0.3 * sigma / np.maximum(flux, sigma) * (
        rng.normal(size=len(z)) + 1j * rng.normal(size=len(z))
    )
    inside = (z.real > 3) & (z.real < plan.shape[1] - 4)
    inside &= (z.imag > 3) & (z.imag < plan.shape[0] - 4)
    count = int((inside & (noisy > 5 * sigma)).sum())
    seen = noisy * (1 + IMAGE_ERROR * image / np.sqrt(np.clip(count, 1, MOST_IN_IMAGE)))
    found = np.flatnonzero(inside & (seen > 5 * sigma))
    found = found[np.argsort(-seen[found])]
    moments = _moments(fwhm, _of(plan.eccentricity, k), _of(plan.angle_deg, k))
    stars = _stars(plan, z[found], seen[found], sigma, fwhm, moments, noise, k)
    word = plan.rejects.get(k, "")
    stated = light * (1 + plan.transparency_error * rng.normal())
    return _Made(
        _facts(plan, k, start), stars, float(stated), start, "reject" if word else "keep", word
    )


def _moments(fwhm: float, eccentricity: float, angle_deg: float) -> tuple[float, float, float]:
    q, t = np.sqrt(1 - eccentricity**2), np.radians(angle_deg)
    a, b = (fwhm / 2.3548) ** 2 / q, (fwhm / 2.3548) ** 2 * q
    return (
        a * np.cos(t) ** 2 + b * np.sin(t) ** 2,
        a * np.sin(t) ** 2 + b * np.cos(t) ** 2,
        (a - b) * np.sin(t) * np.cos(t),
    )


def _stars(plan: Plan, z, flux, sigma, fwhm, moments, noise, k: int) -> FrameStars:
    n, sky = len(z), float(_of(plan.background_adu, k))
    catalogue = StarList(
        z.real.copy(),
        z.imag.copy(),
        flux.astype(np.float32),
        (flux / sigma).astype(np.float32),
        (flux / fwhm**2).astype(np.float32),
        *(np.full(n, m, np.float32) for m in moments),
        np.zeros(n, np.uint16),
    )
    return FrameStars(
        plan.shape[1],
        plan.shape[0],
        sky,
        noise,
        np.full((4, 4), sky, np.float32),
        256,
        n,
        5.0,
        fwhm_px=fwhm,
        fwhm_error_px=0.01,
        fwhm_method="image",
        eccentricity=float(_of(plan.eccentricity, k)),
        eccentricity_error=0.01,
        angle_deg=float(_of(plan.angle_deg, k)) % 180,
        xx=moments[0],
        yy=moments[1],
        xy=moments[2],
        shape_status="measured",
        stars_in_shape=min(n, MOST_IN_IMAGE),
        catalogue=catalogue,
    )


def _facts(plan: Plan, k: int, start: float) -> HeaderFacts:
    lat, lon = plan.site or (None, None)
    ra, dec = plan.radec or (None, None)
    return HeaderFacts(
        frame_type_stated=True,
        target=plan.target,
        filter=plan.filter,
        exposure_s=plan.exposure_s,
        start_utc=_utc(start),
        mid_utc=_utc(start + (plan.exposure_s or 0) / 2),
        start_unix=start,
        mid_unix=start + (plan.exposure_s or 0) / 2,
        camera=plan.camera,
        gain=plan.gain,
        binning=plan.binning,
        airmass=_of(plan.airmass, k),
        site_lat_deg=lat,
        site_lon_deg=lon,
        ra_deg=ra,
        dec_deg=dec,
        scale_arcsec=plan.scale,
        scale_source="header" if plan.scale else None,
    )


def _frame(name: str, subs: Path, group: int, made: _Made, seed: int, plan: Plan) -> dict:
    """What session.json holds of one frame."""
    facts, stars = made.facts, made.stars
    guide = plan.guide_rms or (None, None)
    known = {
        "frame": name,
        "verdict": made.verdict,
        "reasons": made.reason or None,
        "explanation": "Made.",
        "confidence": 0.9,
        "target": facts.target,
        "filter": facts.filter,
        "exposure_s": facts.exposure_s,
        "start_utc": facts.start_utc,
        "mid_utc": facts.mid_utc,
        "stars": stars.stars,
        "fwhm_px": round(stars.fwhm_px, 3),
        "fwhm_arcsec": round(stars.fwhm_px * facts.scale_arcsec, 3) if facts.scale_arcsec else None,
        "eccentricity": round(stars.eccentricity, 4),
        "eccentricity_error": 0.01,
        "angle_deg": round(stars.angle_deg, 2),
        "background_adu": round(stars.background_adu, 2),
        "noise_adu": round(stars.noise_adu, 3),
        "transparency": round(made.transparency, 4),
        "guide_rms_ra_arcsec": guide[0],
        "guide_rms_dec_arcsec": guide[1],
    }
    identity = FileIdentity(1, int(made.start * 1e9), f"{seed}-{subs}-{name}")
    return {
        "values": {c.name: known.get(c.name) for c in COLUMNS},
        "path": str(subs / name),
        "identity": asdict(identity),
        "group": group,
        "scale_arcsec": facts.scale_arcsec,
        "shape_status": "measured",
        "notes": [],
        "guiding": None,
        "evidence": [],
    }


def _weigh(frames: list[dict]) -> None:
    """Weights as a night's own results have them."""
    kept = [f["values"] for f in frames if f["values"]["verdict"] == "keep"]
    names = ("transparency", "noise_adu", "fwhm_px")
    weights = sky_limited_weights(*([v[n] for v in kept] for n in names)) if kept else []
    for frame in frames:
        frame["values"]["weight"] = 0.0
    for values, weight in zip(kept, weights, strict=True):
        values["weight"] = round(float(weight), 4)


def _label(plan: Plan) -> str:
    return ", ".join(filter(None, (plan.target, plan.filter, f"{plan.exposure_s:g} s")))


def _group(plan: Plan, k: int, frames: list[dict]) -> dict:
    mine = [f for f in frames if f["group"] == k]
    return {
        "label": _label(plan),
        "target": plan.target,
        "filter": plan.filter,
        "exposure_s": plan.exposure_s,
        "frames": len(mine),
        "kept": sum(f["values"]["verdict"] == "keep" for f in mine),
        "usual": {},
    }


def _totals(frames: list[dict]) -> dict:
    values = [f["values"] for f in frames]
    kept = [v for v in values if v["verdict"] == "keep"]
    lost = [v for v in values if v["verdict"] != "keep"]
    return {
        "frames": len(values),
        "kept": len(kept),
        "rejected": len(lost),
        "surplus": 0,
        "unreadable": 0,
        "kept_s": sum(v["exposure_s"] or 0 for v in kept),
        "lost_s": sum(v["exposure_s"] or 0 for v in lost),
        "surplus_s": 0.0,
    }


def _causes(frames: list[dict]) -> list[dict]:
    lost: dict[str, list[dict]] = {}
    for f in frames:
        if f["values"]["verdict"] != "keep":
            lost.setdefault(f["values"]["reasons"], []).append(f["values"])
    return [
        {
            "reason": word,
            "text": word.replace("_", " "),
            "frames": len(values),
            "lost_s": sum(v["exposure_s"] or 0 for v in values),
        }
        for word, values in lost.items()
    ]


def _utc(moment: float) -> str:
    found = datetime.datetime.fromtimestamp(moment, datetime.UTC)
    return f"{found:%Y-%m-%dT%H:%M:%S}.{found.microsecond // 1000:03d}Z"
