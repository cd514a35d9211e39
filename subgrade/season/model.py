"""What several graded nights come to, in plain values.

Numbers that are not known are NaN or None, with a note that says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class FrameTable:
    """The frames of one night, column by column, in the order taken; every column of length n.

    ``name`` is as in RESULTS, ``path`` absolute, ``key`` what the measurement is kept under in
    RESULTS (empty where unknown), ``content`` what the file was when it was graded, ``verdict``
    and ``reason`` (the first, empty for a clean keep) as judged, ``series`` the index into
    ``GradedNight.series`` (-1 for a frame that belongs to none). Numbers are those of
    summary.csv, NaN where not measured; transparencies of results that hold several nights are
    against each night's own clear level.
    """

    name: tuple[str, ...]
    path: tuple[str, ...]
    key: tuple[str, ...]
    content: tuple[str, ...]
    verdict: tuple[str, ...]
    reason: tuple[str, ...]
    series: np.ndarray
    start_unix: np.ndarray
    exposure_s: np.ndarray
    weight: np.ndarray
    fwhm_px: np.ndarray
    eccentricity: np.ndarray
    angle_deg: np.ndarray
    background_adu: np.ndarray
    noise_adu: np.ndarray
    transparency: np.ndarray
    transparency_is_limit: np.ndarray
    guide_rms_ra_arcsec: np.ndarray
    guide_rms_dec_arcsec: np.ndarray

    def __len__(self) -> int:
        return len(self.name)

    @property
    def kept(self) -> np.ndarray:
        """Which frames were kept, shape (n,)."""
        return np.array([v == "keep" for v in self.verdict], bool)


@dataclass(frozen=True, slots=True)
class Setup:
    """A camera behind a telescope, as far as the headers part them.

    Attributes
    ----------
    label : str
        Short and unique among the setups of the season, as ``1.26″/px, 2400 × 1600``.
    camera : str or None
    shape : tuple of int
        (height, width), px.
    binning : tuple of int
    scale_arcsec : float
    """

    label: str
    camera: str | None
    shape: tuple[int, int]
    binning: tuple[int, int]
    scale_arcsec: float = NAN


@dataclass(frozen=True, slots=True)
class NightSeries:
    """Frames of one night taken alike: one group of its results.

    Attributes
    ----------
    label : str
        The group's label in the results.
    target, filter : str or None
        As the header has them; in a season, as most headers of that target's nights spell them.
    exposure_s : float or None
    setup : Setup
    group : int
        Index of the group in session.json.
    trends : dict or None
        ``Trends`` of the group as session.json has them.
    ra_deg, dec_deg : float
        Pointing of the reference frame, NaN unknown.
    """

    label: str
    target: str | None
    filter: str | None
    exposure_s: float | None
    setup: Setup
    group: int
    trends: dict | None = None
    ra_deg: float = NAN
    dec_deg: float = NAN


@dataclass(frozen=True, slots=True)
class GradedNight:
    """One night, read back from its RESULTS folder.

    Attributes
    ----------
    label : str
        Date of its evening, ISO 8601, by local solar time where the site is known, else UTC; a
        number behind it where two would be called alike.
    folder : Path
        RESULTS.
    frames : FrameTable
    series : tuple of NightSeries
    record : dict
        session.json without its frames. Of results that hold several nights it goes to each,
        and ``alone`` is False for all but the night with most frames, which mount, guider and
        diagnosis are of.
    alone : bool
        Whether guiding and diagnosis in ``record`` are this night's.
    site_lat_deg, site_lon_deg : float
    notes : tuple of str
    """

    label: str
    folder: Path
    frames: FrameTable
    series: tuple[NightSeries, ...]
    record: dict
    alone: bool = True
    site_lat_deg: float = NAN
    site_lon_deg: float = NAN
    notes: tuple[str, ...] = ()

    @property
    def start_unix(self) -> float:
        """When its first frame began, POSIX seconds; NaN where no frame has a time."""
        known = self.frames.start_unix[np.isfinite(self.frames.start_unix)]
        return float(known.min()) if len(known) else NAN

    @property
    def end_unix(self) -> float:
        """When its last frame began."""
        known = self.frames.start_unix[np.isfinite(self.frames.start_unix)]
        return float(known.max()) if len(known) else NAN


@dataclass(frozen=True, slots=True)
class Tie:
    """How much light a series' clear frames record of a star, against the stack's reference.

    Attributes
    ----------
    night, series : int
        Index into the season's nights, and into that night's series.
    ratio, error : float
        Counts of the same star in a clear frame of this series over those in the reference
        series, exposure time and gain included; one sigma. NaN where no stars tie them.
    scale : float
        Pixels of the reference series for one pixel of this one (measured from the stars).
    stars : int
        Stars in common.
    clear : float
        Transparency of this series' clear level against the clearest of the stack's nights, for
        equal setup and exposure (1 = as clear); NaN where setups differ or nothing ties them.
    note : str
        Why there is no tie, or what is doubtful about it.
    """

    night: int
    series: int
    ratio: float = NAN
    error: float = NAN
    scale: float = NAN
    stars: int = 0
    clear: float = NAN
    note: str = ""


@dataclass(frozen=True, slots=True)
class HoursRow:
    """Kept time of one target, filter, exposure and setup on one night."""

    night: int
    series: int
    exposure_s: float | None
    setup: str
    frames: int
    kept: int
    kept_s: float
    lost_s: float


@dataclass(frozen=True, slots=True)
class StackPart:
    """What one night brings to a stack.

    Attributes
    ----------
    night : int
    frames : int
        Kept frames of it.
    kept_s : float
    depth : float
        Its S/N² as a share of that of the stack of all nights.
    fwhm : float
        Of the stack of this night alone, in the stack's unit.
    fwhm_without, eccentricity_without, snr_without : float
        The stack of all other nights: width, eccentricity, and S/N over that of the stack of all.
    better_without : bool
        Whether that stack is better: see ``SeasonStack.poorest``.
    """

    night: int
    frames: int
    kept_s: float
    depth: float = NAN
    fwhm: float = NAN
    fwhm_without: float = NAN
    eccentricity_without: float = NAN
    snr_without: float = NAN
    better_without: bool = False


@dataclass(frozen=True, slots=True)
class SeasonStack:
    """All that was taken of one target through one filter.

    Attributes
    ----------
    target, filter : str or None
    rows : tuple of HoursRow
    kept_s, lost_s : float
    reference_night, reference_frame : int, str
        The frame that transparency, width and weights are measured against, and whose
        orientation and pixels the others are laid on; night -1 where no stack can be predicted.
    unit : str
        Of widths: ``″``, or ``px`` of the reference where no scale is known.
    frames : int
        Frames that the forecast holds: kept, measured and tied.
    fwhm, eccentricity : float
        Of the weighted stack of them.
    snr : float
        Of a faint star, over that of the reference frame alone.
    plain_fwhm, plain_snr : float
        The same of a plain mean.
    parts : tuple of StackPart
        In the order of the nights.
    poorest : int
        Night without which the plain mean is better, -1 where every night helps.
    verdict : str
        One sentence: what the stack gives, and whether a night is better left out.
    notes : tuple of str
    """

    target: str | None
    filter: str | None
    rows: tuple[HoursRow, ...]
    kept_s: float
    lost_s: float
    reference_night: int = -1
    reference_frame: str = ""
    unit: str = "px"
    frames: int = 0
    fwhm: float = NAN
    eccentricity: float = NAN
    snr: float = NAN
    plain_fwhm: float = NAN
    plain_snr: float = NAN
    parts: tuple[StackPart, ...] = ()
    poorest: int = -1
    verdict: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FrameWeight:
    """A kept frame's weight in its stack; 1 is the best frame of all the stack's nights.

    ``transparency`` is against the clearest night's clear level where that is known, else NaN.
    """

    night: int
    frame: str
    path: str
    stack: int
    weight: float
    transparency: float = NAN


@dataclass(frozen=True, slots=True)
class HistoryPoint:
    """One night's value of a quantity; ``error`` one sigma, NaN where none can be given."""

    night: int
    value: float
    error: float = NAN
    note: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """A quantity changed between two nights on which it was measured.

    Attributes
    ----------
    after, before : int
        The last night with the old value, and the first with the new one.
    old, old_error, new, new_error : float
        Means of the nights on either side up to the next change.
    sigma : float
        The difference over its error, night-to-night scatter included.
    sentence : str
        As in ``The polar axis moved between the 3rd and the 9th of March: 2.1 ± 0.3′ to ...``.
    """

    after: int
    before: int
    old: float
    old_error: float
    new: float
    new_error: float
    sigma: float
    sentence: str


