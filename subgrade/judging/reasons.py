"""The reason words, each defined once; table, page, docs and ``explain`` draw from here."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Reason:
    """One cause a frame can be rejected for, or remarked on.

    Attributes
    ----------
    word : str
        The word written to ``summary.csv``.
    short : str
        A few words for a table row.
    noun : str
        What "most likely" is followed by in a sentence; ``short`` where not given.
    long : str
        One or two sentences: what happened and how it shows.
    rejects : bool
        Whether it can reject a frame by itself; otherwise it is a remark.
    """

    word: str
    short: str
    long: str
    rejects: bool = True
    noun: str = ""

    def __post_init__(self) -> None:
        if not self.noun:
            object.__setattr__(self, "noun", self.short)


_ALL = (
    Reason(
        "wind_trail",
        "wind",
        "A gust shook the telescope and it settled again: the star keeps a round core and grows "
        "a one-sided or scattered tail. It hits single frames, in no fixed direction.",
    ),
    Reason(
        "ra_oscillation",
        "RA oscillation (over-correcting)",
        "The mount oscillated in RA: over-correction, or corrections that come too late. Stars "
        "are stretched along RA, with light piled up at both ends.",
        noun="RA oscillation",
    ),
    Reason(
        "periodic_error",
        "periodic error",
        "The worm's periodic error in RA was not fully guided out. Stars are stretched along RA "
        "in some frames and round in others, in turn.",
    ),
    Reason(
        "dec_drift",
        "Dec drift",
        "One-way drift in Dec that guiding left uncorrected, as polar misalignment causes. "
        "Stars are stretched along Dec, alike from frame to frame.",
    ),
    Reason(
        "field_rotation",
        "field rotation",
        "The field rotated about a point during the exposure: stars are stretched in arcs, more "
        "so the farther they are from that point.",
    ),
    Reason(
        "flexure",
        "differential flexure",
        "Stars drifted although the guide star was held: guide scope and main telescope flexed "
        "against each other. The drift is steady, and not tied to an axis of the mount.",
    ),
    Reason(
        "tracking_lost",
        "lost tracking",
        "Stars are drawn into lines: the guide star was lost, or the mount stalled, slipped or "
        "slewed during the exposure.",
    ),
    Reason(
        "bump",
        "doubled stars (bump)",
        "Every star is doubled alike: the pointing jumped once during the exposure.",
        noun="a bump",
    ),
    Reason(
        "dither_overlap",
        "dither not settled",
        "The exposure started before the dither had settled, so the stars show its last move.",
        noun="an unsettled dither",
    ),
    Reason(
        "cloud",
        "cloud or haze",
        "Cloud or haze dimmed the stars: the same stars are fainter than on the clear frames, "
        "unevenly across the frame or from frame to frame.",
    ),
    Reason(
        "dew",
        "dew",
        "Moisture on the optics: starlight faded slowly and steadily over many frames while the "
        "stars grew wider and gained halos.",
    ),
    Reason(
        "sky_glow",
        "bright sky",
        "The sky background is far above the night's level and its noise drowns faint signal: "
        "twilight, moonrise or headlights.",
    ),
    Reason(
        "focus",
        "out of focus",
        "Stars are bloated and round, and it came on slowly or stayed: focus shifted.",
        noun="defocus",
    ),
    Reason(
        "seeing",
        "poor seeing",
        "Stars are bloated and round, and it came and went: poor seeing.",
    ),
    Reason(
        "tilt_or_coma",
        "tilt or coma",
        "Star shapes vary across the field in the same pattern in every frame: optics, back "
        "focus or sensor tilt. A remark; it rejects no frame by itself.",
        rejects=False,
    ),
    Reason(
        "satellite_trail",
        "satellite trail",
        "A streak crosses the frame. A remark; outlier rejection in the stack removes it.",
        rejects=False,
    ),
    Reason(
        "few_stars",
        "too few stars",
        "Too few stars to judge their shape, and no better reason was found.",
    ),
    Reason(
        "incomplete",
        "damaged pixels",
        "Part of the frame is missing or wrong: rows are empty, repeated, shifted or another "
        "frame's, or bits were flipped on the way to the file.",
    ),
    Reason(
        "wrong_frame",
        "wrong frame",
        "Not a light frame of this session: its size, binning, filter, exposure or pointing "
        "differs, or it is a calibration frame.",
    ),
    Reason(
        "unreadable",
        "unreadable file",
        "The file is damaged, truncated or of a type that is not supported.",
    ),
)

REASONS = MappingProxyType({reason.word: reason for reason in _ALL})
"""Every reason by its word, in the order of the documentation."""
MOTIONS = (
    "wind_trail", "ra_oscillation", "periodic_error", "dec_drift", "flexure", "field_rotation",
    "tracking_lost", "bump", "dither_overlap",
)  # fmt: skip
"""Causes that move the stars during the exposure."""
WIDENING = ("focus", "seeing", "dew")
"""Causes that widen the stars and leave them round."""

NOT_MEASURED = "measuring"
"""Quantity of the evidence on a file that the program failed on and that may be sound."""


def loss_text(word: str, judgements) -> str:
    """A reason's short text over the frames that it cost.

    Files that the program itself failed on share a word with damaged ones, and not the text.
    """
    if word != "unreadable":
        return REASONS[word].short
    own = [any(e.quantity == NOT_MEASURED for e in j.evidence) for j in judgements]
    return unreadable_text(own.count(False), own.count(True))


def unreadable_text(unread: int, unmeasured: int) -> str:
    """The short text of so many files that could not be read, or not be measured."""
    if not unmeasured:
        return REASONS["unreadable"].short
    return "could not be read or measured" if unread else "could not be measured"
