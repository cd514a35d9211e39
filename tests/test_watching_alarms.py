"""Conditions of alarms: what is understood, when they are met, and that they come once."""

from __future__ import annotations

import math
import os
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from subgrade.errors import UsageError
from subgrade.judging import Judgement
from subgrade.results import GradedFrame
from subgrade.watching.alarm_command import AlarmCommand
from subgrade.watching.alarm_facts import AlarmFacts, facts_of
from subgrade.watching.alarms import OVER_AFTER, Alarm, Alarms, condition_of


def frame(letter: str, number: int = 0, fwhm: float = 3.0, through: float = 1.0) -> GradedFrame:
    """k keep, c cloud, f focus, s surplus, w a flat, u unreadable."""
    word = {"c": "cloud", "f": "focus", "s": "surplus", "w": "wrong_frame", "u": "unreadable"}
    verdict = {"k": "keep", "u": "unreadable"}.get(letter, "reject")
    reasons = (word[letter],) if letter != "k" else ()
    name = f"light_{number:03d}.fits"
    judgement = Judgement(name, verdict, reasons, f"{verdict}: because", 0.9, 0.5)
    return GradedFrame(
        name,
        Path("/n") / name,
        judgement,
        SimpleNamespace(scale_arcsec=1.0, start_unix=None),
        SimpleNamespace(fwhm_px=fwhm),
        SimpleNamespace(transparency=through),
    )


def night(letters: str) -> list[GradedFrame]:
    return [frame(letter, k) for k, letter in enumerate(letters)]


@pytest.mark.parametrize(
    ("text", "letters", "met"),
    [
        ("3 rejects", "kkccc", True),
        ("3 rejects", "ccck", False),
        ("3 rejects", "cckcc", False),
        ("3 rejects in 10", "ckckkckk", True),
        ("3 rejects in 5", "cckkkkc", False),
        ("2 cloud", "kcc", True),
        ("2 cloud", "kcf", False),
        ("reject", "kf", True),
        ("1 unreadable", "ku", True),
        ("3 rejects", "cuf", True),
        ("2 rejects", "kss", False),
        ("2 rejects", "kww", False),
        ("2 wrong_frame", "kww", True),
        ("2 wrong frame", "kww", True),
    ],
)
def test_counts_and_reason_words(text, letters, met):
    assert bool(condition_of(text).met(night(letters))) is met


def test_numbers_of_the_table():
    wide = [frame("k", fwhm=3.9), frame("k", fwhm=4.1)]
    assert condition_of("fwhm_arcsec > 4").met(wide)
    assert not condition_of("fwhm_arcsec > 4").met(wide[:1])
    assert not condition_of("2 fwhm_arcsec > 4").met(wide)
    assert condition_of("2 fwhm_arcsec>3.5").met(wide)
    assert condition_of("transparency < 0.5").met([frame("c", through=0.2)])
    assert not condition_of("transparency < 0.5").met([frame("c", through=math.nan)])


@pytest.mark.parametrize(
    ("text", "of", "seconds"),
    [
        ("no sub for 15 min", "sub", 900),
        ("no subs for 1.5 h", "sub", 5400),
        ("no  guiding for 90 s", "guiding", 90),
        ("no frames for 2 minutes", "sub", 120),
    ],
)
def test_silence(text, of, seconds):
    condition = condition_of(text)
    assert (condition.silent, condition.silent_s) == (of, seconds)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "Understood are"),
        ("clouds everywhere", "no reason word"),
        ("2 clowd", "did you mean cloud? Understood are"),
        ("fwhm > 4", "fwhm_"),
        ("explanation > 4", "no column of numbers"),
        ("0 rejects", "at least 1"),
        ("5 rejects in 3", "no more than"),
        ("no sub for 0 min", "a time is"),
        ("no sub for 3 parsec", "a time is"),
        ("no coffee for 3 min", '"no coffee"'),
        ("surplus", "no reason word"),
    ],
)
def test_what_is_not_understood_is_answered_with_what_would_be(text, says):
    with pytest.raises(UsageError) as refused:
        condition_of(text)
    assert says in str(refused.value)
    assert "no guiding for 2 min" in str(refused.value)


def given(text: str, letters: str) -> list[int]:
    """After which subs the alarm comes, one sub at a time."""
    alarms, frames = Alarms((condition_of(text),)), night(letters)
    return [n for n in range(1, len(frames) + 1) if alarms.of_subs(frames[:n], 1)]


