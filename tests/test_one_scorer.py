"""How likely a cause is reads alike wherever it is stated: it is worked out once.

Random practice nights are graded with and without their record.  What the frame's sentence, the
table, the page, ``explain`` and the diagnosis state is read off each of them as a person would,
and held against the shares kept with the verdict.
"""

from __future__ import annotations

import csv
import json
import re
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from scipy.special import softmax

from subgrade.cli import cli
from subgrade.diagnosis.night_view import IMAGES_ALONE
from subgrade.diagnosis.wording import LIKELY
from subgrade.figures import likely
from subgrade.judging import REASONS, Finding, Judgement
from subgrade.judging import causes as scorer
from subgrade.judging.evidence import clue, evidence
from subgrade.judging.features import (
    ECCENTRICITY,
    FIELD_AFTER_DRIFT,
    FRAMES_ALIKE,
    IMAGE_SEPARATION,
    MOTION_FIT,
    RECOVERY,
)
from subgrade.judging.likelihoods import weigh
from subgrade.judging.reasons import DIMMING, MOTIONS, WIDENING
from subgrade.pipeline import Settings, grade
from subgrade.practice import random_scenario, simulate_night
from subgrade.report.page_values import page_record
from subgrade.results.memo_files import CODEC
from subgrade.results.read import open_results

QUICK, ALL = (2, 7, 11), range(1, 21)
"""Seeds of the nights; the quick ones name motions, wide stars and lost light."""
NOUNS = {reason.noun: word for word, reason in REASONS.items()}
STATED = re.compile(
    r"(?:M|, next m|Next m|uncertain; m)ost likely:? ([^:(]+?) \(((?:over |under )?\d+%)\)"
)
OWN_SURENESS = {
    "polar alignment",
    "unguided mount",
    "alt-azimuth mount",
    "focus",
    "tilt or coma",
    "satellite trails",
    "too few stars",
    "frames of another kind",
    "damaged frames",
    "unreadable files",
}
"""Topics of the diagnosis that are not as sure as their frames' causes; all others are."""


@pytest.fixture(scope="session")
def graded(request, tmp_path_factory):
    """Makes a night graded, with its record and without, once."""
    made = {}

    def of(seed: int, guided: bool):
        if seed not in made:
            folder = tmp_path_factory.mktemp("one_scorer")
            simulate_night(folder / "lights", random_scenario(seed, 14, 300, 240))
            made[seed] = {g: _graded(folder, g) for g in (True, False)}
        return made[seed][guided]

    return of


