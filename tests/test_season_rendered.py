"""Three small rendered nights of one field, graded and tied, against how they were rendered.

Stars are Moffat (beta 3) drawn with numpy; ratios, forecast widths and S/N are held against the
rendering and against a stack really made of the same pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from subgrade.cli import main
from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.season.season import season_of
from subgrade.season.write import write_season
from subgrade.stars import measure_stars

pytestmark = pytest.mark.slow
SIDE = 320
MARGIN = 12
STARS = 130
FRAMES = 7


@dataclass(frozen=True)
class Camera:
    """How one night recorded the field."""

    day: int
    exposure_s: float
    electrons_per_adu: float
    clear: float
    fwhm: float
    sky_e_per_s: float
    half_turn: bool = False

    @property
    def counts(self) -> float:
        """Recorded of one electron a second outside the air."""
        return self.clear * self.exposure_s / self.electrons_per_adu


NIGHTS = (
    Camera(1, 60.0, 1.0, 1.0, 3.0, 20.0),
    Camera(4, 120.0, 0.5, 0.8, 3.9, 26.0, half_turn=True),
    Camera(9, 30.0, 2.0, 0.6, 3.3, 90.0),
)


def field() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places and electrons a second of the true stars."""
    rng = np.random.default_rng(21)
    x, y = rng.uniform(MARGIN, SIDE - MARGIN, (2, STARS))
    return x, y, 10 ** rng.uniform(2.0, 3.7, STARS)


def exposed(camera: Camera, light: float, shift: tuple[int, int], rng) -> np.ndarray:
    """One frame, ADU."""
    x, y, rate = field()
    rows, columns = np.mgrid[:SIDE, :SIDE]
    alpha2 = (camera.fwhm / 2) ** 2 / (2 ** (1 / 3) - 1)
    image = np.zeros((SIDE, SIDE))
    for a, b, r in zip(x + shift[0], y + shift[1], rate, strict=True):
        # (beta - 1) / (pi alpha^2) normalises a Moffat (Moffat 1969, A&A 3, 455)
        distance2 = (columns - a) ** 2 + (rows - b) ** 2
        image += r * 2 / (np.pi * alpha2) * (1 + distance2 / alpha2) ** -3
    electrons = camera.exposure_s * (image * camera.clear * light + camera.sky_e_per_s)
    seen = rng.poisson(electrons) + rng.normal(0, 3.0, image.shape)
    seen = seen[::-1, ::-1] if camera.half_turn else seen
    return seen / camera.electrons_per_adu + 500


def night(folder: Path, number: int, camera: Camera) -> list[tuple[np.ndarray, float, tuple]]:
    """Write a night's frames; their pixels, light and shift."""
    rng = np.random.default_rng(100 + number)
    folder.mkdir(parents=True)
    made = []
    for k in range(FRAMES):
        light = 0.75 if k == 2 else 1.0
        shift = (int(rng.integers(-4, 5)), int(rng.integers(-4, 5)))
        pixels = np.clip(exposed(camera, light, shift, rng).round(), 0, 65535).astype(np.uint16)
        start = datetime(2031, 3, camera.day, 20, tzinfo=UTC) + timedelta(seconds=150 * k)
        cards = {
            "OBJECT": ("NGC 1", "ngc1", "NGC 1 ")[number],
            "FILTER": "L",
            "EXPTIME": camera.exposure_s,
            "IMAGETYP": "LIGHT",
            "DATE-OBS": start.replace(tzinfo=None).isoformat(timespec="milliseconds"),
            "XPIXSZ": 3.76,
            "FOCALLEN": 776.0,
            "GAIN": 100.0 * number,
        }
        hdu = fits.PrimaryHDU(pixels, fits.Header(cards))
        hdu.writeto(folder / f"light_{k}.fits")
        made.append((pixels.astype(float) - 500, light, shift))
    return made


@pytest.fixture(name="season", scope="module")
def season_of_three(tmp_path_factory):
    root = tmp_path_factory.mktemp("season")
    results, frames = [], []
    for number, camera in enumerate(NIGHTS):
        subs, out = root / f"subs_{number}", root / f"graded_{number}"
        frames.append(night(subs, number, camera))
        with pytest.raises(SystemExit) as left:
            main(["grade", str(subs), "--out", str(out), "--workers", "1", "--no-report"])
        assert left.value.code == 0
        results.append(out)
    return root, season_of(results), frames


def test_ratios_are_as_rendered(season):
    _, season, _ = season
    assert len(season.ties) == 3
    assert len(season.stacks) == 1
    reference = next(tie for tie in season.ties if tie.error == 0)
    for tie in season.ties:
        truth = NIGHTS[tie.night].counts / NIGHTS[reference.night].counts
        assert tie.ratio == pytest.approx(truth, rel=0.02)
        assert abs(tie.ratio - truth) < 4 * max(tie.error, 1e-9)
        assert tie.scale == pytest.approx(1, abs=1e-3)


def test_files_are_written_beside_no_results(season):
    root, season, _ = season
    write_season(season, root / "nights")
    kept = sum(int(night.frames.kept.sum()) for night in season.nights)
    lines = (root / "nights" / "weights.csv").read_text("utf-8").splitlines()
    assert len(lines) == kept + 1
    assert lines[0] == "frame,weight,target,filter,night"


def aligned(pixels: np.ndarray, camera: Camera, shift) -> np.ndarray:
    """A frame as it lies on the field, margins cut."""
    pixels = pixels[::-1, ::-1] if camera.half_turn else pixels
    a, b = shift
    return pixels[MARGIN + b : SIDE - MARGIN + b, MARGIN + a : SIDE - MARGIN + a]


def stacked(season, frames, weighted: bool, nights=(0, 1, 2)) -> tuple[float, float]:
    """Width, and S/N of a faint star but for a factor, of a stack really made."""
    weights = {(w.night, w.frame): w.weight for w in season.weights}
    total, share = 0.0, 0.0
    for n in nights:
        for k, (pixels, light, shift) in enumerate(frames[n]):
            weight = weights.get((n, f"light_{k}.fits"))
            if weight is None:
                continue
            weight = weight if weighted else 1.0
            starlight = NIGHTS[n].counts * light
            here = aligned(pixels, NIGHTS[n], shift) / starlight
            total, share = total + weight * here, share + weight
    image = (1e3 * total / share + 2000).astype(np.float32)
    found = measure_stars(Pixels(image), HeaderFacts())
    # the noise within a star's area, of a stack scaled to equal light
    return found.fwhm_px, 1 / (found.noise_adu * found.fwhm_px)


@pytest.mark.parametrize("weighted", [False, True])
def test_a_stack_really_made_is_as_forecast(season, weighted):
    _, season, frames = season
    stack = season.stacks[0]
    scale = season.nights[0].series[0].setup.scale_arcsec
    width, snr = stacked(season, frames, weighted)
    forecast = stack.fwhm if weighted else stack.plain_fwhm
    assert forecast / scale == pytest.approx(width, rel=0.02)
    part = next(p for p in stack.parts if p.night == 2)
    if not weighted:
        without, snr_without = stacked(season, frames, weighted, (0, 1))
        assert part.fwhm_without / scale == pytest.approx(without, rel=0.02)
        assert part.snr_without == pytest.approx(snr_without / snr, rel=0.05)
    else:
        plain = stacked(season, frames, False)[1]
        assert stack.snr / stack.plain_snr == pytest.approx(snr / plain, rel=0.05)
