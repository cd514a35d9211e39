"""Rows shifted along themselves, from positions alone; the truth is in how they were made."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.night.shifted_rows import far_shift, near_shift

WIDTH, HEIGHT = 4000, 3000


def field(seed: int, count: int = 400):
    """Places of stars, x + iy, and how far noise puts each from its place."""
    rng = np.random.default_rng(seed)
    at = rng.uniform(0, WIDTH, count) + 1j * rng.uniform(0, HEIGHT, count)
    return rng, at, rng.normal(0, 0.12, count) + 1j * rng.normal(0, 0.12, count)


def far(at, off, blends=0.0, seed=0):
    """Matched as the judging stage does: a star within 3 px of its place is there."""
    rng = np.random.default_rng(seed)
    lost = rng.random(len(at)) < blends
    off = np.where(lost, off + rng.normal(0, 6, len(at)) + 1j * rng.normal(0, 6, len(at)), off)
    here = at + off
    hit = np.abs(off) < 3
    seen = ~hit & (here.real > 0) & (here.real < WIDTH)
    return far_shift(at, hit, here[seen], WIDTH)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("dx", [-700, -12, 5, 60])
@pytest.mark.parametrize(("first", "last"), [(0, 200), (1000, 1080), (1500, 3000), (400, 2700)])
def test_a_far_shift_is_found(seed, dx, first, last):
    _, at, off = field(seed)
    inside = (at.imag >= first) & (at.imag < last)
    found = far(at, np.where(inside, off + dx, off), blends=0.03, seed=seed)
    assert found is not None
    assert found.dx == pytest.approx(dx, abs=0.3)
    assert abs(found.dy) < 0.3
    assert first <= found.first_row <= found.last_row <= last + 1


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("blends", [0.0, 0.1, 0.3])
def test_blends_are_no_shift(seed, blends):
    _, at, off = field(seed, 1500)
    assert far(at, off, blends, seed) is None


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("stretch", [1e-6, 4e-6, 1e-5])
def test_distortion_is_no_shift(seed, stretch):
    """Barrel distortion between frames turned by half moves stars by up to 80 px."""
    _, at, off = field(seed, 1500)
    radius = at - complex(WIDTH / 2, HEIGHT / 2)
    barrel = off + stretch * radius * np.abs(radius) ** 2 / 1000
    assert far(at, barrel, 0.05, seed) is None
    seen = np.abs(barrel) < 3
    assert near_shift(at.imag[seen], barrel[seen]) is None


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("dx", [-2.5, -1.0, 1.0, 2.0])
@pytest.mark.parametrize(("first", "last"), [(1000, 1400), (1500, 3000)])
def test_a_near_shift_is_found(seed, dx, first, last):
    _, at, off = field(seed)
    inside = (at.imag >= first) & (at.imag < last)
    found = near_shift(at.imag, np.where(inside, off + dx, off))
    assert found is not None
    assert abs(found.dx) == pytest.approx(abs(dx), abs=0.15)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("scatter", [0.05, 0.3, 1.0])
def test_scatter_is_no_near_shift(seed, scatter):
    """Heavy tails too: one star in twenty is off by up to the reach of a match."""
    rng, at, off = field(seed, 600)
    off = off * scatter / 0.12 + np.where(rng.random(600) < 0.05, rng.uniform(-3, 3, 600), 0)
    slope = rng.normal(0, 3e-4) * at.imag
    assert near_shift(at.imag, off + slope) is None
