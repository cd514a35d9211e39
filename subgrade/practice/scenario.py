"""What a practice night is made of, as frozen values that can be written in TOML.

Angles are degrees, sky lengths arcseconds, times seconds unless a name says
otherwise.  Frames are numbered from 1, as a person would in a TOML file.
"""

from __future__ import annotations

from dataclasses import dataclass, field

SIDEREAL_ARCSEC_PER_S = 1296000.0 / 86164.0905
"""Turn of the sky, arcsec of hour angle per second (mean sidereal day 86164.0905 s)."""


@dataclass(frozen=True, slots=True)
class Plan:
    """The run of exposures."""

    frames: int = 30
    exposure_s: float = 120.0
    gap_s: float = 22.0
    """Download, dither and settling between two exposures."""
    start_utc: str = "2031-02-18T03:40:00"
    filter: str = "L"
    dither_arcsec: float = 5.0
    dither_every: int = 2
    """A dither before every n-th frame; 0 for none."""
    dither_order: str = "random"
    """``random`` in a square, ``spiral`` outwards, ``line`` to and fro, ``wander`` ever on."""
    flip_before: int = 0
    """Frame before which the mount changes sides; 0 never."""
    flip_turn_deg: float = 180.0
    """How far the picture turns then; 0 where a rotator turns it back."""
    flip_shift_arcsec: float = 0.0
    """How far north of its old place the field comes to lie."""
    flip_pause_s: float = 0.0
    """Extra time between the frames on the two sides, without a guide star."""
    follow_arcsec_per_h: float = 0.0
    """Rate of a moving target that mount and guider follow; every star is drawn the other way."""
    follow_pa_deg: float = 0.0
    """Direction in which that target moves, east of north."""


@dataclass(frozen=True, slots=True)
class Site:
    """Where the telescope stands; longitude counts east."""

    latitude_deg: float = 45.0
    longitude_deg: float = 10.0


@dataclass(frozen=True, slots=True)
class Target:
    """Field centre (J2000, taken for the date) and how rich in stars it is."""

    name: str = "Practice Field 7"
    ra_deg: float = 172.5
    dec_deg: float = 32.0
    stars_per_arcmin2: float = 2.6
    """Stars brighter than magnitude 18 per square arcminute."""
    galaxies: int = 5
    faintest: float = 20.5
    """Magnitude at which the field's stars end."""
    margin_arcsec: float = 90.0
    """How far past the frame's corners the field has stars."""


@dataclass(frozen=True, slots=True)
class Camera:
    """Sensor and read-out; pixels are the ones stored, after binning."""

    width: int = 720
    height: int = 540
    pixel_um: float = 9.08
    """Pitch of a stored pixel, binning included."""
    binning: int = 2
    header_pitch: str = "binned"
    """Whether PIXSIZE1 states the ``binned`` pitch (widespread) or the ``unbinned`` one."""
    angle_deg: float = 24.0
    """Direction of north in the picture, counter-clockwise from +y (increasing row)."""
    mirrored: bool = False
    """True when an odd number of mirrors swaps east and west."""
    gain_e_per_adu: float = 1.7
    read_noise_e: float = 6.0
    dark_e_per_s: float = 0.02
    bias_adu: float = 800.0
    full_well_e: float = 90000.0
    hot_pixels_per_mpx: float = 120.0
    cosmic_rays_per_frame: float = 6.0
    temperature_c: float = -10.0
    mosaic: str = ""
    """First 2x2 cell of a colour sensor, row by row from the first stored row; empty for mono."""
    wcs: bool = False
    """Write a celestial coordinate solution into the header."""


@dataclass(frozen=True, slots=True)
class Optics:
    """The main telescope."""

    focal_mm: float = 2000.0
    focal_ratio: float = 8.0
    obstruction: float = 0.35
    """Diameter of the central obstruction over that of the aperture."""
    zero_point: float = 21.4
    """Magnitude that yields one electron per second at zenith."""
    tilt_um: float = 0.0
    """Focus difference between field centre and the frame's right edge."""
    astigmatism_um: float = 0.0
    """Long axis of the blur at the frame's corner, on the sensor."""
    coma_um: float = 0.0
    """Length of the comatic patch at the frame's corner, on the sensor."""
    vignetting: float = 0.06
    """Share of light lost at the frame's corner."""
    focus_scatter_um: float = 12.0
    """Rms distance of the sensor from best focus, anew in each exposure."""


@dataclass(frozen=True, slots=True)
class Air:
    """Atmosphere: seeing at zenith, its slow wander, and extinction."""

    seeing_arcsec: float = 2.35
    beta: float = 3.5
    """Moffat exponent of the seeing disc."""
    swing: float = 0.03
    """Relative rms of the seeing's slow wander."""
    memory_s: float = 900.0
    extinction_mag: float = 0.18


@dataclass(frozen=True, slots=True)
class Sky:
    """Background light."""

    mag_arcsec2: float = 20.6
    gradient: float = 0.05
    """Rise over the frame's half-diagonal, relative."""
    gradient_angle_deg: float = 140.0


