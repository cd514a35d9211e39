"""What an alarm says: the reason of it, and the likely cure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from subgrade.diagnosis import duration
from subgrade.judging.reasons import REASONS
from subgrade.results import Graded
from subgrade.watching.alarms import GUIDING, Alarm

SILENCE = {
    "sub": "the camera or the program that takes the subs may have stopped, or the folder is not "
    "the one that it writes to",
    "guiding": "the guider may have stopped, or lost its star",
}


@dataclass(frozen=True, slots=True)
class AlarmFacts:
    """An alarm in words.

    Attributes
    ----------
    condition : str
    sentence : str
        What was seen.
    reason : str
        The commonest reason word of its subs; empty without one.
    cure : str
        The diagnosis' advice on that reason; empty without any.
    caution : str
        What could hurt in following it.
    frames : tuple of str
    """

    condition: str
    sentence: str
    reason: str = ""
    cure: str = ""
    caution: str = ""
    frames: tuple[str, ...] = ()

    def environment(self) -> dict[str, str]:
        """The facts as the environment of a command: any value may be empty."""
        return {
            "SUBGRADE_ALARM": self.condition,
            "SUBGRADE_SENTENCE": self.sentence,
            "SUBGRADE_REASON": self.reason,
            "SUBGRADE_CURE": self.cure,
            "SUBGRADE_CAUTION": self.caution,
            "SUBGRADE_FRAME": self.frames[-1] if self.frames else "",
            "SUBGRADE_FRAMES": str(len(self.frames)),
        }


def facts_of(alarm: Alarm, graded: Graded | None) -> AlarmFacts:
    """Put an alarm into words.

    Parameters
    ----------
    alarm : Alarm
    graded : Graded or None
        The night so far.
    """
    condition = alarm.condition
    if condition.silent:
        what = "guiding" if condition.silent == GUIDING else "sub"
        since = duration(alarm.silent_for_s) if alarm.silent_for_s >= 60 else ""
        since = since or f"{alarm.silent_for_s:.0f} s"
        return AlarmFacts(condition.text, f"no {what} for {since}: {SILENCE[condition.silent]}")
    names = tuple(frame.name for frame in alarm.frames)
    words = Counter(f.judgement.reasons[0] for f in alarm.frames if f.judgement.reasons)
    reason = words.most_common(1)[0][0] if words else ""
    last = alarm.frames[-1].judgement
    sentence = f"{names[-1]}: {last.found or last.explanation}"
    if len(names) > 1:
        causes = ", ".join(f"{n} {REASONS[word].short}" for word, n in words.most_common())
        sentence = f"{len(names)} subs{f': {causes}' if causes else ''}; the last, {sentence}"
    cure, caution = _cure(reason, graded)
    return AlarmFacts(condition.text, sentence, reason, cure, caution, names)


def _cure(reason: str, graded: Graded | None) -> tuple[str, str]:
    """What the diagnosis advises on a reason, and what could hurt in doing so."""
    if not reason or graded is None or graded.diagnosis is None:
        return "", ""
    for finding in graded.diagnosis.findings:
        if finding.reason == reason and finding.advice:
            return finding.advice[0].action, finding.advice[0].caution
    return "", ""
