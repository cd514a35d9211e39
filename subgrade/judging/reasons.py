"""The reason words, each defined once; table, page, docs and ``explain`` draw from here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from types import MappingProxyType

from subgrade.judging.features import NOT_MEASURED
from subgrade.judging.model import Judgement


@dataclass(frozen=True, slots=True)
class Reason:
    """One cause a frame can be rejected for, or remarked on.

    Attributes
    ----------
    word : str
        The word written to ``summary.csv``.
    short : str
        A few words for a table row.
    long : str
        One or two sentences: what happened and how it shows.
    held_against : str
        The number that rejects, for the documentation.
    taken_for : str
        What it is easily taken for, for the documentation; common practice, no source.
    noun : str
        What "most likely" is followed by in a sentence; ``short`` where not given.
    rejects : bool
        Whether it can reject a frame by itself; otherwise it is a remark.
    motion : bool
        A motion of the stars on the sensor during the exposure.
    displaces : bool
        It leaves no star to match, so that starlight reads as lost.
    dims : bool
        Starlight is lost on the way to the sensor.
    widens : bool
        It widens the stars and leaves them round.  An increase in FWHM beside a word that dims
        as well is given to that word.
    """

    word: str
    short: str
    long: str
    held_against: str
    taken_for: str = ""
    noun: str = ""
    rejects: bool = True
    motion: bool = False
    displaces: bool = False
    dims: bool = False
    widens: bool = False

    def __post_init__(self) -> None:
        if not self.noun:
            object.__setattr__(self, "noun", self.short)


SURPLUS = "surplus"
_ALL = (
    Reason(
        "wind_trail",
        "wind",
        "A gust shook the telescope and it settled again: the star keeps a round core and grows "
        "a one-sided or scattered tail. It hits single frames, in no fixed direction.",
        held_against="eccentricity",
        taken_for="`ra_oscillation`, `flexure`",
        motion=True,
    ),
    Reason(
        "ra_oscillation",
        "RA oscillation (over-correcting)",
        "The mount oscillated in RA: over-correction, or corrections that come too late. Stars "
        "are stretched along RA, with light piled up at both ends.",
        held_against="eccentricity",
        taken_for="`periodic_error`, wind along RA",
        noun="RA oscillation",
        motion=True,
    ),
    Reason(
        "periodic_error",
        "periodic error",
        "The worm's periodic error in RA was not fully guided out. Stars are stretched along RA "
        "in some frames and round in others, in turn.",
        held_against="eccentricity",
        taken_for="`ra_oscillation`",
        motion=True,
    ),
    Reason(
        "dec_drift",
        "Dec drift",
        "One-way drift in Dec that guiding left uncorrected, as polar misalignment causes. "
        "Stars are stretched along Dec, alike from frame to frame.",
        held_against="eccentricity",
        taken_for="`flexure`, when it happens to lie along Dec",
        motion=True,
    ),
    Reason(
        "field_rotation",
        "field rotation",
        "The field rotated about a point during the exposure: stars are stretched in arcs, more "
        "so the farther they are from that point.",
        held_against="eccentricity of the worst corner, in a significant tangential pattern",
        taken_for="`tilt_or_coma` (the same in every frame)",
        motion=True,
    ),
    Reason(
        "flexure",
        "differential flexure",
        "Stars drifted although the guide star was held: guide scope and main telescope flexed "
        "against each other. The drift is steady, and not tied to an axis of the mount.",
        held_against="eccentricity",
        taken_for="`dec_drift`, `wind_trail`",
        motion=True,
    ),
    Reason(
        "tracking_lost",
        "lost tracking",
        "Stars are drawn into lines: the guide star was lost, or the mount stalled, slipped or "
        "slewed during the exposure.",
        held_against="length of the lines",
        taken_for="a long `dec_drift` that many frames share",
        motion=True,
        displaces=True,
    ),
    Reason(
        "bump",
        "doubled stars (bump)",
        "Every star is doubled alike: the pointing jumped once during the exposure.",
        held_against="eccentricity, or two images of every star",
        taken_for="`wind_trail` that leaves a strong second image",
        noun="a bump",
        motion=True,
        displaces=True,
    ),
    Reason(
        "dither_overlap",
        "dither not settled",
        "The exposure started before the dither had settled, so the stars show its last move.",
        held_against="a dither or its settling inside the exposure, in the guiding record",
        taken_for="`wind_trail`",
        noun="an unsettled dither",
        motion=True,
        displaces=True,
    ),
    Reason(
        "cloud",
        "cloud or haze",
        "Cloud or haze dimmed the stars: the same stars are fainter than on the clear frames, "
        "unevenly across the frame or from frame to frame.",
        held_against="depth, or unevenness across the frame",
        taken_for="`dew` (slow, one way)",
        dims=True,
    ),
    Reason(
        "dew",
        "dew",
        "Moisture on the optics: starlight faded slowly and steadily over many frames while the "
        "stars grew wider and gained halos.",
        held_against="depth",
        taken_for="`cloud` that thickens slowly, `focus` at dusk",
        dims=True,
        widens=True,
    ),
    Reason(
        "sky_glow",
        "bright sky",
        "The sky background is far above the night's level and its noise drowns faint signal: "
        "twilight, moonrise or headlights.",
        held_against="depth",
        taken_for="thin lit `cloud`",
    ),
    Reason(
        "focus",
        "out of focus",
        "Stars are bloated and round, and it came on slowly or stayed: focus shifted.",
        held_against="FWHM, or a hollow star",
        taken_for="`seeing` that stays bad",
        noun="defocus",
        widens=True,
    ),
    Reason(
        "seeing",
        "poor seeing",
        "Stars are bloated and round, and it came and went: poor seeing.",
        held_against="FWHM",
        taken_for="`focus` that was put right soon",
        widens=True,
    ),
    Reason(
        "tilt_or_coma",
        "tilt or coma",
        "Star shapes vary across the field in the same pattern in every frame: optics, back "
        "focus or sensor tilt. A remark; it rejects no frame by itself.",
        held_against="nothing: a remark",
        taken_for="`field_rotation`",
        rejects=False,
    ),
    Reason(
        "satellite_trail",
        "satellite trail",
        "A streak crosses the frame. A remark; outlier rejection in the stack removes it.",
        held_against="nothing: a remark",
        taken_for="an aircraft, a meteor",
        rejects=False,
    ),
    Reason(
        "few_stars",
        "too few stars",
        "Too few stars to judge their shape, and no better reason was found.",
        held_against="number of stars",
        taken_for="`cloud` so thick that nothing is left",
    ),
    Reason(
        "incomplete",
        "damaged pixels",
        "Part of the frame is missing or wrong: rows are empty, repeated, shifted or another "
        "frame's, or bits were flipped on the way to the file.",
        held_against="the frame's own noise, and the stars of the group",
        taken_for="`cloud`, `tracking_lost`; `unreadable` where the file ends early",
    ),
    Reason(
        SURPLUS,
        "left out by choice",
        "A good frame left out by your own choice of how many to keep: it passes every limit, "
        "and others of its group are better.",
        held_against="place among the passing frames, best first, against the share you keep",
        taken_for="nothing: only `--keep` gives it",
    ),
    Reason(
        "wrong_frame",
        "wrong frame",
        "Not a light frame of this session: its size, binning, filter, exposure or pointing "
        "differs, or it is a calibration frame.",
        held_against="group, size, binning, filter, exposure, pointing, frame type",
        taken_for="a light with a wrong header",
    ),
    Reason(
        "unreadable",
        "unreadable file",
        "The file is damaged, truncated or of a type that is not supported.",
        held_against="whether the file can be read",
    ),
)

REASONS = MappingProxyType({reason.word: reason for reason in _ALL})
"""Every reason by its word, in the order of the documentation."""


def words_that(trait: str) -> tuple[str, ...]:
    """The words of which a true-or-false attribute of `Reason` is true, in their order."""
    return tuple(reason.word for reason in _ALL if getattr(reason, trait))


MOTIONS = words_that("motion")
DISPLACING = words_that("displaces")
DIMMING = words_that("dims")
WIDENING = words_that("widens")


def loss_text(word: str, judgements: Iterable[Judgement]) -> str:
    """A reason's short text over the frames that it cost.

    Files that the program itself failed on share a word with damaged ones, and not the text.
    """
    if word != "unreadable":
        return REASONS[word].short
    own = [any(e.quantity == NOT_MEASURED.name for e in j.evidence) for j in judgements]
    return unreadable_text(own.count(False), own.count(True))


def unreadable_text(unread: int, unmeasured: int) -> str:
    """The short text of so many files that could not be read, or not be measured."""
    if not unmeasured:
        return REASONS["unreadable"].short
    return "could not be read or measured" if unread else "could not be measured"
