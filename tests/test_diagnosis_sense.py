"""The diagnosis of nights at the edges: no sentence that is nonsense there, none of two minds."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest

from subgrade.diagnosis import diagnose_night
from subgrade.judging.model import Judgement
from tests.judged_nights import EXPOSURE_S, guide_of, night_of, recorded, steady
from tests.test_diagnosis import LIMITS, WORDS, no_times, two_groups, verdicts_of
from tests.test_diagnosis_words import sentences

NONSENSE = {
    "a word of no trade": r"(?i)\busual|aggressive|\bsw(ing|ung)|\bcre(ep|pt)|knock|\btold\b|"
    r"guider (saw|held)|\bcalm|\bspoil|speaks|least move|lock p|cadence",
    "small capitals": r"\brms\b|^[a-z].*\bra\b",
    "worst of all": r"worst of them|only pick",
    "one of one": r"\b1 of 1\b|in 1 frames|all 1 |\(100% of all\)$",
    "no more than typical": r"\b(0\.\d+|1\.0\d?) times (its|their) typical",
    "a rounded nothing": r"every 0 s|\bby 0\.0 °C|-0\.0\b",
}
AT_ODDS = (
    (
        r"shorter exposures|[Ss]horten the guide exposure",
        r"longer guide exposure|guide with longer|guide star longer",
    ),
    (r"larger share of each RA", r"smaller share of each RA"),
    (r"smaller share of each RA error(?!: lower)", r"about 60% of each RA"),
    (r"dew shield if dew allows", r"longer dew shield"),
    (r"[Oo]ne way only", r"in both directions"),
)
"""Advice that no night may give together."""


def cooled(count: int, fall_c: float, slope: float):
    """Frames whose stars grow as the air cools, px a degree."""
    shots = steady(count, facts={})
    for k, shot in enumerate(shots):
        warm = 10.0 - fall_c * k / max(count - 1, 1)
        shot.facts = {"ambient_c": warm, "airmass": 1.0, "focuser_steps": 5000.0}
        shot.fwhm = 3.0 + slope * (10.0 - warm) + 0.004 * (-1) ** k
    return shots


def defocusing(count: int, frames: range):
    shots = steady(count)
    for j, k in enumerate(frames, 1):
        shots[k].fwhm = float(np.hypot(3.0, 1.5 * j))
    return shots


NIGHTS = {
    "one frame": lambda: night_of(steady(1)),
    "two frames": lambda: night_of(steady(2)),
    "three frames": lambda: night_of(steady(3)),
    "sixteen frames": lambda: night_of(steady(16)),
    "no times": lambda: night_of(no_times(steady(12, facts={}))),
    "no scale": lambda: night_of(steady(12), None),
    "no exposure": lambda: night_of(steady(12, facts={"exposure_s": None})),
    "groups": two_groups,
    "a little cooling": lambda: night_of(cooled(20, 5.7, 0.036)),
    "much growth": lambda: night_of(cooled(20, 8.0, 0.6)),
    "focus lost fast": lambda: night_of(defocusing(16, range(8, 12))),
    "wide and oval": lambda: night_of([replace(s, fwhm=7.0, eccentricity=0.7) for s in steady(9)]),
    "one wide and oval": lambda: night_of([replace(steady(1)[0], fwhm=7.0, eccentricity=0.7)]),
}
GUST = recorded(
    0.4 * np.sin(np.arange(60)),
    gusts=1,
    gust_size=6.0,
    gust_settle_s=20.0,
    settle_overlap_s=100.0,
    lost_s=30.0,
    period_s=16.0,
    lag1_ra=0.6,
    overshoot=0.4,
    one_sided_dec=0.99,
)
RECORDS = {
    "none": lambda night: None,
    "quiet": lambda night: guide_of(night, {}),
    "bad": lambda night: guide_of(night, dict.fromkeys(range(len(night.frames)), GUST)),
    "slow": lambda night: guide_of(
        night,
        dict.fromkeys(range(len(night.frames)), GUST),
        guide_exposure="too slow",
        backlash_s=30.0,
        worm_period_s=170.0,
        worm_amplitude=3.0,
    ),
    "hasty": lambda night: guide_of(
        night,
        {},
        guide_exposure="chases seeing",
        backlash_s=30.0,
        worm_period_s=170.0,
        worm_amplitude=3.0,
    ),
}


def judged(count: int):
    """Every frame for one word; two words in turn; all words; nothing."""
    pairs = itertools.combinations(WORDS[:12], 2) if count == 16 else itertools.pairwise(WORDS)
    yield {}
    for word in WORDS:
        yield dict.fromkeys(range(count), word)
    for pair in pairs:
        yield {k: pair[k % 2] for k in range(0, count, 3)}
    yield {k: WORDS[k % len(WORDS)] for k in range(count)}


def rejected(night, bad) -> list[Judgement]:
    """As sure as the program is of a cause that the record shows."""
    return [
        replace(v, explanation="Rejected: test.") if v.verdict == "reject" else v
        for v in verdicts_of(night, bad)
    ]


@pytest.mark.slow
@pytest.mark.parametrize("record", RECORDS)
@pytest.mark.parametrize("name", NIGHTS)
def test_no_night_gets_nonsense(name, record):
    night = NIGHTS[name]()
    guiding, seen = RECORDS[record](night), set()
    for bad in judged(len(night.frames)):
        found = diagnose_night(night, rejected(night, bad), guiding, LIMITS)
        texts = sentences(found)
        for text in texts:
            wrong = [why for why, pattern in NONSENSE.items() if re.search(pattern, text)]
            assert not wrong, (wrong, text, bad)
        actions = [a.action for a in found.advice]
        for one, other in AT_ODDS:
            both = [[a for a in actions if re.search(p, a)] for p in (one, other)]
            assert not all(both), (both, bad)
        _within_the_night(night, actions)
        _counted_alike(night, found, bad)
        seen.update(texts)
    assert len(seen) > 20


ADVISED = (
    r"changed by ([\d.]+) °C",
    r"Refocus every (?:\d+ h )?(\d+) min",
    *(pattern for pair in AT_ODDS for pattern in pair),
)


def test_what_may_not_stand_together_is_advised_on_some_night():
    """Else the advice was worded anew, and what is looked for above is never found."""
    night, actions = NIGHTS["much growth"](), set()
    for record in ("slow", "hasty"):
        for bad in judged(len(night.frames)):
            found = diagnose_night(night, rejected(night, bad), RECORDS[record](night), LIMITS)
            actions |= {a.action for a in found.advice}
    assert [p for p in ADVISED if not any(re.search(p, a) for a in actions)] == []


def _within_the_night(night, actions) -> None:
    """No step of temperature that the night did not see, no focus run after every sub."""
    air = [f.facts.ambient_c for f in night.frames if f.facts.ambient_c is not None]
    for action in actions:
        for step in re.findall(r"changed by ([\d.]+) °C", action):
            assert 0.5 <= float(step) <= 0.5 * np.ptp(air), action
        for minutes in re.findall(r"Refocus every (?:\d+ h )?(\d+) min", action):
            assert 60.0 * float(minutes) >= 5 * EXPOSURE_S, action
        assert not re.search(r"Refocus every \d+ s", action)


def _counted_alike(night, found, bad) -> None:
    kept = len(night.frames) - len(bad)
    assert sum(row.frames for row in found.losses) == len(bad)
    assert found.lost_s == sum(row.lost_s for row in found.losses)
    for item in found.findings:
        assert {a.saves_s for a in item.advice} <= {item.cost_s}
        assert item.cost_s <= found.lost_s
    if not kept:
        assert not re.search(r"(?<!^None of \d )\bkept frame|of the kept", found.summary)
    if kept < 2:
        assert "median of the kept" not in found.summary
        assert "all night" not in found.summary.split(".")[0] or len(night.frames) > 2


def test_focus_advice_stays_within_what_the_night_saw():
    # 0.2 px of growth over 5.7 degrees: the allowed quarter of 3 px would take over 20.
    cool = diagnose_night(n := NIGHTS["a little cooling"](), verdicts_of(n), None, LIMITS)
    focus = next(f for f in cool.findings if f.topic == "focus")
    assert "as the air cools" in focus.sentence
    assert focus.advice == ()
    # A slope of 0.6 px a degree uses up the allowed growth of a quarter of the median in a few.
    warm = diagnose_night(n := NIGHTS["much growth"](), verdicts_of(n), None, LIMITS)
    focus = next(f for f in warm.findings if f.topic == "focus")
    assert re.match(r"Refocus whenever the air has changed by 1\.\d °C$", focus.advice[0].action)
    fast = diagnose_night(
        n := NIGHTS["focus lost fast"](),
        verdicts_of(n, dict.fromkeys(range(8, 12), "focus")),
        None,
        LIMITS,
    )
    focus = next(f for f in fast.findings if f.topic == "focus")
    assert focus.advice[0].action.startswith("Refocus more often, and let the focuser compensate")


def test_wind_in_every_frame_is_not_cured_by_half_the_exposure():
    night = NIGHTS["sixteen frames"]()
    every = dict.fromkeys(range(16), "wind_trail")
    found = diagnose_night(night, verdicts_of(night, every), None, LIMITS)
    advice = found.findings[0].advice[0]
    assert "wait until the wind drops" in advice.action
    # Half a frame spared of 16: a rate of ln 32 in 120 s, and in half the time exp(-ln 32 / 2).
    assert "at least 104 an hour; no more than 18% of exposures of 60 s" in advice.because
    assert found.summary.startswith(
        "None of 16 frames kept, 32 min lost: wind 32 min. Median FWHM "
    )
