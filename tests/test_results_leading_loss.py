"""The sentence above a night: what took most of what was lost, and what to do first."""

import pytest

from subgrade.judging import REASONS
from subgrade.results import headline, session_record
from subgrade.results.leading_loss import APART, CURES
from tests.report_nights import graded_of, lost_night


def causes(**lost):
    """Rows as in the session: frames and seconds by reason."""
    return [
        {"reason": word, "frames": frames, "lost_s": float(seconds)}
        for word, (frames, seconds) in lost.items()
    ]


@pytest.mark.parametrize(
    ("lost", "sentence"),
    [
        ({}, "Nothing was lost."),
        ({"cloud": (2, 240)}, "Cloud took all 4 lost minutes."),
        ({"bump": (2, 120)}, "Bumps took both lost minutes."),
        ({"cloud": (2, 60), "dew": (1, 30)}, "Cloud took 60 of 90 lost seconds."),
        (
            {"focus": (10, 1500), "dew": (9, 1020), "cloud": (12, 1500), "bump": (16, 1920)},
            "Focus and dew took 42 of 99 lost minutes.",
        ),
        (
            {"dec_drift": (3, 360), "ra_oscillation": (1, 120), "periodic_error": (1, 60)},
            "Mount and guiding took all 9 lost minutes.",
        ),
        ({"cloud": (9, 600), "bump": (1, 8)}, "Cloud took nearly all 10 lost minutes."),
        ({"cloud": (60, 9000), "dew": (20, 6000)}, "Cloud took 2 h 30 min of the 4 h 10 min lost."),
        ({"cloud": (60, 19000)}, "Cloud took all 5 h 17 min lost."),
    ],
)
def test_what_took_most_is_named_with_its_share(lost, sentence):
    assert headline(causes(**lost))["sentence"] == sentence


@pytest.mark.parametrize(
    ("lost", "sentence"),
    [
        ({"cloud": (1, 0)}, "Cloud took the only lost frame."),
        ({"cloud": (2, 0)}, "Cloud took both lost frames."),
        ({"cloud": (2, 0), "dec_drift": (1, 0)}, "Cloud took 2 of 3 lost frames."),
    ],
)
def test_without_exposure_times_frames_are_counted(lost, sentence):
    assert headline(causes(**lost))["sentence"] == sentence


@pytest.mark.parametrize(
    ("lost", "sentence"),
    [
        (
            {"cloud": (1, 120), "dec_drift": (1, 120)},
            "Cloud and Dec drift took 2 of 4 lost minutes each.",
        ),
        (
            {"cloud": (1, 120), "sky_glow": (1, 120), "dec_drift": (2, 240)},
            "Two kinds took 4 of 8 lost minutes each: cloud and bright sky; Dec drift.",
        ),
        (
            dict.fromkeys(("cloud", "dew", "dec_drift", "bump", "few_stars"), (1, 60)),
            "No cause stands out: 5 took 1 of 5 lost minutes each.",
        ),
    ],
)
def test_what_took_the_same_is_named_together(lost, sentence):
    assert headline(causes(**lost))["sentence"] == sentence


def test_a_choice_and_damaged_files_are_no_loss_of_the_night():
    found = headline(causes(surplus=(5, 600), cloud=(1, 120), unreadable=(2, 0)))
    assert found["sentence"] == "Cloud took both lost minutes."
    assert (found["lost_s"], found["lost_frames"]) == (120.0, 1)
    assert [(a["text"], a["frames"]) for a in found["apart"]] == [
        ("left out by choice", 5),
        ("unreadable", 2),
    ]
    assert headline(causes(surplus=(5, 600)))["sentence"] == "Nothing was lost."


def test_every_reason_has_one_kind_of_cure():
    words = [word for cure in CURES for word in cure.words]
    assert len(words) == len(set(words))
    assert set(REASONS) | {"surplus"} == set(words) | set(APART)


def advice(topic, action):
    return {"topic": topic, "action": action, "caution": ""}


def test_what_to_do_first_cures_what_took_most():
    story = {
        "findings": [
            {"topic": "Dec drift", "reason": "dec_drift"},
            {"topic": "x", "reason": "dew"},
        ],
        "advice": [advice("Dec drift", "Align"), advice("x", "Heat"), advice("y", "Wait")],
    }
    assert headline(causes(dew=(3, 360), dec_drift=(1, 120)), story)["first"]["action"] == "Heat"
    assert headline(causes(cloud=(3, 360)), story)["first"]["action"] == "Align"
    # what does not lead the list is not called the first
    assert not headline(causes(dew=(3, 360), dec_drift=(1, 120)), story)["first_of_all"]
    assert headline(causes(cloud=(3, 360)), story)["first_of_all"]
    assert headline(causes(), {"findings": [], "advice": []})["first"] is None
    assert headline(causes(cloud=(3, 360)))["first"] is None


def test_a_night_has_its_sentence():
    session = session_record(graded_of(lost_night()))
    found = headline(session["causes"], session["diagnosis"])
    assert found["lost_s"] == session["totals"]["lost_s"]
    assert found["sentence"] == "Dec drift and lost tracking took 4 of 6 lost minutes."
