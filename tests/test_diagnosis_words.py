"""The words of the diagnosis: grammar, claims with evidence, advice without contradiction."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from subgrade.diagnosis import diagnose_night
from subgrade.diagnosis.polar_axis import _known_part, _parts
from subgrade.diagnosis.polar_axis_fit import Pole
from subgrade.diagnosis.wording import duration, number, possibly
from tests.judged_nights import guide_of, night_of, recorded, steady
from tests.test_diagnosis import LIMITS, ODD, WORDS, diagnosed, finding, verdicts_of

WRONG = {
    "a stop too many": r"\.\.|\?\.|!\.|;\.|:\.",
    "a blank too many": r"  |^ | $| [,.;:]|\( | \)",
    "a blank before a unit": r"\d [%″′°](?!C)",
    "a word twice": r"\b(\w+) \1\b",
    "one of many": r"\b1 (frames|files|gusts)\b",
    "many of one": r"\b1 of \d+ frames? (from .+ )?were\b",
    "a number that is none": r"\bnan\b|\binf\b|\d unknown|unknown \d",
    "an old hedge": r"Possibly:",
}


def sentences(diagnosis) -> list[str]:
    """Every text of a diagnosis."""
    out = [diagnosis.summary, *diagnosis.notes]
    for found in diagnosis.findings:
        out += [found.sentence, *found.evidence]
        for advice in found.advice:
            out += [advice.action, advice.because, *filter(None, [advice.caution])]
    return out


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("record", [False, True])
def test_every_sentence_reads_well(name, record):
    night, _ = ODD[name]()
    guiding = guide_of(night, {}) if record and night.frames else None
    for step in (1, 2, 5, 9):
        bad = {k: WORDS[k // step % len(WORDS)] for k in range(len(night.frames))}
        found = diagnose_night(night, verdicts_of(night, bad), guiding, LIMITS, [("a.fits", "cut")])
        for text in sentences(found):
            wrong = [why for why, pattern in WRONG.items() if re.search(pattern, text)]
            assert not wrong, (wrong, text)
        for item in found.findings:
            assert item.sentence[-1] == "."
            assert item.sentence[0].isupper() or item.sentence[0].isdigit()


def test_nothing_claims_a_record_that_is_not_there():
    found = diagnosed(steady(20), dict(enumerate(WORDS)))
    named = [text for text in sentences(found) if re.search(r"\b(record|guider)\b", text)]
    assert named
    for text in named:
        assert re.search(r"\b(no|without|usable|only|between)\b", text), text
    flexed = finding(found, "differential flexure")
    assert "guiding held" not in flexed.sentence
    assert "as with differential flexure" in flexed.sentence
    assert finding(found, "periodic error").sentence == "Periodic error affected 1 frame."


def test_a_doubtful_cause_is_stated_as_one():
    night = night_of(steady(16))
    verdicts = verdicts_of(night, {4: "periodic_error"})
    verdicts[4] = replace(verdicts[4], **weighed("periodic_error", 0.41))
    found = finding(diagnose_night(night, verdicts, None, LIMITS), "periodic error")
    assert found.sentence == "Periodic error may have affected 1 frame."
    assert (found.sureness, found.sure) == (0.41, "possible")


def weighed(word: str, share: float) -> dict:
    """What a judgement holds of a word that had a rival."""
    rival = "flexure" if word != "flexure" else "bump"
    return {"cause_confidence": share, "shares": (((word, share), (rival, 1.0 - share)),)}


@pytest.mark.parametrize(("share", "counted"), [(0.41, 1), (0.98, 2)])
def test_a_doubtful_remark_is_not_counted_as_likely(share, counted):
    night = night_of(steady(16))
    verdicts = verdicts_of(night, {4: "periodic_error"})
    verdicts[4] = replace(verdicts[4], **weighed("periodic_error", 0.98))
    verdicts[9] = replace(
        verdicts[9], reasons=("periodic_error",), **weighed("periodic_error", share)
    )
    found = finding(diagnose_night(night, verdicts, None, LIMITS), "periodic error")
    assert len(found.frames) == counted
    assert found.sure == "likely"


def test_of_equal_savings_the_curable_comes_first():
    found = diagnosed(
        steady(16), {2: "cloud", 3: "cloud", 5: "seeing", 6: "seeing", 8: "bump", 9: "bump"}
    )
    assert [a.saves_s for a in found.advice[:3]] == [240.0] * 3
    assert found.advice[0].topic == "doubled stars"
    assert {a.topic for a in found.advice[1:3]} == {"cloud", "poor seeing"}
    # but what cost more comes first all the same
    found = diagnosed(steady(16), {2: "cloud", 3: "cloud", 8: "bump"})
    assert found.advice[0].topic == "cloud"


def test_an_oscillation_is_not_asked_to_be_corrected_more_and_less():
    swings = recorded(1.5 * (-0.9) ** np.arange(60), lag1_ra=-0.9, period_s=4.1, overshoot=0.8)
    for judged in ("too slow", "chases seeing"):
        found = diagnosed(
            steady(12),
            {3: "ra_oscillation"},
            lambda n, j=judged: replace(guide_of(n, {3: swings}), guide_exposure=j),
        )
        actions = " ".join(a.action for a in found.advice)
        assert "larger share" not in actions
        assert actions.count("smaller share of each RA error") == 1


def test_periodic_error_is_not_asked_to_be_guided_shorter_and_longer():
    found = diagnosed(
        steady(12),
        {3: "periodic_error"},
        lambda n: replace(guide_of(n, {}), guide_exposure="chases seeing"),
    )
    actions = " ".join(a.action for a in found.advice)
    assert "orrect about 60% of each RA error" in actions
    assert "longer" not in actions


def test_better_guiding_is_not_asked_for_beside_how():
    wide = recorded(2.0 * np.sin(np.arange(60)), rms_ra=2.0, rms_dec=1.2)
    guides = dict.fromkeys(range(12), wide)
    alone = diagnosed(steady(12), None, lambda n: guide_of(n, guides))
    assert any("Improve the guiding" in a.action for a in alone.advice)
    both = diagnosed(steady(12), {3: "wind_trail"}, lambda n: guide_of(n, guides))
    assert not any("Improve the guiding" in a.action for a in both.advice)
    assert "better guiding would" in finding(both, "what limits the sharpness").sentence


def test_nothing_went_wrong_stands_for_such_nights_only():
    assert diagnosed(steady(20)).summary.startswith("Nothing went wrong: all 20 frames kept")
    shots = steady(20)
    for shot in shots:
        shot.eccentricity = 0.6
    oval = diagnosed(shots)
    assert oval.summary.startswith(
        "All 20 frames kept (40 min), but stars were elongated all night."
    )
    assert oval.summary.endswith(" Median FWHM of the kept frames: 3.01″ (3.01 px).")


def test_a_summary_counts_frames_where_no_time_is_known():
    shots = steady(9)
    night = night_of(shots)
    frames = [
        replace(f, facts=replace(f.facts, exposure_s=None, start_unix=None, mid_unix=None))
        for f in night.frames
    ]
    night = replace(night, frames=tuple(frames))
    text = diagnose_night(night, verdicts_of(night, {2: "bump"}), None, LIMITS).summary
    assert text.startswith("8 of 9 frames kept; lost to doubled stars (bump) 1 frame. ")
    text = diagnose_night(night, verdicts_of(night, {}), None, LIMITS, [("a.fits", "cut")]).summary
    assert text.startswith("9 of 9 frames kept; 1 file could not be read. ")
    assert diagnosed(steady(1)).summary.startswith("1 frame kept (2 min). FWHM of the kept frame: ")
    assert diagnosed(steady(2)).summary.startswith("Both frames kept (4 min). Median FWHM ")


def test_some_losses_are_named_as_such():
    assert "2 min lost: doubled stars (bump) 2 min." in diagnosed(steady(9), {2: "bump"}).summary
    many = {1: "bump", 2: "cloud", 3: "focus", 4: "dew"}
    assert "lost; largest losses: " in diagnosed(steady(12), many).summary
    assert diagnosed(steady(3), {0: "bump", 1: "bump", 2: "bump"}).summary.startswith("None of 3 ")


@pytest.mark.parametrize(
    ("hits", "kept", "says"),
    [
        ((4,), (5,), "2 frames, 1 of them kept; largest gust 6.00″; median settling time 20 s."),
        ((4, 5), (), "during 2 frames; largest gust 6.00″; median settling time 20 s."),
        ((), (4,), "during 1 frame, kept all the same; a gust of 6.00″; settling time 20 s."),
    ],
)
def test_frames_hit_by_wind_and_kept_or_lost_are_counted(hits, kept, says):
    knock = recorded(0.4 * np.sin(np.arange(60)), gusts=1, gust_size=6.0, gust_settle_s=20.4)
    night = night_of(steady(14))
    verdicts = verdicts_of(night, dict.fromkeys(hits, "wind_trail"))
    for k in kept:
        verdicts[k] = replace(verdicts[k], reasons=("wind_trail",), **weighed("wind_trail", 0.98))
    guiding = guide_of(night, dict.fromkeys((*hits, *kept), knock))
    found = finding(diagnose_night(night, verdicts, guiding, LIMITS), "wind")
    assert says in found.sentence
    lost = [text for text in found.evidence if "lost to wind" in text]
    were = "was" if len(hits) == 1 else "were"
    assert lost == ([f"{len(hits)} of 14 frames {were} lost to wind"] if hits else [])


def test_a_sun_above_the_horizon_is_a_wrong_clock_and_no_twilight():
    # 2030-03-17 near 18 h UTC: by longitude it is noon, dusk, dark with a Moon, dark without, dawn.
    for longitude, action in (
        (-90.0, "Correct the clock"),
        (12.0, "Start the run after 18:14"),
        (110.0, "Plan such targets"),
        (154.0, "Look for lights"),
        (168.0, "End the run before 18:12"),
    ):
        site = {"site_lat_deg": 0.0, "site_lon_deg": longitude}
        found = finding(diagnosed(steady(14, facts=site), {12: "sky_glow"}), "bright sky")
        assert found.advice[0].action.startswith(action), found.evidence
    unknown = finding(diagnosed(steady(14), {12: "sky_glow"}), "bright sky")
    assert "cannot be ruled out" in unknown.advice[0].because


def test_the_parts_of_the_pole_read_in_either_sentence():
    both = Pole(
        size=10.0, size_error=1.0, bound=False, high=6.4, high_error=1.1, east=7.7, east_error=0.9
    )
    assert _parts(both, False) == "6.4 ± 1.1′ too high and 7.7 ± 0.9′ too far east on the sky"
    assert _parts(both, True) == "6.4 ± 1.1′ too low and 7.7 ± 0.9′ too far west on the sky"
    level = replace(both, high=0.3, high_error=1.034)
    assert (
        _parts(level, False) == "7.7 ± 0.9′ too far east on the sky, altitude correct to within 1′"
    )
    vague = replace(level, high_error=143.0)
    assert _parts(vague, False).endswith("altitude correct to within 140′")
    aimed = replace(both, east=-0.2)
    assert _parts(aimed, False) == "6.4 ± 1.1′ too high, azimuth correct to within 0.9′"
    some = replace(both, drift_part=6.7, drift_error=1.2, hour_deg=-150.0)
    # there the drift shows cos h = -0.87 of what is east and sin h = -0.5 of what is high
    assert _known_part(some, False, True).startswith(
        "6.7 ± 1.2′ of it low and west, along a line 30° from west;"
    )


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(150, "3 min"), (990, "17 min"), (989.96, "17 min"), (59.4, "59 s"), (59.6, "1 min")],
)
def test_half_a_minute_is_rounded_up(seconds, text):
    """As JavaScript's Math.round does on the page (ECMA-262)."""
    assert duration(seconds) == text


def test_a_guess_begins_as_one():
    assert possibly("Wind moved it.") == "Wind may have moved it."
    assert possibly("The polar axis is 9′ off.") == "The polar axis may be 9′ off."
    assert possibly("Tracking was lost in 1 frame.") == "Tracking may have been lost in 1 frame."
    assert number(-37.0, None, "% an hour") == "-37.0% an hour"


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (39.6, 2.52, "40 ± 3′"),
        (39.6, 1.52, "39.6 ± 1.5′"),
        (39.64, 0.096, "39.64 ± 0.10′"),
        (39.64, 9.6, "40 ± 10′"),
        (396.4, 96.0, "400 ± 100′"),
        (12345.0, 1234.0, "12300 ± 1200′"),
        (0.0, 0.42, "0.0 ± 0.4′"),
        (-0.01, 0.42, "0.0 ± 0.4′"),
        (0.0, 0.0, "0.0′"),
        (39.64, math.nan, "39.6′"),
        (math.nan, 0.42, "unknown"),
    ],
)
def test_a_value_and_its_error_end_at_one_decimal_place(value, error, text):
    """At most two digits of the error, the value rounded to match: GUM, JCGM 100:2008, 7.2.6."""
    assert number(value, error, "′") == text
