"""How a night was corrected, from records of a known loop."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.guiding import corrections_sent
from subgrade.record.model import GuideEvent, GuideRecord

NONE = np.empty(0)


def record(ra, dec, ra_pulse, dec_pulse, events=()):
    n = len(ra)
    time = 2.0 * np.arange(n)
    nothing = np.full(n, np.nan)
    return GuideRecord(
        "guiding.csv",
        "utc",
        time,
        ra,
        dec,
        ra_pulse,
        dec_pulse,
        nothing,
        nothing,
        np.ones(n, bool),
        np.zeros(n, int),
        ((0.0, time[-1]),) if n else (),
        tuple(events),
        (),
    )


def test_a_loop_of_known_strength():
    rng = np.random.default_rng(1)
    ra, dec = 0.6 * rng.normal(size=(2, 4000))
    pulse = np.where(np.abs(ra) > 0.2, -120.0 * ra, 0.0)
    one_way = np.where(dec > 0.4, -80.0 * dec, 0.0)
    found = corrections_sent(record(ra, dec, pulse, one_way))
    assert found["ra_ms_per_arcsec"] == pytest.approx(120.0)
    assert found["dec_ms_per_arcsec"] == pytest.approx(80.0)
    # shares of a Gaussian beyond 1/3 and 2/3 of its sigma
    assert found["ra_share"] == pytest.approx(0.739, abs=0.02)
    assert found["dec_share"] == pytest.approx(0.252, abs=0.02)
    assert found["dec_rarer_share"] == 0.0
    assert np.isnan(found["settling_s"])


def test_settling_is_left_out_and_stated():
    rng = np.random.default_rng(2)
    ra, dec = 0.3 * rng.normal(size=(2, 600))
    pulse = -100.0 * ra
    pulse[100:106] = -900.0 * ra[100:106]
    events = [GuideEvent(200.0, "dither", "dither"), GuideEvent(211.0, "settle_end", "settled")]
    found = corrections_sent(record(ra, dec, pulse, np.zeros(600), events))
    assert found["settling_s"] == pytest.approx(11.0)
    assert found["ra_ms_per_arcsec"] == pytest.approx(100.0)
    assert found["ra_ms_per_arcsec_error"] < 1e-9
    assert found["dec_share"] == 0.0


def test_a_record_without_corrections():
    unknown = np.full(200, np.nan)
    error = np.random.default_rng(3).normal(size=200)
    found = corrections_sent(record(error, error, unknown, unknown))
    assert all(np.isnan(v) for v in found.values())
    short = corrections_sent(record(NONE, NONE, NONE, NONE))
    assert all(np.isnan(v) for v in short.values())