@dataclass(frozen=True, slots=True)
class Mount:
    """The equatorial mount's own errors."""

    worm_arcsec: float = 6.0
    """Amplitude of the periodic error, arcsec of hour angle."""
    worm_period_s: float = 170.0
    worm_second: float = 0.25
    """Amplitude of the second harmonic over the first."""
    pole_high_arcmin: float = 5.0
    """Polar axis too high."""
    pole_east_arcmin: float = 6.0
    """Polar axis too far east, on the sky."""
    jitter_arcsec: float = 0.18
    """Rms of the fast wobble per axis."""
    jitter_memory_s: float = 0.8
    dec_backlash_arcsec: float = 1.5
    ring_hz: float = 1.3
    damping: float = 0.07
    """Natural frequency and damping ratio of tube and pier after a gust."""
    altazimuth: bool = False
    """Turns about a vertical axis: the field rotates all night.  "East" is then the side
    that azimuth decreases to, "north" is up."""


@dataclass(frozen=True, slots=True)
class Guider:
    """The closed loop that steers the mount by a guide star."""

    on: bool = True
    """False: nobody guides, dithers are made by the mount, and there is no record."""
    focal_mm: float = 1900.0
    pixel_um: float = 9.0
    exposure_s: float = 1.0
    interval_s: float = 2.0
    """From the start of one guide exposure to that of the next."""
    delay_s: float = 0.2
    """From the end of the guide exposure to the start of the correction."""
    lag_samples: int = 0
    """Whole samples by which a correction comes later still."""
    ra_gain: float = 0.65
    dec_gain: float = 0.6
    """Share of the seen error that a correction removes; 0 leaves the axis unguided."""
    smallest_correction_arcsec: float = 0.12
    longest_correction_ms: float = 500.0
    rate: float = 0.5
    """Correction speed over the sidereal rate."""
    seeing_noise_arcsec: float = 0.22
    """Scatter of the guide star that the main camera does not share."""
    star_snr: float = 45.0
    fade: float = 0.0
    """Share of the guide star's light that is gone by the end of the night, seen by it alone."""
    search_area_arcsec: float = 18.0
    """Distance at which the guide star leaves the area searched for it."""
    star_x: float = 0.5
    star_y: float = -0.35
    """Guide star's place in units of the frame's width and height from its first corner."""


@dataclass(frozen=True, slots=True)
class Record:
    """How the guiding record is written."""

    write: bool = True
    unit: str = "arcsec"
    """``arcsec`` or ``px`` (guide camera pixels)."""
    clock: str = "datetime"
    """``datetime``, ``time`` (of day) or ``seconds`` (since the record's start)."""
    utc_offset_h: float = 1.0
    skew_s: float = 3.4
    """Seconds by which the recording computer's clock runs ahead."""
    separator: str = ","
    dither_words: str = "dither"
    """What is written at a dither: ``dither``, ``reference``, ``star`` or ``none``."""


@dataclass(frozen=True, slots=True)
class Event:
    """One cause at work during some frames; see docs/practice.md for each cause's ``size``.

    ``at`` is a share of the exposure, ``angle_deg`` a direction east of north.
    """

    cause: str
    first: int
    last: int
    size: float = 1.0
    angle_deg: float = 60.0
    at: float = 0.5
    duration_s: float = 25.0
    kind: str = ""
    ramp: bool = False
    """Grow from nothing to ``size`` over the frames."""
    period_s: float = 0.0
    """Of a periodic error of kind ``worm``."""

    def share(self, frame: int) -> float:
        """How much of ``size`` is reached in frame number ``frame``; 0 outside."""
        if not self.first <= frame <= self.last:
            return 0.0
        if not self.ramp:
            return 1.0
        return (frame - self.first + 1) / (self.last - self.first + 1)


STANDING = "standing"
"""Kind of an event that adds nothing: it names what the mount's own settings do."""

CAUSES = (
    "wind_trail",
    "ra_oscillation",
    "periodic_error",
    "dec_drift",
    "field_rotation",
    "flexure",
    "tracking_lost",
    "bump",
    "dither_overlap",
    "cloud",
    "dew",
    "sky_glow",
    "focus",
    "seeing",
    "satellite_trail",
    "wrong_frame",
    "unreadable",
)
"""Causes an `Event` can state; a fixed tilt or coma belongs to `Optics`."""
KINDS = {
    "wind_trail": ("", "knock", "lean", "spell"),
    "periodic_error": ("", "worm", STANDING),
    "dec_drift": ("", STANDING),
    "field_rotation": ("", STANDING),
    "tracking_lost": ("", "stalled", "guide_star", "slipping"),
    "bump": ("", "mount"),
    "cloud": ("", "steady_air"),
    "satellite_trail": ("", "tumbling"),
}
"""Kinds of a cause that has several; docs/practice.md describes them."""
ORDERS = ("random", "spiral", "line", "wander")
DITHER_WORDS = ("dither", "reference", "star", "none")


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole practice night."""

    seed: int = 1
    plan: Plan = field(default_factory=Plan)
    site: Site = field(default_factory=Site)
    target: Target = field(default_factory=Target)
    camera: Camera = field(default_factory=Camera)
    optics: Optics = field(default_factory=Optics)
    air: Air = field(default_factory=Air)
    sky: Sky = field(default_factory=Sky)
    mount: Mount = field(default_factory=Mount)
    guider: Guider = field(default_factory=Guider)
    record: Record = field(default_factory=Record)
    events: tuple[Event, ...] = ()

    @property
    def scale_arcsec(self) -> float:
        """Arcseconds per stored pixel."""
        return 206.264806 * self.camera.pixel_um / self.optics.focal_mm

    def active(self, frame: int) -> tuple[Event, ...]:
        """Events at work in frame number ``frame`` (from 1)."""
        return tuple(e for e in self.events if e.share(frame) > 0)
