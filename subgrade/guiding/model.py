"""What joining a guiding record with the night hands on: clock, and each exposure's share.

Times are seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from subgrade.record.model import GuideRecord

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Seconds to add to a record's clock to get UTC, and with what confidence.

    ``rivals`` are other whole-zone offsets (hours, score) that fit nearly as well;
    ``decided`` is False when one of them fits equally and the user must state it.
    """

    add_s: float
    zone_hours: float
    skew_s: float
    confidence: float
    decided: bool
    how: str
    rivals: tuple[tuple[float, float], ...] = ()
    skew_error_s: float = NAN
    """One sigma of the seconds; large where no dither shows them."""
    camera_hours: float = 0.0
    """Hours that the frames' times are ahead of UTC, where a record on UTC shows it."""
    in_common: float = NAN
    """Log-likelihood that frames and record move together, over no connection at all."""
    by_word: str = ""
    """At what word the clock is taken where the frames do not bear the record out."""


@dataclass(frozen=True, slots=True)
class ExposureGuiding:
    """The guiding inside one exposure; NaN where the record does not show it.

    Errors in arcsec.  ``rms_*`` are about the mean over the exposure, ``off_*`` about the
    reference position.  ``moments`` is the (ra-ra, dec-dec, ra-dec) covariance of the
    recorded motion, arcsec^2.
    """

    samples: int = 0
    coverage: float = 0.0
    """Share of the exposure with samples (gaps of over three cadences left out)."""
    rms_ra: float = NAN
    rms_dec: float = NAN
    off_ra: float = NAN
    off_dec: float = NAN
    peak: float = NAN
    drift_ra: float = NAN
    """arcsec per minute, robust slope."""
    drift_dec: float = NAN
    lag1_ra: float = NAN
    lag1_dec: float = NAN
    period_s: float = NAN
    """Dominant period in RA (Lomb-Scargle) when significant."""
    amplitude: float = NAN
    false_alarm: float = NAN
    one_sided_ra: float = NAN
    """Share of RA corrections in their commoner direction, 0.5..1."""
    one_sided_dec: float = NAN
    overshoot: float = NAN
    """Share of corrections after which the error changed sign and grew past half its size."""
    gusts: int = 0
    gust_time: float = NAN
    gust_size: float = NAN
    gust_settle_s: float = NAN
    star_drop: float = NAN
    """Least guide-star brightness over the night's usual."""
    lost_s: float = 0.0
    settle_overlap_s: float = 0.0
    """Seconds of the exposure during a dither or its settling."""
    longest_gap_s: float = NAN
    moments: tuple[float, float, float] = (NAN, NAN, NAN)
    unsettled_peak: float = NAN
    """Greatest error during a dither or its settling, until the star was home."""


PATH_MEMBERS = (
    "nothing",
    "ramp",
    "step",
    "knock",
    "swing",
    "to_and_fro",
    "settling",
    "irregular",
    "star_missing",
)
"""What the path of an exposure is weighed against, in this order."""


@dataclass(frozen=True, slots=True)
class PathMember:
    """One explanation of a recorded path, and how much of it that explains.

    Lengths in arcsec, times in seconds; NaN for numbers that the member does not have.

    Attributes
    ----------
    name : str
        One of `PATH_MEMBERS`.
    share : float
        Posterior probability, never NaN; of ``star_missing`` the share of the exposure in which
        nothing is known, taken off the others.
    log_evidence : float
        Marginal likelihood over that of ``nothing``, natural logarithm, without the prior.
    variance_share, elongation_share : float
        Of the recorded variance, and of the recorded elongation along its own axis, 0 to 1.
    moments : tuple of float
        (ra-ra, dec-dec, ra-dec) of the fitted motion with the recorded one, arcsec^2.
    ra_share : float
        Of ``moments``' trace along RA (the guide camera's x where the record has no RA).
    angle_deg : float
        Position angle of the motion, from +Dec towards +RA of the record: of a step, knock or
        settling where it went (0 to 360), else that of its axis (0 to 180).
    size, size_error : float
        Length of a ramp over the exposure; distance of a step, of the furthest sample of a knock
        and of the place from which the star settles; amplitude of a swing.
    when_s, when_error_s : float
        Onset after the start of the exposure.
    lasts_s, lasts_error_s : float
        Decay time of a knock without or with ringing, and of settling; how long a step's second
        place was held within the exposure; length of a burst.
    period_s, period_error_s : float
    rate_ra, rate_dec, rate_error : float
        Of a ramp, arcsec per minute.
    away_share : float
        Share of the exposure on the far side of the middle between both places; of a step that
        of the place after it, so how bright the second of two images is.
    corrected_share : float
        Part of the way home that corrections make up, where pulses and their rate are known:
        about 1 where the guider brought the star back, the loop's gain or less where it came
        back by itself; NaN of a burst.
    """

    name: str
    share: float
    log_evidence: float = NAN
    variance_share: float = 0.0
    elongation_share: float = 0.0
    moments: tuple[float, float, float] = (0.0, 0.0, 0.0)
    ra_share: float = NAN
    angle_deg: float = NAN
    size: float = NAN
    size_error: float = NAN
    when_s: float = NAN
    when_error_s: float = NAN
    lasts_s: float = NAN
    lasts_error_s: float = NAN
    period_s: float = NAN
    period_error_s: float = NAN
    rate_ra: float = NAN
    rate_dec: float = NAN
    rate_error: float = NAN
    away_share: float = NAN
    corrected_share: float = NAN


