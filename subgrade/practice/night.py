"""One practice night: lay it out, render its frames, write it down.

``build_night`` settles everything that runs through the night (motion, guider,
weather, field); ``render_frame`` then makes any one frame on its own, in any
order or process, with the same bytes for the same seed.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from subgrade.errors import UsageError

from .exposure import Exposure, Seen, expose, shape_at, sky_light, star_light
from .field import SkyField, sky_field
from .geometry import iso_utc, pixels_per_arcsec
from .guider import Guided, run_guider
from .header import header_cards, write_frame
from .kernel import path_moments
from .motion import Timeline, field_turn, followed_path, main_only_path, mount_path, timeline
from .profile import NAN
from .record import record_text
from .scenario import Scenario
from .scenario_file import check, default_scenario
from .sensor import HotPixels, add_cosmic_rays, add_streak, hot_pixels, read_out
from .shares import motion_shares
from .sky_and_focus import Conditions, conditions
from .truth import FrameTruth, judge, truth_csv


@dataclass(frozen=True, slots=True)
class NightPlan:
    """Everything about a night but its pixels.

    ``path`` is the star's displacement on the main sensor, arcsec (east, north),
    shape (2, steps), of which ``followed`` is due to a moving target being followed;
    ``turn`` the field's turn about the guide star, radians.
    """

    scenario: Scenario
    line: Timeline
    guided: Guided
    path: np.ndarray
    followed: np.ndarray
    turn: np.ndarray
    weather: tuple[Conditions, ...]
    field: SkyField
    hot: HotPixels


@dataclass(frozen=True, slots=True)
class RenderedFrame:
    """One finished frame: ``data`` (uint16), FITS cards, truth, and stray light share.

    ``held`` is the truth as it would be on the moving target that the night followed.
    """

    name: str
    data: np.ndarray
    cards: tuple[tuple[str, object, str], ...]
    truth: FrameTruth
    held: FrameTruth
    stray: float


def stream(scenario: Scenario, name: str, index: int = 0) -> np.random.Generator:
    """Random numbers of one purpose, independent of what else is drawn or in which order."""
    return np.random.default_rng([scenario.seed, zlib.crc32(name.encode()), index])


def build_night(scenario: Scenario) -> NightPlan:
    """Settle motion, guiding, weather and field of a night.

    Raises
    ------
    UsageError
        The scenario holds a value that cannot be rendered.
    """
    check(scenario)
    line = timeline(scenario)
    weather = conditions(scenario, line, stream(scenario, "weather"))
    mount = mount_path(scenario, line, stream(scenario, "mount"))
    light = np.array([c.light for c in weather])
    guided = run_guider(scenario, line, mount, light, stream(scenario, "guider"))
    followed = followed_path(scenario, line)
    return NightPlan(
        scenario=scenario,
        line=line,
        guided=guided,
        path=guided.path + main_only_path(scenario, line) + followed,
        followed=followed,
        turn=field_turn(scenario, line),
        weather=tuple(weather),
        field=sky_field(scenario, stream(scenario, "field")),
        hot=hot_pixels(scenario.camera, stream(scenario, "hot pixels")),
    )


def exposure_of(plan: NightPlan, index: int) -> Exposure:
    """What reaches the sensor in exposure ``index`` (from 0), as `expose` wants it."""
    span, scenario = plan.line.span(index), plan.scenario
    flip, turn = scenario.plan.flip_before, scenario.plan.flip_turn_deg
    flipped = bool(flip and index + 1 >= flip)
    return Exposure(
        scenario=scenario,
        weather=plan.weather[index],
        path=plan.path[:, span].T,
        turn=plan.turn[span] - plan.turn[plan.line.span(0).start],
        matrix=pixels_per_arcsec(scenario.camera, scenario.scale_arcsec, flipped, turn),
        flipped=flipped,
        seconds=float(plan.line.end[index] - plan.line.begin[index]),
    )


def render_frame(plan: NightPlan, index: int) -> RenderedFrame:
    """Render exposure ``index`` (from 0) of a night.

    Returns
    -------
    RenderedFrame
        Its truth still lacks the verdict, which needs the whole night.
    """
    scenario, exposure = plan.scenario, exposure_of(plan, index)
    camera, weather = scenario.camera, plan.weather[index]
    seen = expose(exposure, plan.field)
    electrons = seen.stars + seen.sky
    rng = stream(scenario, "frame", index)
    for streak in weather.streaks:
        add_streak(
            electrons,
            streak.ends,
            streak.level,
            weather.seeing_px,
            scenario.air.beta,
            streak.pulse_px,
        )
    rays = add_cosmic_rays(electrons, camera.cosmic_rays_per_frame, rng)
    data = read_out(electrons, camera, exposure.seconds, plan.hot, rng)
    truth = _truth(plan, index, exposure, seen, rays)
    cards = header_cards(scenario, plan.line, index, weather, exposure)
    held, still = truth, exposure
    if scenario.plan.follow_arcsec_per_h:
        still = _without_following(plan, index, exposure)
        held = _truth(plan, index, still, replace(seen, shape=shape_at(still, still.centre)), rays)
    return RenderedFrame(truth.frame, data, cards, truth, held, _stray(still, weather))


def _truth(plan: NightPlan, index: int, exposure: Exposure, seen, rays: int) -> FrameTruth:
    scenario, weather, camera = plan.scenario, plan.weather[index], plan.scenario.camera
    east_north = exposure.path - exposure.path.mean(axis=0)
    moved = path_moments(exposure.path @ exposure.matrix.T)
    shape = seen.shape
    sky = float(np.median(seen.sky)) + camera.dark_e_per_s * exposure.seconds
    noise = float(np.hypot(np.sqrt(sky), camera.read_noise_e))
    light = weather.light * weather.extinction
    area = shape.pixels if np.isfinite(shape.fwhm) else NAN
    flux, inside = star_light(exposure, plan.field)
    counted = np.count_nonzero(flux[inside] / (noise * np.sqrt(area)) > 20.0)
    return FrameTruth(
        frame=f"light_{index + 1:03d}.fits",
        verdict="",
        reason="",
        sure="",
        causes=";".join(dict.fromkeys(e.cause for e in scenario.active(index + 1))),
        start_utc=iso_utc(plan.line.origin_unix + plan.line.begin[index]) + "Z",
        exposure_s=exposure.seconds,
        fwhm_px=shape.fwhm,
        fwhm_major_px=shape.fwhm_major,
        fwhm_minor_px=shape.fwhm_minor,
        eccentricity=shape.eccentricity,
        angle_deg=shape.angle_deg,
        xx=shape.xx,
        yy=shape.yy,
        xy=shape.xy,
        motion_xx=moved.xx,
        motion_yy=moved.yy,
        motion_xy=moved.xy,
        motion_extent_px=moved.extent,
        motion_east_rms_arcsec=float(east_north[:, 0].std()),
        motion_north_rms_arcsec=float(east_north[:, 1].std()),
        seeing_px=weather.seeing_px,
        defocus_um=weather.defocus_um,
        dew=weather.dew,
        stars_snr20=float(counted) if np.isfinite(area) and not camera.mosaic else NAN,
        star_area_px=area,
        sky_adu=camera.bias_adu + sky / camera.gain_e_per_adu,
        noise_adu=float(np.hypot(noise / camera.gain_e_per_adu, 12**-0.5)),
        transparency=light,
        light=weather.light,
        airmass=weather.airmass,
        x_shift_px=moved.x,
        y_shift_px=moved.y,
        rotation_deg=float(np.rad2deg(exposure.turn.mean())),
        turn_arcsec=float(np.ptp(exposure.turn) * 206264.806),
        cosmic_rays=rays,
        streaks=len(weather.streaks),
        depth=light**2 * exposure.seconds**2 / (noise**2 * area),
    )


def truths_without_pixels(plan: NightPlan) -> list[FrameTruth]:
    """Truth and intended verdict of every frame, nothing rendered; cosmic rays are not counted.

    Parameters
    ----------
    plan : NightPlan
        As `build_night` makes it.
    """
    truths, held, strays = [], [], []
    for index in range(plan.line.frames):
        exposure = exposure_of(plan, index)
        seen = Seen(np.zeros((1, 1)), sky_light(exposure), shape_at(exposure, exposure.centre))
        truths.append(_truth(plan, index, exposure, seen, 0))
        still = exposure
        if plan.scenario.plan.follow_arcsec_per_h:
            still = _without_following(plan, index, exposure)
            seen = replace(seen, shape=shape_at(still, still.centre))
        held.append(_truth(plan, index, still, seen, 0))
        strays.append(_stray(still, plan.weather[index]))
    return _with_verdicts(plan, truths, held, strays)


def _without_following(plan: NightPlan, index: int, exposure: Exposure) -> Exposure:
    """The exposure as the followed target has it."""
    return replace(exposure, path=exposure.path - plan.followed[:, plan.line.span(index)].T)


def _with_verdicts(plan: NightPlan, truths, held, strays) -> list[FrameTruth]:
    judged = judge(held, strays, expected_fwhm_px(plan), _shares(plan))
    return [
        replace(t, verdict=j.verdict, reason=j.reason, sure=j.sure, transparency=j.transparency)
        for t, j in zip(truths, judged, strict=True)
    ]


def _stray(exposure: Exposure, weather: Conditions) -> float:
    """Share of the exposure that the star spent more than a seeing disc from its median place."""
    path = exposure.path @ exposure.matrix.T
    away = np.hypot(*(path - np.median(path, axis=0)).T)
    return float(np.mean(away > weather.seeing_px))


def expected_fwhm_px(plan: NightPlan) -> float:
    """Star width to expect at the seeing stated and the night's least airmass, at rest, in px."""
    from .optics import Blur, star_spectrum
    from .profile import star_truth

    k = 3.0 * np.fft.fftfreq(144)
    scenario = plan.scenario
    seeing = scenario.air.seeing_arcsec * min(c.airmass for c in plan.weather) ** 0.6
    blur = Blur(seeing / scenario.scale_arcsec, scenario.air.beta)
    return star_truth(star_spectrum(blur, np.zeros((1, 2)), k, k), k, k).fwhm