def test_an_alarm_comes_once_until_its_condition_is_over():
    assert given("3 rejects", "ccccccc") == [3]
    assert given("2 rejects", "cc" + "k" * OVER_AFTER + "cc") == [2, 4 + OVER_AFTER]
    # a single good sub in thick cloud does not wake anyone again
    assert given("2 rejects", "cckcckcckcc") == [2]


def test_an_alarm_is_not_missed_where_subs_come_in_one_go():
    assert Alarms((condition_of("2 cloud"),)).of_subs(night("kkcck"), 4)
    alarms = Alarms((condition_of("2 cloud"),))
    assert alarms.of_subs(night("kcc"), 1)
    assert alarms.of_subs(night("kcckkkkcc"), 6)  # it was over in between
    # what was over before the watch began wakes nobody
    assert not Alarms((condition_of("2 cloud"),)).of_subs(night("kkcck"), 1)


def test_silence_is_said_once_and_again_after_it_was_broken():
    alarms = Alarms((condition_of("no sub for 10 min"),))
    come = [bool(alarms.of_silence({"sub": s, "guiding": 0.0})) for s in (599, 601, 700, 5, 601)]
    assert come == [False, True, False, False, True]
    assert Alarms((condition_of("no sub for 10 min"),)).due_s({"sub": 590.0}) == pytest.approx(10)


def test_an_alarm_says_reason_and_cure():
    finding = SimpleNamespace(
        reason="cloud", advice=(SimpleNamespace(action="Wait for a clear sky", caution="mind"),)
    )
    graded = SimpleNamespace(diagnosis=SimpleNamespace(findings=(finding,)))
    facts = facts_of(Alarm(condition_of("2 rejects"), tuple(night("cc"))), graded)
    assert facts.reason == "cloud"
    assert "2 subs: 2 cloud or haze; the last, light_001.fits: " in facts.sentence
    assert (facts.cure, facts.caution) == ("Wait for a clear sky", "mind")


FACTS = AlarmFacts("2 cloud", "cloud", "cloud", "wait", "", ('a"; touch pwned; $(x).fits',))


def run(words: list[str], folder: Path, facts: AlarmFacts = FACTS, now: float = 0.0):
    """An alarm's command, and what it had to say after a while."""
    said: list[str] = []
    quoted = " ".join(f"'{word}'" for word in words)
    command = AlarmCommand(quoted, said.append)
    command.start(facts, now)
    return command, said


def test_the_command_gets_facts_by_its_environment_only(tmp_path):
    script = tmp_path / "say.py"
    script.write_text(
        "import os, pathlib, sys\n"
        "keys = sorted(k for k in os.environ if k.startswith('SUBGRADE_'))\n"
        f"pathlib.Path({str(tmp_path / 'out')!r}).write_text("
        "repr(sys.argv[1:]) + '\\n' + '\\n'.join(f'{k}={os.environ[k]}' for k in keys))\n"
    )
    command, said = run([sys.executable, str(script), "$SUBGRADE_FRAME;"], tmp_path)
    command.finish()
    text = (tmp_path / "out").read_text()
    assert text.startswith("['$SUBGRADE_FRAME;']")  # no shell has read it
    assert f"SUBGRADE_FRAME={FACTS.frames[0]}" in text
    assert "SUBGRADE_CURE=wait" in text
    assert not said


def test_a_command_that_fails_or_is_not_there_is_said(tmp_path):
    command, said = run([sys.executable, "-c", "raise SystemExit(7)"], tmp_path)
    command._running[0].process.wait()
    command.look(1.0)
    assert "code 7" in said[0]
    _, said = run(["no_such_program_at_all"], tmp_path)
    assert "could not be run" in said[0]


def test_a_command_that_hangs_is_ended(tmp_path):
    command, said = run([sys.executable, "-c", "import time; time.sleep(600)"], tmp_path)
    pid = command._running[0].process.pid
    command.look(1.0)
    assert not said
    command.look(1000.0)
    assert "ended, as it ran" in said[0]
    for _ in range(50):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            break
        time.sleep(0.1)
    else:
        pytest.fail("still there")


@pytest.mark.parametrize("command", ["", "'half a quote"])
def test_a_command_that_is_none_is_refused(command):
    with pytest.raises(UsageError, match="--alarm-run"):
        AlarmCommand(command, print)
