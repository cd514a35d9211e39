"""Damaged pixels among the frames of a night: whose fault, which frame, which rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.night import compare_night
from subgrade.stars.model import Flaw
from tests.judged_nights import night_of, steady
from tests.night_fields import make_frame, make_sky

EMPTY = Flaw("empty", 900, 999, 0.1, 1)


def judged(night):
    return judge_night(night, load_limits())


def numbers(changes: dict[int, dict], count: int = 8):
    """A night of plain numbers with some fields of some frames changed."""
    night = night_of(steady(count))
    frames = [
        replace(f, stars=replace(f.stars, **changes.get(k, {}))) for k, f in enumerate(night.frames)
    ]
    return replace(night, frames=tuple(frames))


def damaged(night) -> list[int]:
    return [k for k, j in enumerate(judged(night)) if j.reasons[:1] == ("incomplete",)]


def test_a_flawed_frame_is_rejected_and_says_why():
    verdict = judged(numbers({3: {"flaws": (EMPTY,)}}))[3]
    assert verdict.verdict == "reject"
    assert verdict.reasons == ("incomplete",)
    assert verdict.weight == 0
    assert verdict.confidence > 0.99
    assert "rows 900 to 999 hold no image: 10% of the pixels" in verdict.explanation


def test_two_flawed_frames_are_both_rejected():
    other = replace(EMPTY, first_row=400)
    assert damaged(numbers({3: {"flaws": (EMPTY,)}, 5: {"flaws": (other,)}})) == [3, 5]


@pytest.mark.parametrize("kind", ["empty", "repeated", "garbled", "flipped", "wrapped"])
def test_what_many_frames_share_is_the_cameras(kind):
    flaw = replace(EMPTY, kind=kind)
    assert damaged(numbers({k: {"flaws": (flaw,)} for k in range(8)})) == []
    assert damaged(numbers({k: {"flaws": (flaw,)} for k in (0, 2, 4, 6)})) == []
    assert damaged(numbers({2: {"flaws": (flaw,)}})) == [2]


def test_aligned_frames_have_empty_rows_at_their_edges():
    margins = {k: {"margins_px": (10 + k, 0)} for k in range(8)}
    margins[3] = {"flaws": (EMPTY,)}
    assert damaged(numbers(margins)) == []
    margins[3] = {"flaws": (replace(EMPTY, last_row=950),)}
    assert damaged(numbers(margins)) == [3]


def test_frames_aligned_up_and_down_are_empty_at_either_end():
    height = numbers({}).frames[0].stars.height
    ends = [Flaw("empty", 0, 9 + k, 0.01, 1) for k in range(4)]
    ends += [Flaw("empty", height - 20 - k, height - 1, 0.02, 1) for k in range(4)]
    assert damaged(numbers({k: {"flaws": (f,)} for k, f in enumerate(ends)})) == []
    lost = {k: {"flaws": (f,)} for k, f in enumerate(ends) if k >= 4}
    assert damaged(numbers(lost | {0: {"flaws": (ends[0],)}})) != []


def test_frames_aligned_along_a_creep_are_empty_at_one_end():
    height = numbers({}).frames[0].stars.height
    ends = [Flaw("empty", height - 20 - 9 * k, height - 1, 0.02, 1) for k in range(8)]
    assert damaged(numbers({k: {"flaws": (f,)} for k, f in enumerate(ends)})) == []
    assert damaged(numbers({k: {"flaws": (ends[k],)} for k in (1, 4)})) == [1, 4]


def marks(count: int = 8, height: int = 1000) -> list[np.ndarray]:
    rng = np.random.default_rng(4)
    return [rng.integers(1, 1 << 32, height, dtype=np.uint32) for _ in range(count)]


def with_marks(rows) -> dict[int, dict]:
    return {k: {"row_marks": m} for k, m in enumerate(rows)}


def test_rows_of_an_earlier_frame_are_named():
    rows = marks()
    rows[5][700:] = rows[4][700:]
    night = numbers(with_marks(rows))
    assert damaged(night) == [5]
    assert (
        "rows 700 to 999 are those of light_004.fits to the last bit"
        in judged(night)[5].explanation
    )


def test_two_copies_of_one_file_are_not_damaged():
    rows = marks()
    rows[5] = rows[4].copy()
    assert damaged(numbers(with_marks(rows))) == []


def test_a_few_rows_alike_by_chance_are_nothing():
    rows = marks()
    rows[5][[100, 300, 500, 501]] = rows[4][[100, 300, 500, 501]]
    rows[6][:] = rows[7][:] = 0
    assert damaged(numbers(with_marks(rows))) == []


SKY = make_sky(np.random.default_rng(2))


def dithered(seed: int, count: int = 7, **frame):
    """Frames of one field, dithered, as star lists."""
    rng = np.random.default_rng(seed)
    return [
        make_frame(
            rng,
            SKY,
            f"f{k:03d}.fits",
            shift=complex(*rng.uniform(-30, 30, 2)),
            rotation=float(rng.normal(0, 0.02)),
            **frame,
        )
        for k in range(count)
    ]


def moved(frame, first: int, last: int, dx: float):
    """Stars of some rows shifted along them, round the edge."""
    c = frame.stars.catalogue
    inside = (c.y >= first) & (c.y < last)
    x = np.where(inside, (c.x + dx) % frame.stars.width, c.x)
    return replace(frame, stars=replace(frame.stars, catalogue=replace(c, x=x)))


def of_another_field(frame, other, first: int, last: int):
    """Stars of some rows taken from another frame."""
    c, o = frame.stars.catalogue, other.stars.catalogue
    keep, take = (c.y < first) | (c.y >= last), (o.y >= first) & (o.y < last)
    names = ("x", "y", "flux", "snr", "peak", "xx", "yy", "xy", "flags")
    both = [np.concatenate((getattr(c, n)[keep], getattr(o, n)[take])) for n in names]
    order = np.argsort(-both[2], kind="stable")
    catalogue = type(c)(*(v[order] for v in both))
    return replace(frame, stars=replace(frame.stars, catalogue=catalogue))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("dx", [-9.0, 40.0, 700.0])
@pytest.mark.parametrize(("first", "last"), [(0, 400), (1200, 1500), (1400, 2999)])
def test_shifted_rows_are_found(seed, dx, first, last):
    frames = dithered(seed)
    frames[2] = moved(frames[2], first, last, dx)
    verdicts = judged(compare_night(frames))
    assert [v.reasons[:1] == ("incomplete",) for v in verdicts] == [k == 2 for k in range(7)]
    assert "are not in their place but" in verdicts[2].explanation


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize(("first", "last"), [(0, 400), (1200, 1500), (1900, 2999)])
def test_rows_of_another_field_are_found(seed, first, last):
    frames = dithered(seed)
    rng = np.random.default_rng(100 + seed)
    frames[2] = of_another_field(frames[2], make_frame(rng, make_sky(rng)), first, last)
    verdicts = judged(compare_night(frames))
    assert [v.reasons[:1] == ("incomplete",) for v in verdicts] == [k == 2 for k in range(7)]
    assert "others stand there" in verdicts[2].explanation


def banded_cloud(place):
    return np.where((place.imag > 1200) & (place.imag < 1800), 0.1, 1.0)


@pytest.mark.parametrize("seed", range(2))
def test_sound_frames_have_their_stars_in_place(seed):
    rng = np.random.default_rng(seed)
    frames = dithered(seed, false=15)
    turned = dithered(seed + 50, count=2)
    flipped = make_frame(rng, SKY, "g1.fits", rotation=180.0, shift=25 - 40j)
    hidden = make_frame(rng, SKY, "g2.fits", dim=banded_cloud)
    thin = make_frame(rng, SKY, "g3.fits", dim=0.3, false=40)
    assert damaged(compare_night([*frames, *turned, flipped, hidden, thin])) == []


@pytest.mark.parametrize("stretch", [2e-6, 5e-6])
def test_optics_that_distort_are_not_damage(stretch):
    """Distortion moves stars by up to 30 px between frames turned by half, yet smoothly."""
    frames = []
    for k, frame in enumerate(dithered(3)):
        c = frame.stars.catalogue
        sign = 1 if k % 2 else -1
        x = c.x + sign * stretch * (c.y - 1500) ** 2
        frames.append(replace(frame, stars=replace(frame.stars, catalogue=replace(c, x=x))))
    assert damaged(compare_night(frames)) == []
