"""One and the same night seen by a camera that was turned, mirrored or finer, or at another hour.

Every number of a `Night` (and of a `GuideNight`) is carried over by what it means, so that a
judgement of the transformed night must come out the same.  Works on made-up nights and on
measured ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from subgrade.guiding.model import GuideNight
from subgrade.night.model import Night, Registration
from subgrade.stars.model import FrameStars, ShapeField, StarImage, StarList, Streak

_POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))


@dataclass(frozen=True)
class Camera:
    """Another camera: mirrored first (rows upside down), then turned, then with finer pixels.

    A place p of the frame's middle goes to ``finer * R(turn) F p`` of the new middle.  A frame
    turned by other than quarters keeps its width and height: only `quarter` cameras have the
    same edge.
    """

    turn_deg: float = 0.0
    mirrored: bool = False
    finer: float = 1.0

    @property
    def matrix(self) -> np.ndarray:
        """Turn and mirror, without the scale."""
        if self.quarter:  # whole numbers, so that nothing is rounded
            c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[int(self.turn_deg // 90) % 4]
        else:
            c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.array([[c, -s], [s, c]], float) @ np.diag([1.0, -1.0 if self.mirrored else 1.0])

    @property
    def quarter(self) -> bool:
        return self.turn_deg % 90 == 0

    @property
    def hand(self) -> int:
        return -1 if self.mirrored else 1

    def frame(self, width: int, height: int) -> tuple[int, int]:
        """Width and height of the new frame."""
        swap = self.quarter and self.turn_deg % 180 == 90
        w, h = (height, width) if swap else (width, height)
        return round(w * self.finer), round(h * self.finer)

    def places(self, x, y, width: int, height: int):
        """Where pixels go; centres of pixels on whole numbers."""
        w, h = self.frame(width, height)
        old = np.array([np.asarray(x) - (width - 1) / 2, np.asarray(y) - (height - 1) / 2])
        new = self.finer * np.tensordot(self.matrix, old, axes=1)
        return new[0] + (w - 1) / 2, new[1] + (h - 1) / 2

    def moments(self, xx, yy, xy, size: bool = True):
        """Second moments of what is seen."""
        m = self.matrix
        tensor = np.array([[xx, xy], [xy, yy]], float)
        new = np.einsum("ij,jk...,lk->il...", m, tensor, m)
        return tuple(new[i] * (self.finer**2 if size else 1.0) for i in ((0, 0), (1, 1), (0, 1)))

    def axis(self, angle_deg: float) -> float:
        """An undirected angle, in [0, 180)."""
        return float((self.hand * angle_deg + self.turn_deg) % 180.0)


def through(night: Night, camera: Camera) -> Night:
    """The night as another camera would have measured it."""
    frames = []
    for frame in night.frames:
        facts = replace(
            frame.facts,
            scale_arcsec=_over(frame.facts.scale_arcsec, camera.finer),
            pixel_um=_over(frame.facts.pixel_um, camera.finer),
            sky_axes=_axes(frame.facts.sky_axes, camera),
        )
        frames.append(replace(frame, facts=facts, stars=stars_through(frame.stars, camera)))
    compared = []
    for frame, c in zip(night.frames, night.compared, strict=True):
        registration = c.registration
        if registration is not None and c.group >= 0:
            reference = night.frames[night.groups[c.group].reference].stars
            registration = _registered(registration, frame.stars, reference, camera)
        compared.append(
            replace(
                c,
                registration=registration,
                quarters=_quarters(c.quarters, camera),
                fwhm_expected_px=c.fwhm_expected_px * camera.finer,
            )
        )
    groups = tuple(_group(g, camera) for g in night.groups)
    return Night(tuple(frames), tuple(compared), groups)


def stars_through(stars: FrameStars, camera: Camera) -> FrameStars:
    """One frame's measurement as another camera would have had it."""
    s, size = camera.finer, (stars.width, stars.height)
    width, height = camera.frame(*size)
    xx, yy, xy = camera.moments(stars.xx, stars.yy, stars.xy)
    return replace(
        stars,
        width=width,
        height=height,
        background_map=_map(stars.background_map, camera),
        mesh_px=round(stars.mesh_px * s),
        fwhm_px=stars.fwhm_px * s,
        fwhm_error_px=stars.fwhm_error_px * s,
        fwhm_major_px=stars.fwhm_major_px * s,
        fwhm_minor_px=stars.fwhm_minor_px * s,
        angle_deg=camera.axis(stars.angle_deg),
        xx=xx,
        yy=yy,
        xy=xy,
        moment_error=stars.moment_error * s**2,
        length_px=stars.length_px * s,
        star_image=_image(stars.star_image, camera),
        shape_field=field_through(stars.shape_field, size, camera),
        streaks=tuple(_streak(k, size, camera) for k in stars.streaks),
        catalogue=_catalogue(stars.catalogue, size, camera),
    )


