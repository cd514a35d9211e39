"""Usual values: published formulas, small samples, nights that were mostly bad."""

import numpy as np
import pytest

from subgrade.night.usual_values import usual_of, usual_values
from subgrade.robust import biweight_centre, half_sample_mode, mad_sigma, shorth_sigma
from tests.night_fields import make_night, make_sky


def test_mad_factor():
    # [1,1,2,2,4,6,9] has MAD 1; 1 / Phi^-1(0.75) = 1.482602; 1.140 is the factor for n = 7.
    assert mad_sigma(np.array([1.0, 1, 2, 2, 4, 6, 9])) == pytest.approx(1.482602 * 1.140, abs=1e-6)


def test_against_astropy():
    stats = pytest.importorskip("astropy.stats")
    v = np.random.default_rng(1).normal(3, 2, 41)
    assert mad_sigma(v) == pytest.approx(float(stats.mad_std(v)) * 41 / 40.2, rel=1e-6)
    assert biweight_centre(v) == pytest.approx(float(stats.biweight_location(v)), rel=1e-9)


def test_biweight_published_value():
    # Beers, Flynn & Gebhardt 1990: [1..9, 100] -> 5.0596483 (median 5.5, MAD 2.5).
    v = np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 9, 100])
    assert biweight_centre(v) == pytest.approx(5.0596483, abs=1e-7)
    assert biweight_centre(np.full(10, 4.0)) == 4


@pytest.mark.parametrize("n", [2, 3, 4, 5, 7, 9, 15, 40])
def test_spread_is_unbiased_for_few_frames(n):
    v = np.random.default_rng(n).normal(0, 1, (4000, n))
    assert np.mean([mad_sigma(row) for row in v]) == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("n", [12, 13, 30, 31, 101, 400])
def test_shorth_is_unbiased_and_rarely_replaces_the_mad(n):
    v = np.random.default_rng(n).normal(0, 1, (2000, n))
    assert np.mean([shorth_sigma(row) for row in v]) == pytest.approx(1, abs=0.08)
    spread = [usual_of(row, True).spread for row in v[:500]]
    assert np.mean(spread) == pytest.approx(1, abs=0.08)


def test_shorth_and_half_sample_mode():
    rng = np.random.default_rng(3)
    v = rng.normal(5, 2, 4001)
    assert shorth_sigma(v) == pytest.approx(2, rel=0.05)
    two = np.r_[rng.normal(0, 0.1, 255), rng.normal(10, 3, 245)]
    assert half_sample_mode(two) == pytest.approx(0, abs=0.15)
    assert shorth_sigma(two) < 0.4 < mad_sigma(two)
    assert half_sample_mode(np.array([2.0])) == 2
    assert half_sample_mode(np.array([1.0, 2, 9])) == 1.5


def test_best_is_meaningful_when_most_of_the_night_is_bad():
    rng = np.random.default_rng(4)
    good, bad = rng.normal(2.5, 0.05, 20), rng.uniform(4, 9, 80)
    usual = usual_of(rng.permutation(np.r_[good, bad]), low_is_good=True)
    assert usual.best == pytest.approx(2.5, abs=0.1)
    assert usual.centre > 4
    clear = usual_of(np.r_[np.full(10, 400.0), rng.uniform(10, 200, 40)], low_is_good=False)
    assert clear.best == pytest.approx(400, abs=20)


def test_one_lucky_frame_does_not_set_the_best():
    v = np.r_[0.5, 3.0 + 0.02 * np.arange(9)]
    assert usual_of(v, True).best == pytest.approx(3.0, abs=0.03)
    assert usual_of(-v, False).best == pytest.approx(-3.0, abs=0.03)


def test_nan_and_empty():
    usual = usual_of([np.nan, 2.0, np.nan], True)
    assert (usual.centre, usual.best, usual.count) == (2, 2, 1)
    assert np.isnan(usual.spread)
    assert usual_of([np.nan], True).count == 0


def test_quantities_of_a_group():
    rng = np.random.default_rng(5)
    frames = make_night(rng, make_sky(rng, 20), 6, fwhm_px=[3, 3.1, 2.9, 3, 3.2, 8.0])
    usual = usual_values(frames, range(5), [1.0] * 5)
    assert usual["fwhm_px"].centre == 3
    assert usual["fwhm_px"].best == pytest.approx(2.94)
    assert usual["transparency"].centre == 1
    assert "fwhm_arcsec" not in usual  # no scale known
    assert {"eccentricity", "background_adu", "noise_adu", "stars", "xx", "yy", "xy"} <= set(usual)
