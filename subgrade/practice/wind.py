"""Wind of several shapes on a springy mount: a knock, a lean, a gusty spell.

Each is a force, given as the deflection that it would hold; `ringing` turns it into what tube
and pier do, with their own frequency and damping.
"""

from __future__ import annotations

import numpy as np

TURBULENCE_S = 2.0
"""Memory of the gustiness, s: gusts of some seconds, as at the heights of tubes (from memory)."""
STRENGTH = 0.5
"""Rms of the push over its mean in gusty wind: twice that of a wind speed's 0.25, since the push
grows with the speed's square (from memory)."""


def red_noise(rng: np.random.Generator, steps: int, step_s: float, memory_s: float) -> np.ndarray:
    """First-order red noise of unit rms with a given memory (Ornstein-Uhlenbeck)."""
    from scipy.signal import lfilter

    keep = np.exp(-step_s / memory_s)
    kicks = rng.standard_normal(steps) * np.sqrt(1.0 - keep**2)
    kicks[0] /= np.sqrt(1.0 - keep**2)
    return lfilter([1.0], [1.0, -keep], kicks)


def ringing(force: np.ndarray, step_s: float, hz: float, damping: float) -> np.ndarray:
    """Answer of a damped oscillator to a force given as the deflection it would hold.

    Parameters
    ----------
    force : ndarray, shape (n,)
        Static deflection, arcsec.
    step_s, hz : float
        Time step and natural frequency.
    damping : float
        Damping ratio, below 1.

    Notes
    -----
    Exact for a force that is constant within a step (zero-order hold).
    """
    from scipy.signal import cont2discrete, lfilter

    w = 2 * np.pi * hz
    top, bottom, _ = cont2discrete(([w**2], [1.0, 2 * damping * w, w**2]), step_s, method="zoh")
    return lfilter(top[0], bottom, force)


def gust_force(
    rng: np.random.Generator, steps: int, step_s: float, begin_s: float, length_s: float
) -> np.ndarray:
    """Push of a burst of gusts: a few gusts of a second or more, rough within, all downwind."""
    force = np.zeros(steps)
    time = np.arange(steps) * step_s
    knocks = max(2, round(length_s / 6.0))
    starts = begin_s + np.sort(rng.uniform(0, max(length_s - 3.0, 0.1), knocks))
    for number, start in enumerate(starts):
        rise, hold = rng.uniform(0.15, 0.5), rng.uniform(1.5, 4.0)
        strength = 1.0 if number == knocks // 2 else rng.uniform(0.45, 1.0)
        up = 1.0 / (1.0 + np.exp(-np.clip((time - start) / (rise / 4), -60, 60)))
        down = 1.0 / (1.0 + np.exp(-np.clip((start + hold - time) / 0.25, -60, 60)))
        force = np.maximum(force, strength * up * down)
    return force * (1.0 + 0.3 * red_noise(rng, steps, step_s, 0.4))


def knock(steps: int) -> np.ndarray:
    """One hit: the whole push in the first time step, so that free ringing remains."""
    force = np.zeros(steps)
    force[0] = 1.0
    return force


def lean(steps: int, step_s: float, length_s: float) -> np.ndarray:
    """A push that swells and goes once, (1 - cos) / 2 over its length."""
    time = (np.arange(steps) + 0.5) * step_s
    return np.where(time < length_s, 0.5 - 0.5 * np.cos(2 * np.pi * time / length_s), 0.0)


def spell(
    rng: np.random.Generator, steps: int, step_s: float, length_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Gusty wind for some time: pushes downwind, never upwind, and rocks a little across.

    Returns
    -------
    along, across : ndarray, shape (steps,)
    """
    time = (np.arange(steps) + 0.5) * step_s
    blowing = np.clip(np.minimum(time, length_s - time) / 0.5, 0.0, 1.0)
    rough = 1.0 + STRENGTH * red_noise(rng, steps, step_s, TURBULENCE_S)
    across = 0.3 * STRENGTH * red_noise(rng, steps, step_s, TURBULENCE_S)
    return blowing * np.maximum(rough, 0.0) ** 2, blowing * across
