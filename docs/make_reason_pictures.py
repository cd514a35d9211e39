"""Make the pictures and sentences of the pages in ``docs/reasons`` again.

Run from the repository, with subgrade installed: ``python docs/make_reason_pictures.py``,
or with some reason words behind it for these alone.  For every word a small practice night
with that one fault is rendered and graded with its guiding record.  The picture shows a typical
frame on the left and the affected one on the right, above a star of each; the sentence that
``grade`` wrote goes into the page.  It ends with an error if ``grade`` names another reason.
"""

from __future__ import annotations

import re
import sys
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

from subgrade.lights import read_light
from subgrade.pipeline import Settings, grade
from subgrade.practice import Event, Scenario, simulate_night
from subgrade.practice.scenario import Air, Camera, Mount, Optics, Plan, Site, Target

ROOT = Path(__file__).resolve().parents[1]
PAGES = ROOT / "docs" / "reasons"
PICTURES = ROOT / "docs" / "pictures" / "reasons"

CROP, STAR, ZOOM, GAP = 180, 36, 5, 4
"""Sides of the cut from the frame and of the star's cut-out, px; enlargement; white gap."""
GREYS = 16


@dataclass(frozen=True)
class Example:
    """A night with one fault.

    Attributes
    ----------
    seed : int
        Of the night; any number.
    events : tuple of Event
    frame, usual : int
        The frame shown and the one it is held against, from 1.
    parts : dict
        Settings of the practice night that differ.
    field : bool
        Show stars from nine places of the frame in place of one.
    star : int
        Side of the star's cut-out, px.
    damage : callable or None
        Changes the affected frame's pixels, stored as whole numbers, before it is graded.
    keep : float or None
        Share of the passing time that is kept.
    """

    seed: int
    events: tuple[Event, ...] = ()
    frame: int = 6
    usual: int = 2
    parts: dict = field(default_factory=dict)
    field: bool = False
    star: int = STAR
    frames: int = 12
    damage: Callable[[np.ndarray], None] | None = None
    keep: float | None = None


def lost_rows(stored: np.ndarray) -> None:
    """Give the last 45 % of the pixels one value, as a copy that broke off leaves them."""
    stored.ravel()[-int(0.45 * stored.size) :] = 0


def damage_file(path: Path, damage: Callable[[np.ndarray], None]) -> None:
    """Change the pixels of a plain 16-bit FITS file in place."""
    with fits.open(path, mode="update", do_not_scale_image_data=True) as units:
        damage(units[0].data)


def one(cause: str, first: int = 6, last: int = 6, **more) -> tuple[Event, ...]:
    return (Event(cause, first, last, **more),)


EXAMPLES = {
    "wind_trail": Example(
        900, one("wind_trail", size=11.0, angle_deg=75.0, at=0.3, duration_s=50.0)
    ),
    "ra_oscillation": Example(901, one("ra_oscillation", size=2.04)),
    "periodic_error": Example(902, one("periodic_error", size=0.03)),
    "dec_drift": Example(903, one("dec_drift", 5, 8)),
    "field_rotation": Example(904, one("field_rotation", 5, 7, size=20.0), field=True),
    "flexure": Example(905, one("flexure", size=6.0, angle_deg=320.0)),
    "tracking_lost": Example(
        906, one("tracking_lost", kind="slipping", size=0.03, at=0.15, duration_s=100.0), star=90
    ),
    "bump": Example(907, one("bump", size=7.0, angle_deg=20.0, at=0.4)),
    "dither_overlap": Example(
        908, one("dither_overlap", 7, 7, size=26.0, at=0.07), frame=7, star=90
    ),
    "cloud": Example(909, one("cloud", 6, 7, size=0.65)),
    "dew": Example(910, one("dew", 4, 12, size=0.75, ramp=True), frame=12),
    "sky_glow": Example(911, one("sky_glow", 9, 12, size=8.0, ramp=True), frame=12),
    "focus": Example(912, one("focus", 5, 8, size=420.0, ramp=True), frame=8),
    "seeing": Example(913, one("seeing", size=1.7)),
    "tilt_or_coma": Example(
        914,
        frame=6,
        field=True,
        parts={"optics": Optics(coma_um=120.0)},
    ),
    "satellite_trail": Example(915, one("satellite_trail", size=160.0)),
    "few_stars": Example(
        916, one("cloud", size=0.97), parts={"target": Target(stars_per_arcmin2=0.08, galaxies=0)}
    ),
    "wrong_frame": Example(917, one("wrong_frame", size=0.25)),
    "unreadable": Example(918, one("unreadable")),
    "incomplete": Example(919, damage=lost_rows),
    "surplus": Example(920, one("seeing", size=1.12), keep=0.9),
}


