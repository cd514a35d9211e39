"""Stars near the size of a pixel, on mosaics and without: widths against GalSim."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.stars import measure_stars
from subgrade.stars.joint_fit import joint_fit
from subgrade.stars.prepared_frame import first_view
from subgrade.stars.raster import Stamps
from tests.accuracy_cases import axial_difference
from tests.render import Scene, StarShape, render

SMALL = {"width": 1200, "height": 900}


def measured(shape: StarShape, scene: Scene):
    frame = render(shape, scene)
    facts = HeaderFacts(mosaic=frame.mosaic) if frame.mosaic else None
    return frame, measure_stars(Pixels(frame.data, integer=True), facts)


@pytest.mark.slow
@pytest.mark.parametrize("bright", [40, 300])
@pytest.mark.parametrize(
    ("kind", "before_px"),
    [("moffat", 1.2), ("gaussian", 1.3), ("moffat", 1.5), ("gaussian", 1.7), ("moffat", 2.1)],
)
def test_a_mosaic_reads_stars_down_to_a_pixel_and_a_half(kind, before_px, bright):
    """1.48 to 2.3 px with the pixel: width to 2 %, shape to 0.03."""
    shape = StarShape(kind, before_px, 3.0, q=0.85, angle_deg=35.0)
    scene = Scene(mosaic="RGGB", bright=bright, seed=round(100 * before_px) + bright, **SMALL)
    frame, got = measured(shape, scene)
    assert got.shape_status == "measured"
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert abs(got.fwhm_px - frame.truth.fwhm_px) < 3.5 * got.fwhm_error_px
    assert got.eccentricity == pytest.approx(frame.truth.eccentricity, abs=0.03)
    assert axial_difference(got.angle_deg, frame.truth.angle_deg) < 4.0
    assert got.stars == pytest.approx(frame.count_above(), rel=0.12, abs=4)


def test_few_stars_of_a_pixel_and_a_half_without_a_mosaic():
    frame, got = measured(StarShape("moffat", 1.15, 3.0), Scene(bright=25, seed=5, **SMALL))
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.eccentricity < 3 * got.eccentricity_error


def test_no_star_of_a_small_mosaic_loses_its_middle():
    """Stars centred on a pixel of the lattice count like those between pixels."""
    _, got = measured(StarShape("moffat", 1.6, 3.0), Scene(bright=200, mosaic="RGGB", **SMALL))
    from subgrade.stars.model import StarFlag

    bad = (got.catalogue.flags[:100] & int(StarFlag.BAD_PIXEL)) != 0
    assert bad.mean() < 0.05


def _fit(shape: StarShape, mosaic: str | None, seed: int, count: int):
    frame = render(shape, Scene(bright=150, mosaic=mosaic, width=900, height=700, seed=seed))
    facts = HeaderFacts(mosaic=mosaic) if mosaic else None
    from subgrade.stars.settings import MeasureSettings

    view = first_view(Pixels(frame.data, integer=True), facts, MeasureSettings())
    x, y = np.rint(frame.stars.x), np.rint(frame.stars.y)
    inside = (x > 8) & (y > 8) & (x < 890) & (y < 690)
    order = np.argsort(-frame.stars.flux * inside)[5 : 5 + count]
    return (
        frame,
        order,
        joint_fit(view.stamps(x[order], y[order], 5), x[order], y[order], view.noise, 1.3),
    )


@pytest.mark.parametrize("mosaic", [None, "RGGB"])
def test_the_stated_errors_of_a_joint_profile_hold(mosaic):
    """Round stars: scatter of width and shape over frames against the stated errors."""
    off = []
    for seed in range(8):
        frame, order, fit = _fit(StarShape("moffat", 1.2, 3.0), mosaic, seed, 40)
        xx, yy, xy = fit.moments
        width = np.sqrt(fit.major * fit.minor) / frame.truth.fwhm_px - 1
        shape = np.hypot(0.5 * (xx - yy), xy) / (xx + yy)
        off.append((width / fit.error, shape / fit.shear_error))
        assert (
            np.median(np.hypot(fit.x - frame.stars.x[order], fit.y - frame.stars.y[order])) < 0.05
        )
    assert np.sqrt(np.mean(np.square(off), axis=0)) == pytest.approx((1.0, 1.4), rel=0.8)


def test_hot_pixels_and_cosmic_rays_share_no_profile():
    """Tracks in all directions, none like the other, and noise alone."""
    rng = np.random.default_rng(4)
    stamps = rng.normal(0, 10, (30, 11, 11)).astype(np.float32)
    for stamp in stamps:
        slope, length = rng.uniform(0, np.pi), rng.uniform(1, 6)
        for t in np.arange(0, length, 0.5):
            stamp[round(5 + t * np.sin(slope) / 2), round(5 + t * np.cos(slope) / 2)] += 1500
    corner = np.full(30, -5.0)
    middle = np.zeros(30)
    assert joint_fit(Stamps(stamps, corner, corner), middle, middle, 10.0, 1.3) is None
    noise = rng.normal(0, 10, (30, 11, 11)).astype(np.float32)
    fit = joint_fit(Stamps(noise, corner, corner), middle, middle, 10.0, 1.3)
    assert fit is None or fit.error > 0.05
