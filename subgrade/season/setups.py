"""Which series were taken with the same camera behind the same telescope."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from subgrade.plaintext import clean
from subgrade.season.model import NAN, Setup
from subgrade.season.names import alike, made_unique

SAME_SCALE = 0.03
"""Relative difference of pixel scales up to which a telescope is the same: a rounded focal length
differs by that from a measured one (common practice, no source); a reducer changes more."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What the headers and measurements of one series state of its setup.

    Attributes
    ----------
    camera : str or None
    shape, binning : tuple of int
        As in `Setup`; (0, 0) where no measurement is there.
    scale_arcsec : float
    """

    camera: str | None = None
    shape: tuple[int, int] = (0, 0)
    binning: tuple[int, int] = (1, 1)
    scale_arcsec: float = NAN

    def is_like(self, other: Taken) -> bool:
        """Whether nothing that both state differs."""
        cameras = alike(self.camera), alike(other.camera)
        scales = self.scale_arcsec, other.scale_arcsec
        return (
            (self.shape == other.shape or (0, 0) in (self.shape, other.shape))
            and (self.binning == other.binning or (0, 0) in (self.shape, other.shape))
            and (cameras[0] == cameras[1] or None in cameras)
            and not abs(np.log(scales[0] / scales[1])) > SAME_SCALE
        )

    @property
    def stated(self) -> int:
        """How many facts are stated."""
        return (
            (self.shape != (0, 0))
            + (self.camera is not None)
            + bool(np.isfinite(self.scale_arcsec))
        )


def setups_of(taken: Sequence[Taken]) -> list[Setup]:
    """The setup of each series; those of one setup share one value, with a label of its own.

    Parameters
    ----------
    taken : sequence of Taken
    """
    clusters: list[list[int]] = []
    # the fullest headers come first, so that silent ones find theirs there
    for k in sorted(range(len(taken)), key=lambda k: -taken[k].stated):
        home = next((c for c in clusters if all(taken[k].is_like(taken[m]) for m in c)), None)
        if home is None:
            clusters.append([k])
        else:
            home.append(k)
    clusters.sort(key=min)
    setups = [_setup([taken[k] for k in members]) for members in clusters]
    labels = made_unique(
        [s.label for s in setups],
        [s.camera or "" for s in setups],
        [f"binning {s.binning[0]} × {s.binning[1]}" for s in setups],
    )
    found: list[Setup | None] = [None] * len(taken)
    for members, setup, label in zip(clusters, setups, labels, strict=True):
        named = replace(setup, label=label)
        for k in members:
            found[k] = named
    return found


def _setup(taken: list[Taken]) -> Setup:
    scales = [t.scale_arcsec for t in taken if np.isfinite(t.scale_arcsec)]
    scale = float(np.median(scales)) if scales else NAN
    seen = next((t for t in taken if t.shape != (0, 0)), taken[0])
    camera = next((clean(t.camera) for t in taken if t.camera), None)
    parts = [f"{scale:.2f}″/px"] if scales else []
    if seen.shape != (0, 0):
        parts.append(f"{seen.shape[1]} × {seen.shape[0]}")
    label = ", ".join(parts) or camera or "unknown setup"
    return Setup(label, camera, seen.shape, seen.binning, scale)