def scenario(example: Example) -> Scenario:
    """An invented set-up at 0.94 arcsec a pixel; only the example's fault is at work."""
    night = Scenario(
        seed=example.seed,
        plan=Plan(frames=example.frames, dither_arcsec=3.0),
        site=Site(),
        target=Target(stars_per_arcmin2=5.0),
        camera=Camera(width=480, height=400, angle_deg=24.0),
        air=Air(seeing_arcsec=2.5),
        mount=Mount(worm_arcsec=4.5, worm_second=0.15, pole_high_arcmin=7.0, pole_east_arcmin=8.0),
        events=example.events,
    )
    return replace(night, **example.parts)


def made(word: str, example: Example) -> str:
    """Render, grade and draw one example; the sentence of the frame shown."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lights"
        simulate_night(folder, scenario(example))
        if example.damage is not None:
            damage_file(sorted(folder.glob("*.fits"))[example.frame - 1], example.damage)
        graded = grade(
            Settings(
                (str(folder),),
                str(Path(name) / "graded"),
                workers=1,
                guide=(str(folder / "guiding.csv"),),
                report=False,
                keep=example.keep,
            )
        )
        by_number = {int(re.search(r"\d+", f.name)[0]): f for f in graded.frames}
        shown, usual = by_number[example.frame], by_number[example.usual]
        verdict = shown.judgement
        if verdict.reasons[:1] != (word,):
            raise SystemExit(f"{word}: graded as {verdict.reasons}: {verdict.explanation}")
        pixels = [_pixels(f.path) for f in (usual, shown)]
        picture(PICTURES / f"{word}.png", pixels, usual.stars, shown.stars, example)
        return verdict.explanation.replace(str(folder), "lights")


def _pixels(path: Path) -> np.ndarray:
    """Counts of a frame; of a damaged file the rows that are there, the others NaN."""
    try:
        return read_light(path).pixels.physical().astype(float)
    except Exception:
        raw = path.read_bytes()
        head = 2880 * (raw.index(b"END" + b" " * 77) // 2880 + 1)
        size = [int(re.search(rf"NAXIS{n} *= *(\d+)".encode(), raw)[1]) for n in (2, 1)]
        words = np.frombuffer(raw[head : head + (len(raw) - head) // 2 * 2], ">i2")
        whole = np.full(size[0] * size[1], np.nan)
        whole[: len(words)] = words[: len(whole)] + 32768.0
        return whole.reshape(size)


def picture(path: Path, pixels, usual, shown, example: Example) -> None:
    """Two cuts from the frames above two stars, in grey, with +y up."""
    sky = float(np.nanmedian(pixels[0]))
    noise = 1.4826 * float(np.nanmedian(np.abs(pixels[0] - sky)))
    places = _lone(usual, pixels[0], example.star)
    peak = float(np.max(_window(pixels[0], *places[0], 8))) - sky
    rows = []
    for image, stars in zip(pixels, (usual, shown), strict=True):
        x, y = (image.shape[1] - CROP) // 2, (image.shape[0] - CROP) // 2
        cut = _grey(image[y : y + CROP, x : x + CROP] - sky, 8 * noise, 200 * noise)
        own = float(np.nanmedian(image))
        if example.field:
            below = _nine(image, _lone(stars, image, 20)[:80], own)
        else:
            below = _star(image, places[0], peak, own, example.star)
        rows.append(np.vstack([cut, _white(GAP, CROP), below]))
    whole = np.hstack([rows[0], _white(rows[0].shape[0], GAP), rows[1]])
    grey = np.round(whole * (GREYS - 1)) * (255 / (GREYS - 1))
    Image.fromarray(grey.round().astype(np.uint8)).save(path, optimize=True)


def _white(height: int, width: int) -> np.ndarray:
    return np.ones((height, width))


def _grey(values: np.ndarray, soft: float, top: float) -> np.ndarray:
    """0 to 1 by asinh of counts over the sky; what the file does not hold is white."""
    scaled = np.arcsinh(values / soft) / np.arcsinh(top / soft)
    return np.nan_to_num(np.clip(0.12 + 0.88 * scaled[::-1], 0.0, 1.0), nan=1.0)


def _star(image: np.ndarray, at: tuple[float, float], peak: float, sky: float, side: int):
    """One star enlarged; the same place and scale in both frames."""
    cut = _window(image, *at, side) - sky
    return np.kron(_grey(cut, 0.1 * peak, peak), np.ones((CROP // side,) * 2))


def _nine(image: np.ndarray, places, sky: float) -> np.ndarray:
    """One star from each ninth of the frame, each as bright as the others."""
    side, (height, width) = 20, image.shape
    bands = []
    for v in (5 / 6, 1 / 2, 1 / 6):
        band = []
        for u in (1 / 6, 1 / 2, 5 / 6):
            near = sorted(places, key=lambda p: np.hypot(p[0] / width - u, p[1] / height - v))
            cut = max((_window(image, *p, side) - sky for p in near[:4]), key=np.max)
            band.append(np.kron(_grey(cut, 0.2 * cut.max(), cut.max()), np.ones((3, 3))))
        bands.append(np.hstack(band))
    return np.vstack(bands)


def _lone(stars, image: np.ndarray, side: int) -> list[tuple[float, float]]:
    """Places of bright stars without a neighbour as bright, the best first."""
    c = stars.catalogue
    good = np.asarray(c.is_star) & (np.asarray(c.snr) > 15)
    x, y, flux = (np.asarray(v, float)[good] for v in (c.x, c.y, c.flux))
    half, reach, found = side / 2 + 1, 0.6 * min(side, STAR), []
    for k in np.argsort(-flux):
        inside = half < x[k] < image.shape[1] - half and half < y[k] < image.shape[0] - half
        near = np.hypot(x - x[k], y - y[k]) < reach
        near[k] = False
        if inside and not (near & (flux > 0.05 * flux[k])).any():
            found.append((_lopsided(image, x[k], y[k]), float(x[k]), float(y[k])))
    best = sorted(found[:10]) + found[10:]
    return [(a, b) for _, a, b in best] or [(image.shape[1] / 2, image.shape[0] / 2)]


def _lopsided(image: np.ndarray, x: float, y: float) -> float:
    """How far a star's cut-out differs from itself turned by half: two stars in one do."""
    row, column = round(y), round(x)
    cut = image[row - 9 : row + 10, column - 9 : column + 10]
    cut = cut - np.median(image)
    return float(np.abs(cut - cut[::-1, ::-1]).sum() / np.abs(cut).sum()) if cut.size == 361 else 9


def _window(image: np.ndarray, x: float, y: float, side: int) -> np.ndarray:
    row, column = round(y) - side // 2, round(x) - side // 2
    return image[row : row + side, column : column + side]


def put_into_page(word: str, sentence: str) -> None:
    """Lay the sentence over the one between the marks of the word's page."""
    page = PAGES / f"{word}.md"
    if not page.exists():
        return
    text = page.read_text(encoding="utf-8")
    fresh = f"<!-- example -->\n> {sentence}\n<!-- end -->"
    page.write_text(
        re.sub(r"<!-- example -->.*?<!-- end -->", lambda _: fresh, text, flags=re.DOTALL),
        encoding="utf-8",
    )


def main(words: list[str]) -> None:
    PICTURES.mkdir(parents=True, exist_ok=True)
    for word, example in EXAMPLES.items():
        if words and word not in words:
            continue
        sentence = made(word, example)
        put_into_page(word, sentence)
        print(f"{word}: {sentence}", flush=True)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    main(sys.argv[1:])
