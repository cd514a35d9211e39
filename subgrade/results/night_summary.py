"""The night in a few numbers: how clear and sharp it was, and what the rejects cost and gain.

A frame's worth lies in the stack.  So for each group the stack is predicted with and without
its rejects, as a plain mean and weighted: width, eccentricity and S/N of a faint star.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import numpy as np

from subgrade.choosing import Stack, stackable, stacks_of
from subgrade.figures import on_sky
from subgrade.night.model import Group
from subgrade.night.weights import exact_weights, sky_limited_weights, stack_efficiency
from subgrade.results.model import Graded, GradedFrame

WEIGHTS_ARE = "T^2 / (noise^2 FWHM^2), for frames scaled to equal starlight before averaging"
MOST_EXACT = 600
"""Frames that take part in the exact optimum; more are thinned out evenly."""


STACKS = {
    "all_weighted": "all weighted",
    "kept": "keeps",
    "kept_weighted": "keeps weighted",
}
"""The stacks that a person chooses among, in words."""


def night_summary(graded: Graded) -> dict:
    """Clear share, time, widths and predicted stacks of the whole night and of each group.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    dict
        docs/comparing.md lists the keys; NaN where unknown.
    """
    held = [f for f in graded.frames if f.compared is not None and f.compared.group >= 0]
    clear = graded.limits.light.remark_transparency
    groups = []
    for k, group in enumerate(graded.groups):
        mine = [f for f in held if f.compared.group == k]
        groups.append({"label": group.label, **_conditions(mine, clear), **_group(mine, group)})
    return {"clear_from": clear, **_conditions(held, clear), "groups": groups}


def stack_lines(graded: Graded) -> list[str]:
    """What all frames by weight, the kept and the kept by weight would give: a line a group.

    S/N is over that of a plain mean of all frames; groups without a reject have no line.
    """
    lines = []
    for group, scale in zip(night_summary(graded)["groups"], group_scales(graded), strict=True):
        stacks = group["stack"]
        if stacks is None or stacks["kept"]["frames"] in (0, stacks["all"]["frames"]):
            continue
        each = [
            f"{name} ×{stacks[key]['snr_over_all']:.2f} "
            f"({width_text(stacks[key]['fwhm_px'], scale)})"
            for key, name in STACKS.items()
        ]
        whole = width_text(stacks["all"]["fwhm_px"], scale)
        label = f"{group['label']}: " if len(graded.groups) > 1 else ""
        lines.append(
            f"{label}predicted S/N over a plain mean of all (FWHM {whole}): {', '.join(each)}"
        )
    return lines


def group_scales(graded: Graded) -> list[float | None]:
    """Arcseconds per pixel of each group; None for all of them unless every one has a scale."""
    scales = []
    for k in range(len(graded.groups)):
        mine = [f for f in graded.frames if f.compared is not None and f.compared.group == k]
        known = sorted(f.facts.scale_arcsec for f in mine if f.facts.scale_arcsec)
        scales.append(known[len(known) // 2] if known else None)
    return scales if all(scales) else [None] * len(scales)


def width_text(width_px: float, scale: float | None) -> str:
    """A star's width to a hundredth, in arcseconds where the scale is known.

    >>> width_text(3.0, 0.5), width_text(3.0, None)
    ('1.50″', '3.00 px')
    """
    value, unit = on_sky(width_px, scale)
    return f"{value:.2f}{' ' if unit == 'px' else ''}{unit}"


def _conditions(frames: Sequence[GradedFrame], clear: float) -> dict:
    """Shares and widths over any set of frames."""
    time = np.array([f.facts.exposure_s or 0.0 for f in frames])
    light = np.array([f.compared.transparency for f in frames])
    arcsec = [f.stars.fwhm_px * (f.facts.scale_arcsec or np.nan) for f in frames]
    kept = np.array([f.judgement.verdict == "keep" for f in frames], bool)
    known = np.isfinite(light) & ~np.array([f.compared.transparency_is_limit for f in frames], bool)
    # Without exposure times every frame counts alike.
    share = time if time[known].sum() > 0 else np.ones(len(frames))
    total = share[known].sum()
    return {
        "frames": len(frames),
        "clear_fraction": share[known & (light >= clear)].sum() / total if total else np.nan,
        "kept_s": time[kept].sum(),
        "lost_s": time[~kept].sum(),
        "lost_by_cause_s": _lost(frames),
        "fwhm_px": _widths([f.stars.fwhm_px for f in frames]),
        "fwhm_arcsec": _widths(arcsec),
        "fwhm_kept_px": _widths([f.stars.fwhm_px for f, k in zip(frames, kept, strict=True) if k]),
    }


def _lost(frames: Sequence[GradedFrame]) -> dict[str, float]:
    """Seconds lost to each first reason, most first."""
    lost: dict[str, float] = {}
    for frame in frames:
        if frame.judgement.verdict != "keep":
            word = frame.judgement.reasons[0]
            lost[word] = lost.get(word, 0.0) + (frame.facts.exposure_s or 0.0)
    return dict(sorted(lost.items(), key=lambda item: -item[1]))


def _widths(values) -> dict:
    """Median and best (10th percentile)."""
    v = np.array(values, dtype=float)
    v = v[np.isfinite(v)]
    if not len(v):
        return {"median": np.nan, "best": np.nan}
    return {"median": np.median(v), "best": np.quantile(v, 0.1)}


def _group(frames: Sequence[GradedFrame], group: Group) -> dict:
    """Trends, weights' loss and predicted stacks of one group."""
    trends = asdict(group.trends) if group.trends else None
    usable = [f for f in frames if stackable(f.stars, f.compared)]
    if len(usable) < 2:
        return {"trends": trends, "weights": None, "stack": None}
    stars, compared = [f.stars for f in usable], [f.compared for f in usable]
    kept = np.array([f.judgement.verdict == "keep" for f in usable], bool)
    found = stacks_of(stars, compared, kept)
    stack = {name: _plain(one) for name, one in found.items()}
    stack["left_out"] = len(frames) - len(usable)
    for name in ("kept", "all_weighted", "kept_weighted"):
        stack[name]["snr_over_all"] = found[name].snr / found["all"].snr
    light = np.array([c.transparency for c in compared])
    noise, width = (np.array([getattr(s, n) for s in stars]) for n in ("noise_adu", "fwhm_px"))
    loss = weights_loss(light[kept], noise[kept], width[kept])
    return {"trends": trends, "weights": {"are": WEIGHTS_ARE, "loss": loss}, "stack": stack}


def _plain(stack: Stack) -> dict:
    return asdict(stack) if stack.frames else {"frames": 0}


def weights_loss(light: np.ndarray, noise: np.ndarray, width: np.ndarray) -> float:
    """S/N lost by the simple weights against the best weights of a pixel-by-pixel sum.

    Parameters
    ----------
    light, noise, width : ndarray, shape (n,)
        Transparency, sky noise and FWHM of the stacked frames.

    Returns
    -------
    float
        0.01 for one per cent; NaN without frames.
    """
    if not len(light):
        return float("nan")
    some = np.unique(np.linspace(0, len(light) - 1, min(len(light), MOST_EXACT)).astype(int))
    t, s, f = light[some], noise[some], width[some]
    simple = stack_efficiency(sky_limited_weights(t, s, f), t, s, f, flux_scaled=True)
    return max(0.0, 1.0 - simple / exact_weights(t, s, f)[1])
