"""The numbers of evidence, each registered once: name, label, unit, how it is shown, origin.

A check passes one of these constants to `subgrade.judging.evidence.evidence`; results, page,
teaching and diagnosis read label, unit and form from here.  A name that is misspelt fails when
the module that uses it is imported.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

PLAIN, PERCENT, ON_SKY, BOUNDED = "as kept", "percent", "on the sky", "bound"
"""How a value is shown: in the unit it is kept in; a share of one in percent; a length in pixels
in arcseconds where the scale is known; an eccentricity as an upper bound where it is lost in its
error."""

IMAGE, STARS, GROUP, NEIGHBOURS = "star image", "stars", "group", "frames nearby"
RECORD, PIXELS, HEADER, FILE, PERSON = "guiding record", "pixels", "header", "file", "you"
"""Where numbers come from: the frame's stacked star, its list of stars, the whole group, the
frames nearby, the guiding record, the frame's pixels, its header, the file, the person's marks."""


@dataclass(frozen=True, slots=True)
class Feature:
    """One kind of number of evidence.

    Attributes
    ----------
    name : str
        ``quantity`` in session.json; never changed, since scripts read it.
    meaning : str
        One line, no full stop.
    origin : str
        Where it comes from, one of those above.
    label : str
        As the trade reads it; ``name`` where not given.  At most 31 characters, the room that
        a terminal of 80 columns has.
    unit : str
        The unit it is kept in, empty for a plain number.
    shown : str
        ``PLAIN``, ``PERCENT``, ``ON_SKY`` or ``BOUNDED``.
    factor : float
        What turns the value kept into the value shown, where it is shown in another unit.
    shown_unit : str
        That unit; ``unit`` where not given.
    digits : int
        Significant figures shown.
    least : float or None
        Shown as this where it is below.
    limitless : bool
        Whether it rejects a frame without a limit (docs/limits.md).
    less_is_worse : bool
        Whether it is past its limit below it, not above.
    """

    name: str
    meaning: str = ""
    origin: str = ""
    label: str = ""
    unit: str = ""
    shown: str = PLAIN
    factor: float = 1.0
    shown_unit: str = ""
    digits: int = 3
    least: float | None = None
    limitless: bool = False
    less_is_worse: bool = False

    def __post_init__(self) -> None:
        for empty, stands in (("label", self.name), ("shown_unit", self.unit)):
            if not getattr(self, empty):
                object.__setattr__(self, empty, stands)


_registered: dict[str, Feature] = {}
FEATURES = MappingProxyType(_registered)
"""Every number of evidence by its name, in the order of the documentation."""


def register(name: str, meaning: str, origin: str, **how) -> Feature:
    """A new `Feature`, known by its name from here on.

    Parameters
    ----------
    name, meaning, origin : str
    **how
        The other attributes.

    Raises
    ------
    ValueError
        If another has this name or label.
    """
    new = Feature(name, meaning, origin, **how)
    if name in _registered or new.label in {f.label for f in _registered.values()}:
        raise ValueError(f"{name!r}, {new.label!r}: one number of evidence has that name already")
    _registered[name] = new
    return new


ECCENTRICITY = register(
    "eccentricity", "eccentricity of the frame's common star shape", IMAGE, shown=BOUNDED
)
LIGHT_OUTSIDE_CORE = register(
    "light out of the core",
    "share of the light outside the core, along the long axis",
    IMAGE,
    label="light outside the core",
    shown=PERCENT,
)
STAR_TRAIL_LENGTH = register(
    "length of the star trails",
    "length of stars drawn into lines",
    IMAGE,
    label="trail length",
    unit="px",
    shown=ON_SKY,
    limitless=True,
)
LINE_IN_WIDTHS = register(
    "length of the line",
    "the same over the typical star's width",
    IMAGE,
    label="trail length in star widths",
)
IMAGE_SEPARATION = register(
    "separation of the two images",
    "distance of the two images of every star",
    IMAGE,
    unit="px",
    shown=ON_SKY,
    limitless=True,
)
RING_CENTRE = register(
    "centre over ring brightness",
    "brightness of a hollow star's centre over its ring",
    IMAGE,
    label="centre / ring brightness",
    less_is_worse=True,
)
MOTION_FIT = register(
    "fit of the star image",
    "probability of the kind of motion that fits the star best",
    IMAGE,
    label="best-fitting motion",
    unit="%",
)
SWING_SIZE = register(
    "size of the swing",
    "full length of the motion",
    IMAGE,
    label="length of the motion",
    unit="″",
)
AXIS_ANGLE = register(
    "angle from right ascension",
    "angle between the long axis and the RA axis",
    IMAGE,
    label="angle from the RA axis",
    unit="°",
)
PRESUMED_AXIS_ANGLE = register(
    "angle from the typical direction",
    "angle between the long axis and the way most frames are stretched, taken as RA",
    IMAGE,
    label="angle from typical direction",
    unit="°",
)
STAR_FORM = register(
    "form of the stars", "whole, doubled, with a second image, or lines; no number", IMAGE
)
TRAIL_TAKEN_OUT = register(
    "trail common to all frames",
    "length of the trail that all frames share, taken out",
    GROUP,
    unit="px",
    shown=ON_SKY,
)

FWHM = register(
    "fwhm_px",
    "full width at half maximum of the star image",
    IMAGE,
    label="FWHM",
    unit="px",
    shown=ON_SKY,
)
FWHM_ACROSS_AXIS = register(
    "fwhm_px across the narrow axis",
    "the same of an elongated star, across its long axis",
    IMAGE,
    label="FWHM across the short axis",
    unit="px",
    shown=ON_SKY,
)
FWHM_ACROSS_MOTION = register(
    "fwhm_px across the motion",
    "the same across the motion of a frame that moved unlike others",
    IMAGE,
    label="FWHM across the motion",
    unit="px",
    shown=ON_SKY,
)
FWHM_WITH_MOTION = register(
    "fwhm_px with the motion",
    "FWHM of a frame that a motion across the typical one widened",
    IMAGE,
    label="FWHM with the motion",
    unit="px",
    shown=ON_SKY,
)
FWHM_EXPECTED = register(
    "fwhm_px expected",
    "FWHM that hour, altitude and pier side account for",
    GROUP,
    label="expected FWHM",
    unit="px",
    shown=ON_SKY,
)
WINGS = register(
    "wings over core width",
    "a star's width at 20% of its peak over that at half",
    IMAGE,
    label="wings / core width",
)
FRAMES_BLOATED = register(
    "frames swollen in a row",
    "length of the run of bloated frames",
    NEIGHBOURS,
    label="consecutive bloated frames",
    unit="frames",
)
FOCUSER_MOVE = register(
    "focuser move", "steps of the focuser that ended the bloated run", HEADER, unit="steps"
)
AIRMASS = register("airmass", "air looked through, 1 at the zenith", HEADER)
WIDTH_TREND = register(
    "slow trend of widths", "relative change of FWHM per degree, focuser step or hour", GROUP
)

DEPTH = register(
    "depth",
    "(transparency / sky noise)² over that of the good frames, less what wide stars cost",
    STARS,
    label="depth (S/N² vs good frames)",
    less_is_worse=True,
)
TRANSPARENCY = register(
    "transparency", "starlight over that of the clear level", STARS, less_is_worse=True
)
NOISE = register(
    "noise_adu", "robust sky noise of one pixel", PIXELS, label="sky noise", unit="ADU"
)
BACKGROUND = register(
    "background_adu", "median sky level", PIXELS, label="sky background", unit="ADU"
)
UNEVENNESS = register(
    "transparency over quarters",
    "spread of the transparency of the frame's quarters",
    STARS,
    label="unevenness across the frame",
    shown=PERCENT,
)
STAR_COUNT = register(
    "stars", "stars above the detection limit", STARS, unit="stars", less_is_worse=True
)
STARS_LEFT = register(
    "stars left",
    "stars counted, against those that so much lost light would leave",
    STARS,
    unit="stars",
)
LIGHT_BESIDE = register(
    "light beside the stars", "share of the light that left the stars' places", STARS, shown=PERCENT
)
SECOND_IMAGE_LIGHT = register(
    "second image", "share of the light in a second image of the stars", STARS, shown=PERCENT
)
SECOND_IMAGE = register(
    "light of the second image",
    "share of a double star image's light in the fainter part",
    IMAGE,
    label="fainter image of the two",
    shown=PERCENT,
)
LAST_POINTING = register(
    "last pointing",
    "light that left the star, held against where the frame before had its stars",
    NEIGHBOURS,
    label="shift from the last pointing",
    unit="px",
    shown=ON_SKY,
)
LIGHT_LEFT = register(
    "starlight in place",
    "starlight at the stars' places over that of the clear level",
    STARS,
    less_is_worse=True,
)
PARALLEL_TRAILS = register(
    "parallel trails",
    "middle length of lines that lie side by side",
    PIXELS,
    unit="px",
    shown=ON_SKY,
)
LIGHT_BETWEEN = register(
    "light between the images",
    "share of the light between two images of a star",
    IMAGE,
    shown=PERCENT,
)
FRAMES_DIMMED = register(
    "frames dimmed in a row",
    "length of the run of dimmed frames",
    NEIGHBOURS,
    label="consecutive dimmed frames",
    unit="frames",
)
ONE_WAY_LOSS = register(
    "one-way loss",
    "rank correlation of starlight with time over the run of dimmed frames",
    NEIGHBOURS,
)
HALO = register(
    "halo", "wings over core width on the dimmest frame, against the clear ones", NEIGHBOURS
)
GROWTH_WITH_LOSS = register(
    "swelling with the loss",
    "how much wider than typical stars are on the dimmest frame",
    NEIGHBOURS,
    label="star growth with the loss",
    shown=PERCENT,
)
PATCHINESS = register(
    "patchiness of the loss",
    "difference of starlight between the best and the worst quarter",
    STARS,
    shown=PERCENT,
)
SKY_WITH_LOSS = register(
    "sky with the loss", "sky level against the expected one", PIXELS, unit="ADU"
)
RECOVERY = register("recovery", "transparency regained within two frames", NEIGHBOURS)

DIRECTION_AGREES = register(
    "agreement of direction",
    "mean cosine of twice the angle to neighbours as elongated",
    NEIGHBOURS,
    label="same direction as neighbours",
)
FRAMES_ALIKE = register(
    "consecutive frames alike",
    "length of the run of frames stretched the same way",
    NEIGHBOURS,
    unit="frames",
)
MOTION_VARIES = register(
    "variation of the motion",
    "relative scatter of the length of the motion nearby",
    NEIGHBOURS,
    shown=PERCENT,
)
FIELD_DRIFT = register(
    "creep of the field",
    "drift of the field from frame to frame in one exposure",
    NEIGHBOURS,
    label="drift of the field",
    unit="px",
    shown=ON_SKY,
)
FIELD_AFTER_DRIFT = register(
    "field after the creep",
    "shift of the field along the trail, after against before",
    NEIGHBOURS,
    label="field shift along the drift",
    unit="px",
    shown=ON_SKY,
)
TANGENTIAL = register(
    "tangential pattern",
    "significance of stars stretched in arcs about a point",
    STARS,
    unit="sigma",
)
WORST_CORNER = register(
    "worst corner eccentricity",
    "eccentricity that a rotation of the field gives the worst corner",
    STARS,
    label="worst-corner eccentricity",
)
FRAME_TO_FRAME_TURN = register(
    "turn between frames",
    "rotation of the field from frame to frame in one exposure",
    NEIGHBOURS,
    label="rotation between frames",
    unit="°",
    factor=60.0,
    shown_unit="′",
)
FIXED_PATTERN = register(
    "fixed pattern",
    "eccentricity that all frames share in their worst corner",
    GROUP,
    label="worst corner of all frames",
)
STREAK = register(
    "streak", "length of a line across the frame", PIXELS, label="streak length", unit="px"
)
# a guider that saw nothing may by chance have seen a little of the opposite

EXPLAINED = register(
    "share explained by guiding",
    "share of the elongation that the recorded motion explains",
    RECORD,
    label="elongation explained by guiding",
    shown=PERCENT,
    least=0.0,
)
RA_SHARE = register(
    "axis of the recorded motion",
    "share in RA of the recorded variance beyond the quiet level",
    RECORD,
    label="RA share of the guiding error",
    shown=PERCENT,
)
REVERSAL = register(
    "sample-to-sample reversal",
    "correlation of successive RA errors; below 0 they reverse",
    RECORD,
    less_is_worse=True,
)
OVERSHOOT = register(
    "overshoot",
    "share of RA corrections that overshot by more than half the error",
    RECORD,
    shown=PERCENT,
)
SWING_PERIOD = register(
    "period of the recorded swing",
    "period of the oscillation in RA",
    RECORD,
    label="period of the oscillation",
    unit="s",
)
DEC_DRIFT = register(
    "Dec drift in the record", "drift in Dec during the exposure", RECORD, unit="″"
)
ONE_SIDED = register(
    "one-sided corrections",
    "share of Dec corrections that go the commoner way",
    RECORD,
    shown=PERCENT,
)
RECORDED_MOTION = register(
    "recorded motion",
    "probability of the kind of motion that fits the guide star's path best",
    RECORD,
    label="best fit of the guide path",
    unit="%",
)
GAIN = register(
    "gain of the guide loop",
    "share of the RA error that corrections take back at a time",
    RECORD,
    label="gain of the RA corrections",
    shown=PERCENT,
)
CORRECTED = register(
    "way home by corrections",
    "share of the guide star's way home that corrections made up",
    RECORD,
    shown=PERCENT,
)
OWN_RA = register(
    "own motion in RA",
    "RMS of RA without its corrections, against what was left",
    RECORD,
    unit="″",
)
OWN_BEAT_RA = register(
    "own swing in RA",
    "swing of the mount itself over that left, at the period at which most is left in RA",
    RECORD,
    shown=PERCENT,
)
OWN_DRIFT_DEC = register(
    "own drift in Dec", "drift of Dec over the exposure without its corrections", RECORD, unit="″"
)
FIELD_AND_GUIDE_STAR = register(
    "field moved with the guide star",
    "shift of the field since the frame before, where the guide star was thrown",
    RECORD,
    label="field shift, guide star thrown",
    unit="″",
)
DITHER_BEFORE = register(
    "time since the dither",
    "from the last move of the record's reference to the start of the exposure",
    RECORD,
    unit="s",
)
STAR_MISSING = register(
    "time without guide star",
    "time of the exposure without a guide star",
    RECORD,
    label="time without a guide star",
    unit="s",
)
RECORD_GAP = register("gap in the record", "longest gap between samples", RECORD, unit="s")
GUIDING_ERROR = register(
    "guiding error", "largest guiding error, larger than any dither", RECORD, unit="″"
)
UNSETTLED = register(
    "unsettled time", "time of the exposure that a dither and its settling took", RECORD, unit="s"
)
GUIDING_RMS = register(
    "guiding rms", "RMS of both axes together", RECORD, label="total guiding RMS", unit="″"
)
GUIDING_PEAK = register(
    "guiding peak", "largest guiding error", RECORD, label="guiding peak error", unit="″"
)
GUIDE_STAR_LIGHT = register(
    "guide star brightness",
    "least brightness of the guide star over its typical one",
    RECORD,
    less_is_worse=True,
)
DAMAGE = {
    kind: register(f"{kind} pixels", f"share of the frame that {what}", PIXELS)
    for kind, what in {
        "empty": "holds no image",
        "repeated": "repeats other rows",
        "garbled": "holds numbers but no image",
        "flipped": "has bits flipped",
        "wrapped": "wraps around at the limit of its numbers",
        "exchanged": "has high and low bytes exchanged",
        "cut": "lies behind a line along which stars are cut off",
    }.items()
}
"""By the kind of `subgrade.stars.model.Flaw`."""
COPIED_ROWS = register("copied rows", "share of the rows that are another frame's", GROUP)
DISPLACED_ROWS = register(
    "displaced rows", "share of the rows in which stars are not in their place", GROUP
)
UNREAD_FILE = register("file", "the file cannot be read; no number", FILE)
NOT_MEASURED = register("measuring", "subgrade failed on a file that may be sound; no number", FILE)
NOT_OF_SESSION = register("session", "the frame is not of this session; no number", HEADER)
MARK = register("your mark", "you marked the frame; no number", PERSON)
PLACE_AMONG_PASSING = register(
    "place among those that pass",
    "place in the order of the group's passing frames, the best first; the limit is how many you "
    "keep",
    PERSON,
    label="place, best first",
    digits=1,
)