def field_through(shape: ShapeField | None, size, camera: Camera) -> ShapeField | None:
    """Moments as polynomials of the place: the same surface in the new coordinates.

    Exact, since a turn keeps a polynomial's degree.  Errors are carried as independent.
    """
    if shape is None:
        return None
    terms = shape.coefficients.shape[1]
    place, tensor = _substituted(camera, terms), _tensor(camera)
    x0, y0 = camera.places(shape.x0, shape.y0, *size)
    return replace(
        shape,
        coefficients=tensor @ shape.coefficients @ place,
        errors=np.sqrt(tensor**2 @ shape.errors**2 @ place**2),
        x0=float(x0),
        y0=float(y0),
        half=shape.half * camera.finer,
    )


def _substituted(camera: Camera, terms: int) -> np.ndarray:
    """Old powers of (u, v) as sums of new ones, shape (old, new); (u, v) = M^-1 (u', v')."""
    powers = _POWERS[:terms]
    rng = np.random.default_rng(1)
    new = rng.uniform(-1, 1, (2, 40))
    old = camera.matrix.T @ new
    basis = [np.array([u**i * v**j for i, j in powers]).T for u, v in (new, old)]
    found = np.linalg.lstsq(basis[0], basis[1], rcond=None)[0].T
    return np.where(np.abs(found) < 1e-12, 0.0, found)


def _tensor(camera: Camera) -> np.ndarray:
    """Matrix that turns (xx, yy, xy)."""
    return np.array([camera.moments(*unit) for unit in np.eye(3)]).T


