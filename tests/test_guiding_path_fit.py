"""The path within an exposure: closed formulas, scipy, and draws from the stated priors.

Two thousand draws of `test_two_thousand_draws`, alike of every kind, sampled each 1, 2, 3 and 5 s
for 120 s, a third of them with a tenth of the samples missing.  Per cent of each kind whose motion
is at least twice the noise (its standard deviation on the larger axis) that is read as

              nothing  ramp  step  knock  swing  settling  to-and-fro  irregular
  nothing         100
  ramp                  100
  step                        100
  knock                               94                5                        1
  swing                   1                  99
  settling                             7      1        92
  to-and-fro                                                      100
  irregular         2           2                                               97

The same table stands in docs/guiding.md.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag, cholesky, null_space, solve_triangular
from scipy.signal import cont2discrete, lfilter, lombscargle
from scipy.special import logsumexp
from scipy.stats import multivariate_t

from subgrade.guiding import fit_path
from subgrade.guiding.model import PATH_MEMBERS, ClockFit
from subgrade.guiding.path_fit import elongation_share, record_noise
from subgrade.guiding.path_shapes import AMPLITUDES, WANDER_LEVELS, WANDER_MEMORIES, whitened
from subgrade.record.model import GuideEvent
from tests.guide_paths import KINDS, T0, UTC, draw, night_of, record_of

SIGMA = 0.3
LEAD = 400.0
"""Seconds of guiding at rest before and after the exposure."""


def with_path(ra, dec, length=120.0, cadence=2.0, seed=1, sigma=SIGMA, keep=None, pulse=None):
    """A record at rest, but for a motion (functions of s) during one exposure; and its start."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.5 * cadence, 2.0 * LEAD + length, cadence)
    error = sigma * rng.standard_normal((2, len(time)))
    inside = (time >= LEAD) & (time <= LEAD + length)
    since = time[inside] - LEAD
    error[0, inside] += ra(since) if callable(ra) else ra
    error[1, inside] += dec(since) if callable(dec) else dec
    good = np.ones(len(time), bool)
    if keep is not None:
        good[inside] = keep(since, rng)
    return record_of(T0 + time[good], error[:, good]), T0 + LEAD


def fitted(ra, dec=0.0, length=120.0, **how):
    record, start = with_path(ra, dec, length, **how)
    return fit_path(record, UTC, [start], [start + length])[0]


@pytest.mark.parametrize("cadence", [1.0, 2.0, 3.0, 5.0])
def test_a_ramp_has_its_rates_and_a_variance_of_length_squared_over_twelve(cadence):
    """L^2/12 (published checks, section 3); direction from +Dec towards +RA."""
    found = fitted(lambda t: 0.03 * t, lambda t: -0.01 * t, cadence=cadence)
    ramp = found["ramp"]
    assert found.leading == "ramp"
    assert ramp.rate_ra == pytest.approx(1.8, abs=4.0 * ramp.rate_error)
    assert ramp.rate_dec == pytest.approx(-0.6, abs=4.0 * ramp.rate_error)
    assert ramp.rate_error < 0.12
    assert ramp.size == pytest.approx(120.0 * np.hypot(0.03, 0.01), abs=4.0 * ramp.size_error)
    assert sum(ramp.moments[:2]) == pytest.approx(ramp.size**2 / 12.0, rel=0.1)
    assert ramp.angle_deg == pytest.approx(np.degrees(np.arctan2(-0.03, 0.01)) % 180.0, abs=6.0)
    assert ramp.ra_share == pytest.approx(0.9, abs=0.05)
    assert ramp.elongation_share > 0.85


def test_the_errors_of_a_ramp_hold_its_scatter():
    """Slopes of 80 seeds about the truth, over their errors: unit variance within sampling."""
    off = []
    for seed in range(80):
        ramp = fitted(lambda t: 0.02 * t, seed=seed)["ramp"]
        off.append((ramp.rate_ra - 1.2) / ramp.rate_error)
    assert np.std(off) == pytest.approx(1.0, abs=0.25)
    assert abs(np.mean(off)) < 0.5


