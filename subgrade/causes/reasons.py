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
    long : str
        One or two sentences: what happened and how it shows.
    rejects : bool
        Whether it can reject a frame by itself; otherwise it is a remark.
    """

    word: str
    short: str
    long: str
    rejects: bool = True


_ALL = (
    Reason(
        "wind_trail",
        "wind",
        "A short knock that settled: the star keeps a round core and grows a one-sided or "
        "scattered tail. It hits single frames, in no steady direction.",
    ),
    Reason(
        "ra_oscillation",
        "RA oscillation (over-correcting)",
        "The mount swung to and fro in right ascension: over-correction or too slow a "
        "correction rate. Stars are stretched along right ascension, piled up at both ends.",
    ),
    Reason(
        "periodic_error",
        "periodic error",
        "The worm's slow swing in right ascension was left in the exposure. Stars are "
        "stretched along right ascension in some frames and round in others, in turn.",
    ),
    Reason(
        "dec_drift",
        "Dec drift",
        "One-way creep in declination, as polar misalignment makes when it is not corrected. "
        "Stars are stretched along declination, alike from frame to frame.",
    ),
    Reason(
        "field_rotation",
        "field rotation",
        "The field turned about a point during the exposure: elongation is tangential and "
        "grows with the distance from that point.",
    ),
    Reason(
        "flexure",
        "differential flexure",
        "Stars drifted although the guider held its star: guide scope and main scope moved "
        "against each other. The drift is steady, and not tied to an axis of the mount.",
    ),
    Reason(
        "tracking_lost",
        "lost tracking",
        "Stars are drawn into lines: the guide star was lost, the mount stalled, or it moved "
        "during the exposure.",
    ),
    Reason(
        "bump",
        "doubled stars (bump)",
        "Every star is doubled alike: the telescope made a step during the exposure.",
    ),
    Reason(
        "dither_overlap",
        "dither not settled",
        "The exposure began before the dither had settled, so the stars carry its last move.",
    ),
    Reason(
        "cloud",
        "cloud or haze",
        "Starlight was lost to cloud or haze: the same stars are fainter than on the clear "
        "frames, unevenly over the frame or from frame to frame.",
    ),
    Reason(
        "dew",
        "dew",
        "Starlight was lost slowly and one way over many frames while the stars swelled and "
        "grew halos: moisture on the optics.",
    ),
    Reason(
        "sky_glow",
        "bright sky",
        "The background is far above the night's level, and its noise drowns starlight: "
        "twilight, moonrise or headlights.",
    ),
    Reason(
        "focus",
        "out of focus",
        "Stars are swollen and round, and the swelling came slowly or stayed: the focus had moved.",
    ),
    Reason(
        "seeing",
        "poor seeing",
        "Stars are swollen and round, and the swelling came and went: poor seeing.",
    ),
    Reason(
        "tilt_or_coma",
        "tilt or coma",
        "Star shape varies over the field in the same pattern in every frame: optics, spacing "
        "or sensor tilt. A remark; it rejects no frame by itself.",
        rejects=False,
    ),
    Reason(
        "satellite_trail",
        "satellite trail",
        "A streak crosses the frame. A remark; a stack of enough frames removes it.",
        rejects=False,
    ),
    Reason(
        "few_stars",
        "too few stars",
        "Too few stars to judge the shape, and no better reason was found.",
    ),
    Reason(
        "wrong_frame",
        "wrong frame",
        "Not a light frame of this session: size, binning, filter, exposure or pointing "
        "differ, or it is a calibration frame.",
    ),
    Reason(
        "unreadable",
        "unreadable file",
        "The file is damaged, truncated or of a kind that is not supported.",
    ),
)

REASONS = MappingProxyType({reason.word: reason for reason in _ALL})
"""Every reason by its word, in the order of the documentation."""
