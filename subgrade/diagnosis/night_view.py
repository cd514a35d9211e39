"""The judged night as plain arrays, and the questions every finding asks of it."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from subgrade.diagnosis.model import Advice, Advised, NightFinding, Quantity, Span
from subgrade.diagnosis.wording import LIKELY, possibly, sure_word
from subgrade.guiding.model import ExposureGuiding, GuideNight
from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.judging.reasons import MOTIONS
from subgrade.night import NIGHT_GAP_S, ExpectedTrail
from subgrade.night.model import Night
from subgrade.record.model import GuideRecord

NAN = float("nan")
IMAGES_ALONE = 0.8
"""Most that a motion's name is worth without a guiding record; measured share of right names on
practice nights is lower still (docs/accuracy.md)."""


@dataclass(frozen=True, slots=True)
class NightView:
    """A judged night.

    Attributes
    ----------
    night : Night
    verdicts : tuple of Judgement
        One a frame of the night, in its order.
    guiding : GuideNight or None
        With a settled clock.
    limits : Limits
    start, end : ndarray of float64, shape (n,)
        POSIX seconds UTC; NaN unknown.
    exposure_s : ndarray of float64, shape (n,)
        0 where unknown.
    trails : tuple of ExpectedTrail
        Those taken out of the stars because every frame of a group shared them.
    record : GuideRecord or None
        The guiding record, whether its clock is settled or not.
    shared : dict
        What one finding worked out and others ask for.
    """

    night: Night
    verdicts: tuple[Judgement, ...]
    guiding: GuideNight | None
    limits: Limits
    start: np.ndarray
    end: np.ndarray
    exposure_s: np.ndarray
    trails: tuple[ExpectedTrail, ...] = ()
    record: GuideRecord | None = None
    shared: dict[str, object] = field(default_factory=dict, compare=False, repr=False)

    def __len__(self) -> int:
        return len(self.verdicts)

    def lost_to(self, word: str) -> list[int]:
        """Frames rejected with this as the first reason."""
        return [
            k
            for k, v in enumerate(self.verdicts)
            if v.verdict == "reject" and v.reasons[:1] == (word,)
        ]

    def affected(self, word: str) -> list[int]:
        """Rejects that carry the word first, and kept frames whose remark is at least likely."""

        def counts(verdict: Judgement) -> bool:
            if verdict.verdict == "reject":
                return word in verdict.reasons[:1]
            rivals = bool(verdict.rivals(word))
            return word in verdict.reasons and not (rivals and verdict.share(word) < LIKELY)

        return [k for k, verdict in enumerate(self.verdicts) if counts(verdict)]

    def recorded(self, frames) -> bool:
        """Whether the guiding record has samples in any of some frames."""
        return any(self.inside(k) is not None for k in frames)

    def kept(self) -> list[int]:
        """Frames kept."""
        return [k for k, v in enumerate(self.verdicts) if v.verdict == "keep"]

    def cost(self, frames) -> float:
        """Integration time of some frames, s."""
        return round(float(sum(self.exposure_s[k] for k in frames)), 1)

    def names(self, frames) -> tuple[str, ...]:
        return tuple(self.verdicts[k].frame for k in frames)

    def runs(self, frames) -> list[list[int]]:
        """Frames of one night as runs without another frame between."""
        out: list[list[int]] = []
        for k in sorted(frames):
            if out and out[-1][-1] == k - 1 and not self.start[k] - self.end[k - 1] > NIGHT_GAP_S:
                out[-1].append(k)
            else:
                out.append([k])
        return out

    def spans(self, frames) -> tuple[Span, ...]:
        """The same with their times."""
        return tuple(
            Span(
                self.verdicts[run[0]].frame,
                self.verdicts[run[-1]].frame,
                len(run),
                utc(self.start[run[0]]),
                utc(self.end[run[-1]]),
            )
            for run in self.runs(frames)
        )

    def inside(self, frame: int) -> ExposureGuiding | None:
        """The guiding record inside one exposure; None without samples."""
        found = self.guiding.exposures[frame] if self.guiding else None
        return found if found is not None and found.samples else None

    def axes(self) -> tuple[str, str]:
        """Names of the two axes that the record counts errors along."""
        camera = self.guiding is not None and self.guiding.record.axes != "ra_dec"
        return ("guide camera x", "guide camera y") if camera else ("RA", "Dec")

    def guided(self, frames, name: str) -> np.ndarray:
        """Finite values of one guiding number over some frames."""
        values = [getattr(e, name) for k in frames if (e := self.inside(k)) is not None]
        values = np.array(values, float)
        return values[np.isfinite(values)]

    def stars(self, name: str) -> np.ndarray:
        """One star measurement of every frame."""
        return np.array([getattr(f.stars, name) for f in self.night.frames], float)

    def facts(self, name: str) -> np.ndarray:
        """One header fact of every frame, NaN where silent."""
        values = [getattr(f.facts, name) for f in self.night.frames]
        return np.array([NAN if v is None else v for v in values], float)

    def common(self, name: str) -> float:
        """Median of a header fact; NaN where every header is silent."""
        values = self.facts(name)
        return float(np.median(values[np.isfinite(values)])) if np.isfinite(values).any() else NAN

    def usual(self, frame: int, quantity: str) -> float:
        """Typical value of the frame's group; NaN for a stray."""
        group = self.night.compared[frame].group
        if group < 0 or quantity not in self.night.groups[group].usual:
            return NAN
        return self.night.groups[group].usual[quantity].centre

    def samples(self, frames) -> np.ndarray:
        """Which samples of the record fall into some exposures, settling left out."""
        record, add = self.guiding.record, self.guiding.clock.add_s
        time = record.time + add
        mine = np.zeros(len(time), bool)
        for k in frames:
            if math.isfinite(self.start[k]):
                mine |= (time >= self.start[k]) & (time <= self.end[k])
        return mine & record.measured

    def sureness(self, word: str, frames) -> float:
        """How sure the cause's name is: the mean share over the frames lost, or else over all."""
        frames = [k for k in frames if self.verdicts[k].verdict == "reject"] or frames
        mean = (
            float(np.mean([self.verdicts[k].share(word) for k in frames])) if len(frames) else 0.5
        )
        if word in MOTIONS and not self.recorded(frames):
            mean = min(mean, IMAGES_ALONE)
        return mean