@pytest.mark.parametrize("cadence", [1.0, 2.0, 3.0, 5.0])
@pytest.mark.parametrize("when", [25.0, 70.0, 104.0])
def test_two_images_are_told_apart_in_time_and_light(cadence, when):
    """A step D for a share f has the variance f(1-f)D^2 (published checks, section 3)."""
    found = fitted(lambda t: 2.4 * (t > when), lambda t: 1.8 * (t > when), cadence=cadence)
    step, after = found["step"], 1.0 - when / 120.0
    assert found.leading == "step"
    assert step.size == pytest.approx(3.0, abs=4.0 * step.size_error)
    assert step.when_s == pytest.approx(when, abs=0.5 * cadence + 0.1)
    assert 0.2 * cadence < step.when_error_s < 0.5 * cadence
    assert step.away_share == pytest.approx(after, abs=0.5 * cadence / 120.0 + 0.01)
    assert step.lasts_s == pytest.approx(120.0 - when, abs=0.5 * cadence + 0.1)
    # the moments are those of the samples, which know the share to half a sample
    half = 0.6 * cadence / 120.0
    low, high = sorted(9.0 * (after + d) * (1.0 - after - d) for d in (-half, half))
    assert 0.85 * low < sum(step.moments[:2]) < 1.15 * high
    assert step.angle_deg == pytest.approx(np.degrees(np.arctan2(2.4, 1.8)), abs=8.0)


def test_a_stay_at_a_second_place_has_its_length():
    away = fitted(lambda t: -4.0 * ((t > 30.0) & (t < 66.0)))["step"]
    assert away.share > 0.95
    assert away.when_s == pytest.approx(30.0, abs=1.2)
    assert away.lasts_s == pytest.approx(36.0, abs=2.2)
    assert away.away_share == pytest.approx(0.3, abs=0.02)
    assert away.angle_deg == pytest.approx(270.0, abs=6.0)


def answer_to_a_blow(time, onset, period, damping):
    """Impulse response of a damped oscillator (`scipy.signal.cont2discrete`), unit first peak."""
    step, w = 0.05, 2.0 * np.pi / period
    system = ([w], [1.0, 2.0 * damping * w, w**2])
    top, bottom, _ = cont2discrete(system, step, method="impulse")
    fine = np.arange(0.0, 200.0, step)
    blow = lfilter(top[0], bottom, np.where(np.arange(len(fine)) == round(onset / step), 1.0, 0.0))
    return np.interp(time, fine, blow / np.abs(blow).max())


@pytest.mark.parametrize("cadence", [1.0, 2.0])
@pytest.mark.parametrize("onset", [20.0, 61.0, 95.0])
def test_a_knock_rings_out(cadence, onset):
    found = fitted(
        lambda t: 7.0 * answer_to_a_blow(t, onset, 12.0, 0.25),
        lambda t: 4.0 * answer_to_a_blow(t, onset, 12.0, 0.25),
        cadence=cadence,
    )
    knock = found["knock"]
    assert found.leading == "knock"
    assert knock.when_s == pytest.approx(onset, abs=cadence + 1.5)
    assert knock.size == pytest.approx(8.1, rel=0.3)
    assert knock.variance_share > 0.7
    assert knock.away_share < 0.15


@pytest.mark.parametrize("lasts", [2.5, 6.0, 11.0])
def test_a_knock_without_ringing_has_its_decay(lasts):
    found = fitted(lambda t: 6.0 * (t > 50.0) * np.exp(-(t - 50.0) / lasts), cadence=1.0)
    knock = found["knock"]
    assert found.leading == "knock"
    assert knock.when_s == pytest.approx(50.0, abs=1.0)
    assert knock.size == pytest.approx(6.0 * np.exp(-0.5 / lasts), rel=0.12)
    assert knock.lasts_s == pytest.approx(lasts, rel=0.45)
    assert np.isnan(knock.period_s)
    # more than half of the way out for ln 2 decay times
    assert knock.away_share == pytest.approx(np.log(2.0) * lasts / 120.0, abs=0.015)


def test_a_burst_of_gusts_is_a_knock_and_a_lasting_swing_is_not():
    rng = np.random.default_rng(5)
    pushes = 4.0 * rng.standard_normal((2, 60))
    gusty = fitted(
        lambda t: pushes[0, : len(t)] * ((t > 40.0) & (t < 62.0)),
        lambda t: pushes[1, : len(t)] * ((t > 40.0) & (t < 62.0)),
    )
    assert gusty.leading == "knock"
    assert gusty["knock"].when_s == pytest.approx(40.0, abs=5.0)
    assert gusty["knock"].lasts_s == pytest.approx(22.0, abs=8.0)
    lasting = fitted(lambda t: 2.0 * np.sin(2.0 * np.pi * t / 23.0))
    assert lasting.leading == "swing"
    assert lasting["knock"].share < 0.001