@dataclass(frozen=True, slots=True)
class History:
    """One quantity over the nights.

    Attributes
    ----------
    key : str
        ``polar_error``, ``polar_altitude``, ``polar_azimuth``, ``worm_period``,
        ``worm_amplitude``, ``guiding_ra``, ``guiding_dec``, ``flexure``, ``focus_slope``,
        ``seeing``, ``sky``, ``clear_level``.
    title, unit : str
    subject : str
        Setup, filter or mount that it holds for, where there are several; else empty.
    points : tuple of HistoryPoint
    mean, error, scatter : float
        Weighted mean where nothing changed, its error, and night-to-night scatter beyond the
        errors.
    changes : tuple of Change
    verdict : str
        One sentence: steady, changed and when, or why it not known.
    slope, slope_error : float
        Change a month where it changed steadily, else NaN.
    """

    key: str
    title: str
    unit: str
    subject: str = ""
    points: tuple[HistoryPoint, ...] = ()
    mean: float = NAN
    error: float = NAN
    scatter: float = NAN
    changes: tuple[Change, ...] = ()
    verdict: str = ""
    slope: float = NAN
    slope_error: float = NAN


@dataclass(frozen=True, slots=True)
class Dependence:
    """How sky or seeing goes with the hour or the Moon, over all nights.

    Attributes
    ----------
    key : str
        ``seeing_by_hour``, ``sky_by_hour``, ``sky_by_moon``, ``seeing_by_altitude`` …
    title, unit, x_title, x_unit : str
    subject : str
    x, value, error, frames : tuple
        Middle of each bin, median there, its error, frames in it.
    slope, slope_error : float
        Per unit of x, NaN where no line is meant.
    verdict : str
    """

    key: str
    title: str
    unit: str
    x_title: str
    x_unit: str
    subject: str = ""
    x: tuple[float, ...] = ()
    value: tuple[float, ...] = ()
    error: tuple[float, ...] = ()
    frames: tuple[int, ...] = ()
    slope: float = NAN
    slope_error: float = NAN
    verdict: str = ""