def _planned_names(scenario: Scenario, compress: bool) -> list[str]:
    end = ".fits.fz" if compress else ".fits"
    names = [f"light_{i + 1:03d}{end}" for i in range(scenario.plan.frames)]
    return names + ["truth.csv"] + (["guiding.csv"] if scenario.record.write else [])


def must_be_free(directory: str | Path) -> None:
    """Refuse a folder that holds anything at all.

    Raises
    ------
    UsageError
    """
    directory = Path(directory)
    if directory.exists() and not directory.is_dir():
        raise UsageError(f"{directory}: is a file; a practice night needs a folder of its own")
    if directory.is_dir():
        held = sorted(p.name for p in directory.iterdir())
        if held:
            raise UsageError(
                f"{directory}: not empty (holds {held[0]}); a practice night is written only "
                "into a new or empty folder, so that nothing is overwritten"
            )


def _claim(directory: Path) -> None:
    """Make the folder, or refuse one that is not free."""
    must_be_free(directory)
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise UsageError(f"{directory}: cannot be made ({err.strerror})") from None


def simulate_night(
    directory: str | Path,
    scenario: Scenario | None = None,
    seed: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    compress: bool = False,
) -> list[FrameTruth]:
    """Render a practice night into a new or empty folder.

    Parameters
    ----------
    directory : path-like
        Receives ``light_NNN.fits``, ``truth.csv`` and, if wanted, ``guiding.csv``.
    scenario : Scenario, optional
        Default: the night of ``default_night.toml``.
    seed : int, optional
        Put in place of the scenario's; the same seed gives the same bytes.
    progress : callable, optional
        Called with (frames done, frames in all) after each frame.
    compress : bool
        Write tile-compressed ``.fits.fz`` (Rice, lossless).

    Returns
    -------
    list of FrameTruth
        In the order taken, as in ``truth.csv``.

    Raises
    ------
    UsageError
        The folder holds files already, or the scenario cannot be rendered.
    """
    directory = Path(directory)
    scenario = default_scenario() if scenario is None else scenario
    if seed is not None:
        scenario = replace(scenario, seed=seed)
    check(scenario)
    _claim(directory)
    plan = build_night(scenario)
    names = _planned_names(scenario, compress)
    truths, held, strays = [], [], []
    for index in range(scenario.plan.frames):
        frame = render_frame(plan, index)
        damaged = any(e.cause == "unreadable" for e in scenario.active(index + 1))
        write_frame(directory / names[index], frame.data, frame.cards, compress, damaged)
        truths.append(replace(frame.truth, frame=names[index]))
        held.append(frame.held)
        strays.append(frame.stray)
        if progress is not None:
            progress(index + 1, scenario.plan.frames)
    truths = _with_verdicts(plan, truths, held, strays)
    _write_text(directory / "truth.csv", truth_csv(truths))
    if scenario.record.write:
        _write_text(directory / "guiding.csv", record_text(scenario, plan.line, plan.guided))
    return truths


def _shares(plan: NightPlan) -> list[dict[str, float]]:
    """Shares of the motion by cause, where any frame has more than one cause."""
    frames = range(1, plan.line.frames + 1)
    mixed = any(len({e.cause for e in plan.scenario.active(f)}) > 1 for f in frames)
    return motion_shares(plan) if mixed else []


def _write_text(path: Path, text: str) -> None:
    with path.open("x", encoding="utf-8", newline="\n") as out:
        out.write(text)