def _graded(folder, guided: bool) -> SimpleNamespace:
    out = folder / "graded"
    record = (str(folder / "lights" / "guiding.csv"),) if guided else ()
    night = grade(
        Settings((str(folder / "lights"),), str(out), guide=record, workers=1, report=False)
    )
    with open(out / "summary.csv", newline="", encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    explained = {
        row["frame"]: CliRunner().invoke(cli, ["explain", str(out), row["frame"], "--all"]).output
        for row in table
    }
    return SimpleNamespace(
        night=night,
        table=table,
        explained=explained,
        session=open_results(out),
        page=json.loads(json.dumps(page_record(night))),
    )


def stated_in(text: str) -> dict[str, str]:
    return {NOUNS[noun]: share for noun, share in STATED.findall(text)}


def check(found: SimpleNamespace) -> int:
    """Hold every reader against the shares; how many causes were stated."""
    stated = 0
    for frame, row, record, shown in zip(
        found.night.frames, found.table, found.session.frames, found.page["frames"], strict=True
    ):
        judged, words = frame.judgement, list(filter(None, row["reasons"].split(";")))
        assert [weighed[0][0] for weighed in judged.shares] == [
            word for word in words if word in record["shares"]
        ]
        weighed = {word: dict(judged.rivals(word)) for word in words}
        for word in words:
            shares = list(weighed[word].values())
            assert shares == sorted(shares, reverse=True)
            # of motions some is left to what none of them explains
            least = 0.0 if word in MOTIONS else 1.0 - 1e-9
            assert not shares or least <= sum(shares) <= 1.0 + 1e-9
            assert list(record["shares"].get(word, {}).items()) == list(judged.rivals(word))
        # the table
        if words and weighed[words[0]]:
            stated += 1
            assert float(row["cause_confidence"]) == round(weighed[words[0]][words[0]], 3)
        elif words:
            instead = float(row["confidence"]) if row["verdict"] != "keep" else 0.5
            assert float(row["cause_confidence"]) == instead
        else:
            assert row["cause_confidence"] == ""
        # the sentence
        every = {w: s for word in reversed(words) for w, s in weighed[word].items()}
        for word, share in stated_in(row["explanation"]).items():
            assert share == likely(every[word]), row
        # the page
        assert shown["shares"] == {word: likely(share) for word, share in every.items()}
        assert shown["values"]["explanation"] == row["explanation"]
        told = shown["values"]["cause_confidence"]
        assert ("" if told is None else f"{told:.3f}") == row["cause_confidence"]
        # explain
        text = found.explained[row["frame"]]
        rival = re.search(r"^Next most likely cause: (\w+) \((.*)\)$", text, re.MULTILINE)
        if rival:
            of = next(weighed[word] for word in words if weighed[word])
            assert rival[1] not in words
            assert rival[2] == likely(of[rival[1]])
        assert text.splitlines()[1] == row["explanation"]
    return stated


def counts(row: dict, judged: Judgement, word: str) -> bool:
    """Whether the diagnosis counts a frame: lost to the word, or kept with a likely remark."""
    words = row["reasons"].split(";")
    if row["verdict"] == "reject":
        return words[0] == word
    weighed = dict(judged.rivals(word))
    return word in words and (not weighed or weighed[word] >= LIKELY)


def check_diagnosis(found: SimpleNamespace) -> int:
    """The diagnosis is as sure as the table says of its frames; how many findings were."""
    table = {row["frame"]: row for row in found.table}
    judged = {frame.name: frame.judgement for frame in found.night.frames}
    seen = {frame.name for frame in found.night.frames if frame.guiding and frame.guiding.samples}
    held = 0
    for item in found.night.diagnosis.findings:
        if item.topic in OWN_SURENESS or not (item.reason and item.frames):
            continue
        frames = [f for f in item.frames if table[f]["verdict"] == "reject"] or item.frames
        shares = [
            float(table[f]["cause_confidence"])
            if table[f]["reasons"].split(";")[0] == item.reason
            else dict(judged[f].rivals(item.reason)).get(item.reason, 0.5)
            for f in frames
        ]
        mean = sum(shares) / len(shares)
        if item.reason in MOTIONS and not seen & set(frames):
            mean = min(mean, IMAGES_ALONE)
        assert item.sureness == pytest.approx(mean, abs=0.0056), item
        held += 1
        assert set(item.frames) == {f for f in table if counts(table[f], judged[f], item.reason)}
    return held


NIGHTS = [
    pytest.param(seed, guided, marks=() if seed in QUICK else pytest.mark.slow)
    for seed in ALL
    for guided in (True, False)
]


@pytest.mark.parametrize(("seed", "guided"), NIGHTS)
def test_every_reader_states_the_same_share(graded, seed, guided):
    check(graded(seed, guided))
    check_diagnosis(graded(seed, guided))


def test_the_quick_nights_state_enough_to_be_held_to(graded):
    nights = [graded(seed, guided) for seed in QUICK for guided in (True, False)]
    assert sum(check(night) for night in nights) >= 20
    assert sum(check_diagnosis(night) for night in nights) >= 6
    rows = [row for night in nights for row in night.table]
    assert sum(bool(stated_in(row["explanation"])) for row in rows) >= 12
    assert sum("Next most likely cause" in t for n in nights for t in n.explained.values()) >= 8


def test_shares_are_the_softmax_of_prior_and_clues():
    """Against scipy."""
    prior = {"bump": 0.5, "flexure": 0.0, "wind_trail": -1.0}
    items = [
        clue("flexure", MOTION_FIT, 1.2, ""),
        clue("flexure", FRAMES_ALIKE, 0.7, ""),
        clue("bump", MOTION_FIT, -2, ""),
    ]
    found = scorer.shares_of(items, prior)
    assert [word for word, _ in found] == ["flexure", "wind_trail", "bump"]
    assert [share for _, share in found] == pytest.approx(list(softmax([1.9, -1.0, -1.5])))


def test_how_bad_a_frame_is_says_nothing_of_the_cause():
    prior = {"bump": 0.0, "flexure": 0.0}
    severe = [evidence("flexure", ECCENTRICITY, 7.0, "very oval"), clue("cloud", RECOVERY, 5.0, "")]
    assert scorer.shares_of(severe, prior) == (("bump", 0.5), ("flexure", 0.5))
    # and what is given to another word takes along how bad it is, not what spoke for the first
    clues = (severe[0], clue("flexure", FIELD_AFTER_DRIFT, 1.0, "stayed"))
    named = Finding("flexure", 7.0, True, "", clues).named("bump", (("bump", 1.0),))
    assert [item.reason for item in named.evidence] == ["bump", "flexure"]
    assert named.shares == (("bump", 1.0),)


def test_every_word_that_is_weighed_has_its_rivals():
    assert set(scorer.CAUSES_OF_DIMMING) == set(DIMMING)
    assert {*scorer.WIDE, *DIMMING} >= set(WIDENING)
    assert {word for word, _ in weigh([])[0]} == set(MOTIONS)


def test_what_is_kept_of_a_finding_comes_back_whole():
    items = (
        clue("bump", MOTION_FIT, 0.5, "x", value=1.0),
        evidence("bump", IMAGE_SEPARATION, 7.0, "y"),
    )
    found = Finding("bump", 7.0, True, "z", items, "w", (("bump", 0.625), ("flexure", 0.375)))
    assert CODEC.decode(CODEC.encode(found)) == found