def view_of(
    night: Night, verdicts, guiding: GuideNight | None, limits: Limits, trails=(), record=None
) -> NightView:
    """Lay the night out in arrays."""
    facts = [f.facts for f in night.frames]
    exposure = np.array([f.exposure_s or 0.0 for f in facts])
    length = np.array([f.elapsed_s or f.exposure_s or 0.0 for f in facts])
    start = np.array(
        [
            f.start_unix
            if f.start_unix is not None
            else f.mid_unix - 0.5 * s
            if f.mid_unix is not None
            else NAN
            for f, s in zip(facts, length, strict=True)
        ],
        float,
    )
    times = (start, start + length, exposure)
    return NightView(night, tuple(verdicts), guiding, limits, *times, tuple(trails), record)


def utc(unix: float) -> str:
    """ISO 8601 to the second, ``Z`` behind; empty for NaN."""
    if not math.isfinite(unix):
        return ""
    moment = datetime.datetime.fromtimestamp(round(unix), datetime.UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def finding(
    view: NightView,
    topic: str,
    sentence: str,
    *,
    reason: str = "",
    frames=(),
    lost=(),
    numbers: Iterable[Quantity] = (),
    evidence: Iterable[str] = (),
    sureness: float = 0.5,
    advice: Iterable[Advised] = (),
    hedged: bool = False,
) -> NightFinding:
    """A `NightFinding` with its frames' spans and cost, numbers that are not finite left out.

    Each ``advice`` is given what ``lost`` cost.  A sentence that states itself what is only
    possible is ``hedged``.
    """
    cost, sureness = view.cost(lost), round(float(np.clip(sureness, 0.0, 1.0)), 2)
    frames = sorted({*frames, *lost})
    if reason and sureness < LIKELY and not hedged:
        sentence = possibly(sentence)
    return NightFinding(
        topic,
        reason,
        sentence,
        tuple(_finite(q) for q in numbers if math.isfinite(q.value)),
        tuple(evidence),
        sureness,
        sure_word(sureness),
        view.names(frames),
        view.spans(frames),
        cost,
        tuple(
            Advice(topic, a.action, a.because, a.caution, cost, sureness, view.names(lost))
            for a in advice
        ),
    )


def _finite(q: Quantity) -> Quantity:
    error = None if q.error is None or not math.isfinite(q.error) else float(q.error)
    return Quantity(q.name, float(q.value), error, q.unit)