@pytest.mark.parametrize("cadence", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("period", [20.0, 37.0, 90.0])
def test_a_swing_has_its_period_and_half_its_amplitude_squared(cadence, period):
    """A^2/2 (published checks, section 3); the period beside `scipy.signal.lombscargle`."""
    record, start = with_path(
        lambda t: 1.5 * np.sin(2.0 * np.pi * t / period + 1.0), 0.0, cadence=cadence
    )
    found = fit_path(record, UTC, [start], [start + 120.0])[0]
    swing = found["swing"]
    assert found.leading == "swing"
    inside = (record.time >= start) & (record.time <= start + 120.0)
    frequency = np.linspace(1.0 / 150.0, 1.0 / 15.0, 2000)
    error = record.ra[inside] - record.ra[inside].mean()
    power = lombscargle(
        record.time[inside] - start, error, 2.0 * np.pi * frequency, floating_mean=True
    )
    assert 1.0 / swing.period_s == pytest.approx(frequency[np.argmax(power)], abs=0.1 / 120.0)
    assert abs(swing.period_s - period) < 4.0 * swing.period_error_s + 0.02 * period
    assert swing.size == pytest.approx(1.5, rel=0.12)
    assert swing.moments[0] == pytest.approx(error.var() - SIGMA**2, rel=0.1)
    assert swing.ra_share > 0.95


def loop(gain, late, cycles, seed=2, noise=SIGMA, rate=-0.0075):
    """A guide loop that sees noise: errors and the pulses, ms, it sends for them.

    Its error obeys x[k+1] = x[k] - g m[k - late], m = x + noise: z - 1 + g and z^2 - z + g.
    """
    rng = np.random.default_rng(seed)
    seen, place, sent = np.zeros(cycles), 0.0, [0.0] * (late + 1)
    pulses = np.zeros(cycles)
    for k in range(cycles):
        place += sent.pop(0) * rate
        seen[k] = place + noise * rng.standard_normal()
        pulses[k] = np.clip(-gain * seen[k] / rate, -2000.0, 2000.0)
        sent.append(pulses[k])
    return seen, pulses


@pytest.mark.parametrize(
    ("gain", "late", "period"), [(1.75, 0, 4.0), (1.9, 0, 4.0), (0.9, 1, 14.0)]
)
def test_over_correction_runs_to_and_fro_at_the_loop_s_own_beat(gain, late, period):
    """Periods: two cycles of a loop that answers at once; of one late by a cycle, the angle of
    its poles, cos = 1 / (2 sqrt g): 6.2 cycles at 0.9 (derived)."""
    record, start = with_path(0.0, 0.0)
    inside = np.flatnonzero((record.time >= start) & (record.time <= start + 120.0))
    seen, pulses = loop(gain, late, len(inside) + 40)
    ra, sent = record.ra.copy(), -0.4 * record.ra / -0.0075
    ra[inside], sent[inside] = seen[40:], pulses[40:]
    other = -0.4 * record.dec / -0.0075
    made = replace(record, ra=ra, ra_pulse_ms=sent, dec_pulse_ms=other)
    found = fit_path(made, UTC, [start], [start + 120.0])[0]
    assert found.leading == "to_and_fro"
    assert found["to_and_fro"].period_s == pytest.approx(period, rel=0.35)
    assert found["to_and_fro"].ra_share > 0.8
    assert found.gain_ra == pytest.approx(gain, rel=0.15)
    assert found.gain_dec == pytest.approx(0.4, rel=0.15)


def test_without_corrections_nothing_was_over_corrected():
    """The same weakly alternating path, with pulses that take back all the error and with none."""
    alternating = lfilter([1.0], [1.0, 0.8], np.random.default_rng(3).standard_normal(400))[-60:]
    record, start = with_path(SIGMA * alternating, 0.0)
    shares = []
    for gain in (1.6, 0.0):
        inside = (record.time >= start) & (record.time <= start + 120.0)
        pulses = np.where(inside, gain, 0.5) * record.ra / 0.00752
        made = replace(record, ra_pulse_ms=pulses, dec_pulse_ms=0.0 * pulses)
        shares.append(fit_path(made, UTC, [start], [start + 120.0])[0]["to_and_fro"].share)
    assert shares[0] > 0.9
    assert shares[1] < 0.5 * shares[0]


@pytest.mark.parametrize("late_s", [0.0, 7.0])
@pytest.mark.parametrize("cadence", [1.0, 2.0, 3.0])
def test_coming_home_from_a_late_dither_needs_no_remark(late_s, cadence):
    """A first-order loop of gain g comes home as (1 - g)^k: time constant -1 / ln(1 - g)."""
    gain = 0.25
    lasts = -cadence / np.log(1.0 - gain)
    away = lambda t: np.where(t >= late_s, np.exp(-(t - late_s) / lasts), 0.0)  # noqa: E731
    record, start = with_path(lambda t: 5.0 * away(t), lambda t: -3.0 * away(t), cadence=cadence)
    pulses = {f"{a}_pulse_ms": gain * getattr(record, a) / 0.00752 for a in ("ra", "dec")}
    found = fit_path(replace(record, **pulses), UTC, [start], [start + 120.0])[0]
    settling = found["settling"]
    assert found.leading == "settling"
    assert settling.lasts_s == pytest.approx(lasts, rel=0.25)
    assert settling.when_s == pytest.approx(late_s, abs=cadence)
    assert settling.size == pytest.approx(np.hypot(5.0, 3.0), rel=0.25)
    assert settling.angle_deg == pytest.approx(np.degrees(np.arctan2(5.0, -3.0)), abs=8.0)
    assert settling.corrected_share > 0.8


def test_corrections_bring_back_what_was_pushed_for_good_and_not_what_springs_back():
    """A loop of gain g answers a lasting push as (1 - g)^k, its pulses adding up to the whole way
    (geometric series); pulses of a third of that gain leave the rest to the mount itself."""
    cadence, gain = 2.0, 0.3
    lasts = -cadence / np.log(1.0 - gain)
    motion = lambda t: np.where(t > 60.0, 6.0 * np.exp(-(t - 60.0) / lasts), 0.0)  # noqa: E731
    shares = []
    for sent in (gain, 0.3 * gain):
        record, start = with_path(motion, 0.0, cadence=cadence)
        pulses = {f"{a}_pulse_ms": sent * getattr(record, a) / 0.00752 for a in ("ra", "dec")}
        found = fit_path(replace(record, **pulses), UTC, [start], [start + 120.0])[0]
        assert found.leading == "knock"
        shares.append(found["knock"].corrected_share)
    assert shares[0] > 0.85
    assert shares[1] == pytest.approx(0.3, abs=0.12)


def test_remarks_do_not_enter():
    """Of any kind, beside short gaps too."""
    record, start = with_path(lambda t: 5.0 * np.exp(-t / 8.0), 0.0)
    gone = np.isin(np.floor(record.time - start), [51.0, 53.0, 81.0, 83.0])
    record = record_of(record.time[~gone], np.array([record.ra, record.dec])[:, ~gone])
    kinds = ("dither", "settle_start", "settle_end", "reference_moved", "pause")
    events = [GuideEvent(start + 3.0 * k, kind, "") for k, kind in enumerate(kinds)]
    events += [GuideEvent(start + t, "star_missing", "") for t in (50.0, 80.0)]
    spans = [start], [start + 120.0]
    remarked = replace(record, events=tuple(events))
    with_remarks, silent = (fit_path(r, UTC, *spans) for r in (remarked, record))
    assert silent[0].missing_s == 0.0
    assert repr(with_remarks) == repr(silent)


@pytest.mark.parametrize("flagged", [True, False])
def test_a_missing_star_takes_its_share_of_the_exposure(flagged):
    record, start = with_path(0.0, 0.0)
    gone = (record.time > start + 20.0) & (record.time < start + 100.0)
    if flagged:
        made = replace(record, good=~gone, ra=np.where(gone, np.nan, record.ra))
    else:
        made = record_of(record.time[~gone], np.array([record.ra, record.dec])[:, ~gone])
    found = fit_path(made, UTC, [start], [start + 120.0])[0]
    assert found.leading == "star_missing"
    assert found.missing_s == pytest.approx(80.0, abs=2.1)
    assert found["star_missing"].share == pytest.approx(80.0 / 120.0, abs=0.02)
    assert sum(m.share for m in found.members) == pytest.approx(1.0)


@pytest.mark.parametrize("lost", [0.1, 0.3])
def test_missing_samples_do_not_change_the_answer(lost):
    keep = lambda t, rng: rng.random(len(t)) >= lost  # noqa: E731
    assert fitted(lambda t: 0.03 * t, keep=keep).leading == "ramp"
    assert fitted(lambda t: 3.0 * (t > 50.0), keep=keep).leading == "step"
    assert fitted(lambda t: 2.0 * np.sin(2 * np.pi * t / 30.0), keep=keep).leading == "swing"


MOTIONS = {
    "ramp": lambda t: t / 120.0 - 0.5,
    "step": lambda t: t > 70.0,
    "swing": lambda t: np.sin(2.0 * np.pi * t / 33.0),
    "settling": lambda t: np.exp(-t / 12.0),
}


@pytest.mark.parametrize("kind", MOTIONS)
def test_what_is_too_small_to_tell_is_not_told(kind):
    """From ten times the noise to nothing: right while it stands out, then at rest or uncertain."""
    leads = {}
    for size in (10.0, 5.0, 0.4):
        motion = lambda t, size=size: size * SIGMA * MOTIONS[kind](t)  # noqa: E731
        leads[size] = [fitted(motion, seed=s).leading for s in range(12)]
    assert leads[10.0].count(kind) >= 11
    assert leads[5.0].count(kind) >= 6
    assert sum(lead in ("nothing", "uncertain") for lead in leads[0.4]) >= 11


@pytest.mark.parametrize("memory", [0.0, 0.5])
def test_guiding_at_rest_shows_nothing(memory):
    """White noise, and noise whose neighbours are alike: the record itself shows its memory."""
    rng = np.random.default_rng(8)
    time = T0 + np.arange(0.0, 16000.0, 2.0)
    kicks = SIGMA * (1.0 - memory**2) ** 0.5 * rng.standard_normal((2, len(time)))
    record = record_of(time, lfilter([1.0], [1.0, -memory], kicks))
    assert record_noise(record)[1] == pytest.approx(memory, abs=0.15)
    start = T0 + 10.0 + 130.0 * np.arange(120)
    found = fit_path(record, UTC, start, start + 120.0)
    leads = [f.leading for f in found]
    assert leads.count("nothing") >= 110
    assert np.mean([f["nothing"].share for f in found]) > 0.8


def test_swapped_axes_turned_signs_and_other_times_change_nothing():
    rng = np.random.default_rng(6)
    drawn = [draw(kind, rng, cadence=2.0) for kind in KINDS]
    record, start = night_of(drawn, SIGMA, 2.0)
    plain = fit_path(record, UTC, start, start + 120.0)
    swapped = fit_path(replace(record, ra=record.dec, dec=record.ra), UTC, start, start + 120.0)
    turned = fit_path(replace(record, ra=-record.ra), UTC, start, start + 120.0)
    later = fit_path(
        replace(record, time=record.time - 7200.0),
        ClockFit(7200.0, -2.0, 0.0, 1.0, True, "made"),
        start,
        start + 120.0,
    )
    offset = fit_path(replace(record, dec=record.dec + 3.0), UTC, start, start + 120.0)
    for other in (swapped, turned, later, offset):
        for one, two in zip(plain, other, strict=True):
            for a, b in zip(one.members, two.members, strict=True):
                assert b.share == pytest.approx(a.share, abs=1e-6)
                assert b.size == pytest.approx(a.size, rel=1e-6, nan_ok=True)
    for one, two in zip(plain, swapped, strict=True):
        assert two["ramp"].ra_share == pytest.approx(1.0 - one["ramp"].ra_share, abs=1e-9)
        assert two["ramp"].rate_dec == pytest.approx(one["ramp"].rate_ra)


@pytest.mark.parametrize("gap", [0, 2])
def test_the_evidence_is_that_of_a_multivariate_t(gap):
    """Noise of inverse gamma level and a Gaussian amplitude or wander make a multivariate t
    (`scipy.stats.multivariate_t`); a flat mean leaves the contrasts (restricted likelihood)."""
    record, start = with_path(lambda t: 0.01 * t, lambda t: -0.006 * t, 40.0, seed=11)
    gone = (record.time > start + 14.0) & (record.time < start + 14.0 + 2.0 * gap)
    record = record_of(record.time[~gone], np.array([record.ra, record.dec])[:, ~gone])
    found = fit_path(record, UTC, [start], [start + 40.0])[0]
    inside = (record.time >= start) & (record.time <= start + 40.0)
    noise = np.array([found.noise_ra, found.noise_dec])[:, None]
    y = (np.array([record.ra, record.dec])[:, inside] / noise).ravel()
    cycles = (record.time[inside] - record.time[inside][0]) / 2.0
    n, memory = len(cycles), record_noise(record)[1]
    assert n == 20 - gap
    lag = np.abs(np.subtract.outer(cycles, cycles))
    rest = memory**lag if memory else np.eye(n)
    contrasts = np.kron(np.eye(2), null_space(np.ones((1, n))).T)

    def density(ra, dec):
        both = contrasts @ block_diag(ra, dec) @ contrasts.T
        return multivariate_t.logpdf(contrasts @ y, shape=both, df=8.0)

    nothing = density(rest, rest)
    ramp = np.outer(cycles, cycles) / cycles[-1] ** 2
    ramps = [density(rest + g**2 * ramp, rest + g**2 * ramp) for g in AMPLITUDES]
    expected = logsumexp(ramps) - np.log(len(ramps)) - nothing
    assert found["ramp"].log_evidence == pytest.approx(expected, abs=0.01)
    wanders = [
        level**2 * (np.exp(-lag / keeps) if keeps else np.eye(n)) + np.eye(n)
        for level in WANDER_LEVELS
        for keeps in WANDER_MEMORIES
    ]
    moved = [density(*axes) for w in wanders for axes in ((w, rest), (rest, w), (w, w))]
    expected = logsumexp(moved) - np.log(len(moved)) - nothing
    assert found["irregular"].log_evidence == pytest.approx(expected, abs=0.01)


def test_whitening_is_the_inverse_of_a_cholesky_factor():
    rng = np.random.default_rng(9)
    time = np.cumsum(rng.uniform(0.5, 3.0, 30))
    rows = rng.standard_normal((3, 30))
    cover = 0.6 ** np.abs(time[:, None] - time)
    expected = solve_triangular(cholesky(cover, lower=True), rows.T, lower=True).T
    assert whitened(rows, time, 0.6) == pytest.approx(expected)


def test_elongation_shares_add_and_do_not_turn():
    """q of independent motions add; a turn by t multiplies every q by exp(2it)."""
    one, two = (1.2, 0.3, 0.2), (0.1, 0.5, 0.25)
    both = tuple(a + b + c for a, b, c in zip(one, two, (2.0, 2.0, 0.0), strict=True))
    parts = [elongation_share(m, both) for m in (one, two)]
    q = [complex(m[0] - m[1], 2.0 * m[2]) for m in (one, two)]
    expected = [max((v * sum(q).conjugate()).real / abs(sum(q)) ** 2, 0.0) for v in q]
    assert parts == pytest.approx([min(e, 1.0) for e in expected])
    t = np.radians(37.0)
    for hand in (1, -1):
        turn = np.array([[np.cos(t), -hand * np.sin(t)], [np.sin(t), hand * np.cos(t)]])
        image = turn @ np.array([[both[0], both[2]], [both[2], both[1]]]) @ turn.T
        seen = image[0, 0], image[1, 1], image[0, 1]
        assert elongation_share(one, seen, 37.0, hand) == pytest.approx(parts[0])
    assert elongation_share(one, (1.0, 1.0, 0.0)) == 0.0


@pytest.mark.parametrize("length", [600.0, 1800.0])
def test_long_exposures_are_binned_and_read_alike(length):
    kept = {
        "step": lambda t: 1.5 * (t > 0.4 * length),
        "ramp": lambda t: 3.0 * t / length,
        "swing": lambda t: 0.8 * np.sin(2.0 * np.pi * t / 120.0),
    }
    for kind, motion in kept.items():
        found = fitted(motion, length=length, cadence=1.0)
        assert found.leading == kind
        assert found.samples == length
    step = fitted(kept["step"], length=length, cadence=1.0)["step"]
    assert step.when_s == pytest.approx(0.4 * length, abs=length / 120.0)
    assert step.away_share == pytest.approx(0.6, abs=0.01)


def test_odd_records_have_shares_that_sum_to_one():
    rng = np.random.default_rng(10)
    time = T0 + np.arange(0.0, 500.0, 2.0)
    n = len(time)
    whole = np.floor(time / 6.0) * 6.0
    cases = [
        record_of(time, np.zeros((2, n))),
        record_of(time, np.full((2, n), 7.0)),
        record_of(time, 1e6 * rng.standard_normal((2, n))),
        record_of(time, 1e-9 * rng.standard_normal((2, n))),
        record_of(whole, rng.standard_normal((2, n))),
        record_of(time, rng.standard_normal((2, n)), good=rng.random(n) < 0.05),
        record_of(time, np.where(rng.random((2, n)) < 0.4, np.nan, 1.0)),
        record_of(time[:3], rng.standard_normal((2, 3))),
        record_of(time, np.vstack([rng.standard_cauchy(n), np.zeros(n)])),
    ]
    for record in cases:
        for begin, end in ((T0 - 50.0, T0 + 70.0), (T0, T0 + 5.0), (T0 + 100.0, T0 + 220.0)):
            found = fit_path(record, UTC, [begin], [end])[0]
            if found is None:
                continue
            shares = [m.share for m in found.members]
            assert np.isfinite(shares).all()
            assert min(shares) >= 0.0
            assert sum(shares) == pytest.approx(1.0)
            assert [m.name for m in found.members] == list(PATH_MEMBERS)
            for m in found.members:
                assert 0.0 <= m.variance_share <= 1.0
                assert 0.0 <= m.elongation_share <= 1.0


def test_no_overlap_is_none():
    record, start = with_path(0.0, 0.0)
    found = fit_path(record, UTC, [start + 1e5, np.nan, start], [start + 2e5, np.nan, start + 60.0])
    assert found[:2] == (None, None)
    assert found[2] is not None
    assert fit_path(record, replace(UTC, add_s=np.nan), [start], [start + 60.0]) == (None,)


def drawn_shares(count, seed, chances=None):
    """Kinds, sizes over the noise, and shares without what is missing, of random exposures."""
    rng = np.random.default_rng(seed)
    kinds, sizes, shares = [], [], []
    for cadence in (1.0, 2.0, 3.0, 5.0):
        drawn = [
            draw(rng.choice(KINDS, p=chances), rng, cadence=cadence, lost=rng.choice([0, 0, 0.1]))
            for _ in range(count // 4)
        ]
        record, start = night_of(drawn, SIGMA, cadence)
        found = fit_path(record, UTC, start, start + 120.0)
        kinds += [d.kind for d in drawn]
        sizes += [d.ratio for d in drawn]
        shares += [[f[k].share for k in KINDS] for f in found]
    shares = np.array(shares)
    return np.array(kinds), np.array(sizes), shares / shares.sum(axis=1, keepdims=True)


def confusion(kinds, sizes, shares, least):
    """Per cent of each kind of at least a size that is read as each."""
    read = np.array(KINDS)[shares.argmax(axis=1)]
    rows = [(kinds == k) & ((sizes >= least) | (k == "nothing")) for k in KINDS]
    return np.array([[100.0 * np.mean(read[row] == k) for k in KINDS] for row in rows])


def test_most_of_some_draws_are_read_rightly():
    table = confusion(*drawn_shares(320, 3), 2.0)
    assert np.mean(np.diag(table)) >= 92.0


@pytest.mark.slow
def test_two_thousand_draws():
    """The table on top of this file."""
    kinds, sizes, shares = drawn_shares(2000, 4)
    table = confusion(kinds, sizes, shares, 2.0)
    print("\n".join(" ".join(f"{v:4.0f}" for v in row) for row in table))
    large = (sizes >= 2.0) | (kinds == "nothing")
    read = np.array(KINDS)[shares.argmax(axis=1)]
    assert np.mean(read[large] == kinds[large]) >= 0.95
    assert np.diag(table).min() >= 80.0


@pytest.mark.slow
def test_of_the_answers_given_nine_tenths_nine_in_ten_are_right():
    """Kinds as likely as the fit's own prior holds them; binomial sampling allowed for."""
    kinds, _, shares = drawn_shares(3000, 5, [0.5] + [0.5 / 7.0] * 7)
    right = np.array(KINDS)[shares.argmax(axis=1)] == kinds
    best = shares.max(axis=1)
    for low, high in ((0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 0.99), (0.99, 1.01)):
        here = (best >= low) & (best < high)
        stated, n = best[here].mean(), here.sum()
        print(f"{low} to {high}: {n}, stated {stated:.3f}, right {right[here].mean():.3f}")
        spread = (stated * (1.0 - stated) / n) ** 0.5
        assert right[here].mean() == pytest.approx(stated, abs=0.02 + 2.5 * spread)
