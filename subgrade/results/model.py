"""What is written: every file found, graded or not, with the night it belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from subgrade.diagnosis.model import Diagnosis
from subgrade.guiding.model import ExposureGuiding, GuideNight
from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.judging.reasons import SURPLUS
from subgrade.lights.model import HeaderFacts
from subgrade.night.model import FrameCompared, Group
from subgrade.results.file_identity import FileIdentity
from subgrade.results.measurement_cache import KeptPictures
from subgrade.stars.model import FrameStars
from subgrade.teaching import Decided

FRAME, RECORD, PART = "frame", "guiding record", "part of the results"
"""What a problem is of."""
OPENING = {FRAME: "", RECORD: "guiding record not used: ", PART: "left out of the results: "}
"""What stands before the cause where problems of all kinds stand together."""


class Problem(NamedTuple):
    """Something that a run could not do.

    Attributes
    ----------
    file : str
        A file, or what else is missing.
    cause : str
    of : str
        ``FRAME``, folders among them, ``RECORD`` or ``PART``.
    """

    file: str
    cause: str
    of: str = FRAME

    @property
    def text(self) -> str:
        """The cause with what the problem is of."""
        return f"{OPENING[self.of]}{self.cause}"


@dataclass(frozen=True, slots=True)
class GradedFrame:
    """One file with all that is known of it; None where it was not read or measured."""

    name: str
    """Path relative to the common input folder, ``/`` between parts."""
    path: Path
    judgement: Judgement
    facts: HeaderFacts | None = None
    stars: FrameStars | None = None
    compared: FrameCompared | None = None
    guiding: ExposureGuiding | None = None
    pictures: KeptPictures | None = None
    """``pictures.load()`` reads thumbnail and star cut-outs."""

    @property
    def start_unix(self) -> float | None:
        """When its exposure began, POSIX seconds; None unknown."""
        return self.facts.start_unix if self.facts else None

    @property
    def end_unix(self) -> float | None:
        """When it ended; as it began where no length is stated."""
        if self.start_unix is None:
            return None
        return self.start_unix + (self.facts.elapsed_s or self.facts.exposure_s or 0.0)


def is_surplus(frame: GradedFrame) -> bool:
    """Whether a good frame was left out by the person's choice of how many to keep."""
    return frame.judgement.reasons[:1] == (SURPLUS,) and frame.judgement.verdict == "reject"


@dataclass(frozen=True, slots=True)
class CulledFrame:
    """A frame that an earlier cull moved away, so that it was not graded with the others.

    Attributes
    ----------
    name : str
        As in `GradedFrame`.
    path, place : Path
        Where it was when it was graded, and where the cull moved it.
    record : dict or None
        What session.json held of it when it was graded; None where that is lost.
    """

    name: str
    path: Path
    place: Path
    record: dict | None = None


def was_surplus(frame: CulledFrame) -> bool:
    """Whether an earlier choice of how many to keep left out a frame that was then culled."""
    reasons = (frame.record or {}).get("values", {}).get("reasons") or ""
    return reasons.split(";")[0] == SURPLUS


@dataclass(frozen=True, slots=True)
class Graded:
    """A graded night, ready to write.

    Attributes
    ----------
    folder : Path
        Common input folder, absolute; frame names are relative to it.
    frames : tuple of GradedFrame
        In the order taken; files without a time last, by name.
    groups : tuple of Group
        Frames that were compared with one another; ``members`` index the night's own
        list and are not used here.  Usual shapes and widths are without a trail that all
        frames share.
    limits : Limits
    problems : tuple of Problem
        What could not be done, and why.
    settings : dict
        What the user asked for.
    guiding : GuideNight or None
        The guiding record over the night; not used where its clock is undecided.
    diagnosis : Diagnosis or None
        The night's story and the advice for the next.
    remarks : tuple of str
        What the judging found of the night as a whole.
    person : Decided or None
        What the person's marks taught and overruled.
    identities : mapping of Path to FileIdentity
        What each file was before it was measured; those that could not be read are missing.
    culled : tuple of CulledFrame
        Frames of the same results that are not among ``frames``, as a cull moved them away.
    run_in : str
        Folder that paths of ``settings`` are relative to; empty for the one worked in.
    """

    folder: Path
    frames: tuple[GradedFrame, ...]
    groups: tuple[Group, ...]
    limits: Limits
    problems: tuple[Problem, ...] = ()
    settings: dict = field(default_factory=dict)
    guiding: GuideNight | None = None
    diagnosis: Diagnosis | None = None
    remarks: tuple[str, ...] = ()
    person: Decided | None = None
    identities: Mapping[Path, FileIdentity] = field(default_factory=dict)
    culled: tuple[CulledFrame, ...] = ()
    run_in: str = ""