@dataclass(frozen=True, slots=True)
class PathFit:
    """The recorded path of one exposure as each member of the dictionary sees it.

    ``members`` stand in the order of `PATH_MEMBERS`; their shares sum to 1.  ``moments`` is the
    recorded covariance, arcsec^2; ``noise_*`` the noise assumed per axis, arcsec; ``noise_level``
    how many times that the most likely member leaves.  ``gain_*`` is the share of the error that
    the pulses of the exposure were sent to take back, NaN without pulses.
    """

    samples: int
    members: tuple[PathMember, ...]
    moments: tuple[float, float, float] = (NAN, NAN, NAN)
    noise_ra: float = NAN
    noise_dec: float = NAN
    noise_level: float = NAN
    missing_s: float = 0.0
    gain_ra: float = NAN
    gain_dec: float = NAN

    def __getitem__(self, name: str) -> PathMember:
        return self.members[PATH_MEMBERS.index(name)]

    @property
    def leading(self) -> str:
        """The member with more than half of the share, else ``uncertain``."""
        best = max(self.members, key=lambda m: m.share)
        return best.name if best.share > 0.5 else "uncertain"


@dataclass(frozen=True, slots=True)
class MountMotion:
    """The mount's own motion in one exposure, the corrections taken out; arcsec.

    ``own_ra`` is its rms about a straight line, ``left_ra`` that of the errors as recorded, and
    ``drift_dec`` the length of that line over the exposure, signed; ``beat_ra`` how far the mount
    itself swings at the period at which most is left, over what is left there: about nothing
    where the corrections made the swing.
    """

    own_ra: float
    left_ra: float
    drift_dec: float
    beat_ra: float


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the recorded motion adds to the star image, beside what was measured (px^2)."""

    predicted: tuple[float, float, float] = (NAN, NAN, NAN)
    residual: tuple[float, float, float] = (NAN, NAN, NAN)
    error: float = NAN


@dataclass(frozen=True, slots=True)
class GuideNight:
    """The record over the night; NaN where it does not show it.

    ``camera_angle_deg`` is the direction of RA (east) in the main image, counter-clockwise from
    +x; ``handedness`` +1 when north is 90 degrees counter-clockwise from east.
    """

    record: GuideRecord
    clock: ClockFit
    exposures: tuple[ExposureGuiding | None, ...]
    """One entry a frame of the night, in ``Night.frames`` order; None without overlap."""
    predictions: tuple[Prediction | None, ...] = ()
    paths: tuple[PathFit | None, ...] = ()
    """What moved the guide star, one entry a frame as in ``exposures``."""
    mount: tuple[MountMotion | None, ...] = ()
    """What the mount itself did, likewise."""
    starts: tuple[float, ...] = ()
    """When each frame's exposure began, POSIX seconds UTC; NaN unknown."""
    camera_angle_deg: float = NAN
    camera_angle_error_deg: float = NAN
    handedness: int = 0
    angle_source: str = "none"
    """``wcs``, ``night`` or ``none``."""
    worm_period_s: float = NAN
    worm_amplitude: float = NAN
    dec_drift: float = NAN
    """Uncorrected declination drift, arcsec per minute, corrections added back."""
    polar_arcmin: float = NAN
    polar_arcmin_error: float = NAN
    backlash_s: float = NAN
    calm_rms_ra: float = NAN
    calm_rms_dec: float = NAN
    guide_exposure: str = ""
    """``too slow``, ``chases seeing``, ``fits`` or '' unknown."""
    usual_brightness: float = NAN
    notes: tuple[str, ...] = field(default=())