def _image(image: StarImage | None, camera: Camera) -> StarImage | None:
    if image is None:
        return None
    if camera.quarter:
        a = image.image[::-1] if camera.mirrored else image.image
        # A counter-clockwise turn with rows counted upwards is a clockwise one of the array.
        turned = np.ascontiguousarray(np.rot90(a, -int(camera.turn_deg // 90)))
    else:
        turned = _resampled(image.image, camera)
    return replace(image, image=turned, step_px=image.step_px * camera.finer)


def _resampled(image: np.ndarray, camera: Camera) -> np.ndarray:
    from scipy.ndimage import affine_transform

    back = camera.matrix.T[::-1, ::-1]  # rows come first in an array
    middle = (np.array(image.shape) - 1) / 2
    turned = affine_transform(image.astype(float), back, middle - back @ middle, order=3)
    return (turned / turned.max()).astype(np.float32)


def _map(values: np.ndarray, camera: Camera) -> np.ndarray:
    if not camera.quarter:
        return values
    a = values[::-1] if camera.mirrored else values
    return np.ascontiguousarray(np.rot90(a, -int(camera.turn_deg // 90)))


def _streak(streak: Streak, size, camera: Camera) -> Streak:
    x, y = camera.places([streak.x1, streak.x2], [streak.y1, streak.y2], *size)
    return Streak(
        float(x[0]),
        float(y[0]),
        float(x[1]),
        float(y[1]),
        streak.width_px * camera.finer,
        streak.level_adu,
    )


def _catalogue(stars: StarList | None, size, camera: Camera) -> StarList | None:
    if stars is None:
        return None
    x, y = camera.places(stars.x, stars.y, *size)
    xx, yy, xy = camera.moments(stars.xx, stars.yy, stars.xy)
    return replace(stars, x=x, y=y, xx=xx, yy=yy, xy=xy)


def _registered(r: Registration, stars, reference, camera: Camera) -> Registration:
    """Carry p -> c R p + d: the new d from where the frame's middle lies on the reference."""
    if not r.ok:
        return r
    middle = np.array([(stars.width - 1) / 2, (stars.height - 1) / 2])
    place = r.scale * _turn(r.rotation_deg) @ middle + [r.dx, r.dy]
    target = camera.places(*place, reference.width, reference.height)
    w, h = camera.frame(stars.width, stars.height)
    rotation = camera.hand * r.rotation_deg
    d = np.array(target) - r.scale * _turn(rotation) @ np.array([(w - 1) / 2, (h - 1) / 2])
    return replace(
        r, dx=float(d[0]), dy=float(d[1]), rotation_deg=rotation, rms_px=r.rms_px * camera.finer
    )


def _turn(deg: float) -> np.ndarray:
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, -s], [s, c]])


def _quarters(quarters, camera: Camera):
    """low x low y, high x low y, low x high y, high x high y: an array of two rows."""
    if not camera.quarter:
        return quarters
    return tuple(float(v) for v in _map(np.reshape(quarters, (2, 2)), camera).ravel())


def _group(group, camera: Camera):
    height, width = group.shape
    w, h = camera.frame(width, height)
    usual = dict(group.usual)
    u = usual["fwhm_px"]
    s = camera.finer
    usual["fwhm_px"] = replace(u, centre=u.centre * s, spread=u.spread * s, best=u.best * s)
    hot = group.hot_pixels
    if hot is not None:
        hot = np.array(camera.places(hot[:, 0], hot[:, 1], width, height)).T
    return replace(group, shape=(h, w), usual=usual, hot_pixels=hot)


def _axes(axes, camera: Camera):
    if axes is None:
        return None
    moved = np.array(axes) @ camera.matrix.T / camera.finer
    return tuple(tuple(float(v) for v in row) for row in moved)


def _over(value, factor: float):
    return None if value is None else value / factor


def guiding_through(guiding: GuideNight | None, camera: Camera) -> GuideNight | None:
    """The same record, joined to the other camera's frames."""
    if guiding is None:
        return None
    predictions = tuple(
        p
        and replace(
            p,
            predicted=tuple(float(v) for v in camera.moments(*p.predicted)),
            residual=tuple(float(v) for v in camera.moments(*p.residual)),
            error=p.error * camera.finer**2,
        )
        for p in guiding.predictions
    )
    return replace(
        guiding,
        predictions=predictions,
        camera_angle_deg=(camera.hand * guiding.camera_angle_deg + camera.turn_deg) % 360.0,
        handedness=camera.hand * guiding.handedness,
    )


def brighter(night: Night, factor: float) -> Night:
    """The night read out with another gain: every count is so many times larger."""
    frames = tuple(replace(f, stars=_brighter(f.stars, factor)) for f in night.frames)
    groups = []
    for group in night.groups:
        usual = dict(group.usual)
        for name in ("background_adu", "noise_adu"):
            u = usual[name]
            usual[name] = replace(
                u, centre=u.centre * factor, spread=u.spread * factor, best=u.best * factor
            )
        groups.append(replace(group, usual=usual))
    compared = tuple(
        replace(c, background_expected_adu=c.background_expected_adu * factor)
        for c in night.compared
    )
    return replace(night, frames=frames, compared=compared, groups=tuple(groups))


def _brighter(stars: FrameStars, factor: float) -> FrameStars:
    listed = stars.catalogue
    if listed is not None:
        listed = replace(listed, flux=listed.flux * factor, peak=listed.peak * factor)
    return replace(
        stars,
        background_adu=stars.background_adu * factor,
        noise_adu=stars.noise_adu * factor,
        background_map=stars.background_map * factor,
        streaks=tuple(replace(s, level_adu=s.level_adu * factor) for s in stars.streaks),
        catalogue=listed,
    )


def later(night: Night, seconds: float) -> Night:
    """The night on another date."""
    frames = tuple(
        replace(
            f,
            facts=replace(
                f.facts,
                start_unix=_over(f.facts.start_unix, 1.0) and f.facts.start_unix + seconds,
                mid_unix=_over(f.facts.mid_unix, 1.0) and f.facts.mid_unix + seconds,
                start_utc=_later(f.facts.start_utc, seconds),
                mid_utc=_later(f.facts.mid_utc, seconds),
            ),
        )
        for f in night.frames
    )
    return replace(night, frames=frames)


def guiding_later(guiding: GuideNight | None, seconds: float) -> GuideNight | None:
    """The record of the same night on another date."""
    if guiding is None:
        return None
    r = guiding.record
    moved = replace(
        r,
        time=r.time + seconds,
        sections=tuple((a + seconds, b + seconds) for a, b in r.sections),
        events=tuple(replace(e, time=e.time + seconds) for e in r.events),
    )
    return replace(guiding, record=moved)


def _later(text: str | None, seconds: float) -> str | None:
    if text is None:
        return None
    moment = datetime.fromisoformat(text.replace("Z", "+00:00")) + timedelta(seconds=seconds)
    return moment.isoformat().replace("+00:00", "Z")


def reordered(night: Night, guiding: GuideNight | None, order):
    """Night and record with the frames listed in another order, as folders may list them."""
    place = {old: new for new, old in enumerate(order)}
    groups = tuple(
        replace(g, members=tuple(sorted(place[i] for i in g.members)), reference=place[g.reference])
        for g in night.groups
    )
    shuffled = Night(
        tuple(night.frames[i] for i in order), tuple(night.compared[i] for i in order), groups
    )
    if guiding is None:
        return shuffled, None
    of_each = ("exposures", "predictions", "paths", "mount", "starts")
    moved = {
        name: tuple(listed[i] for i in order) if (listed := getattr(guiding, name)) else ()
        for name in of_each
    }
    return shuffled, replace(guiding, **moved)