@dataclass(frozen=True, slots=True)
class SeasonLoss:
    """What one reason cost over the season.

    ``by_night`` holds (night, frames, seconds) of the nights that it cost anything.
    """

    reason: str
    text: str
    frames: int
    lost_s: float
    share: float
    by_night: tuple[tuple[int, int, float], ...]


@dataclass(frozen=True, slots=True)
class AdviceFollowed:
    """What became of a line of advice.

    Attributes
    ----------
    topic, reason, action : str
        As the first night that gave it has them.
    nights : tuple of int
        Nights that gave it.
    followed : str
        ``yes``, ``no`` or ``not known``.
    since : int
        First night on which it shows to be followed, -1 where it does not.
    because : str
        What shows it, with numbers.
    before, before_error, after, after_error : float
        Minutes lost to the reason an hour of exposure, before and since; NaN where there are none.
    helped : str
        ``yes``, ``no``, ``worse`` or ``not known``.
    sentence : str
    """

    topic: str
    reason: str
    action: str
    nights: tuple[int, ...]
    followed: str
    since: int = -1
    because: str = ""
    before: float = NAN
    before_error: float = NAN
    after: float = NAN
    after_error: float = NAN
    helped: str = "not known"
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Season:
    """Several graded nights together.

    Attributes
    ----------
    nights : tuple of GradedNight
        By time; those without a time last.
    ties : tuple of Tie
    stacks : tuple of SeasonStack
        Most kept time first.
    weights : tuple of FrameWeight
    histories : tuple of History
    dependences : tuple of Dependence
    losses : tuple of SeasonLoss
        Most time first.
    advice : tuple of AdviceFollowed
    summary : tuple of str
        The season in a few sentences, most worth knowing first.
    problems : tuple of (str, str)
        (folder or frame, cause) of what could not be used.
    """

    nights: tuple[GradedNight, ...]
    ties: tuple[Tie, ...] = ()
    stacks: tuple[SeasonStack, ...] = ()
    weights: tuple[FrameWeight, ...] = ()
    histories: tuple[History, ...] = ()
    dependences: tuple[Dependence, ...] = ()
    losses: tuple[SeasonLoss, ...] = ()
    advice: tuple[AdviceFollowed, ...] = ()
    summary: tuple[str, ...] = ()
    problems: tuple[tuple[str, str], ...] = field(default=())

    @property
    def evenings(self) -> int:
        """Nights as whoever was out counts them: two cameras or targets of one evening are one."""
        dates = [n.label[:10] for n in self.nights if n.start_unix == n.start_unix]
        return len(set(dates)) + len(self.nights) - len(dates)
