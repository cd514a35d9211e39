"""Count the clues of motion and weigh them, on wide practice nights split by night.

Run from the repository: ``python -m tests.benchmarks.cause_weights NIGHTS...``, where each NIGHTS
holds nights that ``simulate --random --wide`` rendered, one folder each.  Every night is measured
and joined, and the numbers of each plainly faulty frame that a motion ruined are taken down, from
the images alone and with the record.  How often each number was met with each cause makes its
likelihoods; one weight a clue, at least 0 and drawn towards `TOWARDS` (a Gaussian of sigma
`DRAWN`), says how far it may be believed beside the others: they minimise the mean of -log of the
share given to the true cause, every cause and night counting alike, where a night's own frames are
left out of the counts.  What is printed of right names is of nights that neither counts nor
weights saw (folds of whole nights).  ``--write`` puts counts and weights into
``subgrade/judging/causes.toml``.
"""

from __future__ import annotations

import argparse
import csv
import os
import pickle
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy.optimize import minimize

from subgrade import pipeline
from subgrade.errors import NothingToGrade
from subgrade.judging import likelihoods, load_limits
from subgrade.judging.followed_target import follow
from subgrade.judging.likelihoods import Number, likelihood_of, membership, stated_clues
from subgrade.judging.motion_causes import motion_numbers
from subgrade.judging.reasons import MOTIONS
from subgrade.night.model import Night

DRAWN, TOWARDS = 0.15, 0.8
"""Sigma of the weights about their middle: clues repeat one another in part.  A choice."""
LEAST_LENGTH = 0.4
"""Star widths below which an oval frame shows none of its motion; a choice."""
FOLDS = 5
TABLE = Path(likelihoods.__file__).with_name("causes.toml")
ROUNDS = 20
"""Of estimating how often each kind is met, where an image or a path fits several (the EM
algorithm: Dempster, Laird & Rubin 1977, J. R. Stat. Soc. B 39, 1, from memory)."""
SCALES = stated_clues()


@dataclass(frozen=True, slots=True)
class Row:
    """The numbers of one frame, as far as counting needs them."""

    night: str
    frame: str
    joined: bool
    solved: bool
    accepted: tuple[str, ...]
    numbers: tuple[Number, ...]


def compared_night(folder: Path, kept: Path):
    """One night's frames measured and compared, kept in a file; None where none can be graded."""
    file = kept / f"{folder.name}.night"
    if file.exists():
        return pickle.loads(file.read_bytes())
    with tempfile.TemporaryDirectory() as name:
        settings = pipeline.Settings((str(folder),), str(Path(name) / "out"), 1, dry_run=True)
        try:
            found = pipeline.find(settings)
            night = pipeline.compare(pipeline.measure(found, settings, pipeline.Progress()), found)
        except NothingToGrade:
            night = None
    file.write_bytes(pickle.dumps(night))
    return night


def night_rows(folder: Path, kept: Path) -> list[Row]:
    """Rows of one night's plainly faulty frames that a motion ruined."""
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as stream:
        truths = {row["frame"]: row for row in csv.DictReader(stream)}
    night, limits, found_rows = compared_night(folder, kept), load_limits(), []
    if night is None:
        return []
    guide = tuple(str(f) for f in sorted(folder.glob("guiding.*")))
    settings = pipeline.Settings((str(folder),), str(kept), 1, guide=guide)
    records = pipeline.read_records(settings, pipeline.Progress())
    solved = any(f.facts.sky_axes for f in night.frames)
    for known in (night, _without_angle(night)) if solved else (night,):
        joined = pipeline.join(known, records, settings, pipeline.Progress())
        for guiding in (None,) if joined.usable is None else (None, joined.usable):
            found_rows += _rows(folder.name, known, guiding, truths, limits)
    return found_rows


def _without_angle(night: Night) -> Night:
    """The night as if no header told how the camera is turned."""
    frames = (replace(f, facts=replace(f.facts, sky_axes=None)) for f in night.frames)
    return replace(night, frames=tuple(frames))


def _rows(name: str, night: Night, guiding, truths: dict, limits) -> Iterator[Row]:
    followed = follow(night, None, guiding)
    solved = any(f.facts.sky_axes for f in night.frames)
    for number in range(len(followed.night.groups)):
        series = followed.series_of(number, guiding)
        for place, index in enumerate(series.members):
            truth = truths[followed.night.frames[index].name]
            accepted = tuple(w for w in truth["reason"].split(";") if w in MOTIONS)
            if truth["verdict"] != "reject" or not accepted:
                continue
            numbers = tuple(motion_numbers(series, place, limits))
            if shows_motion(numbers):
                yield Row(name, truth["frame"], guiding is not None, solved, accepted, numbers)


def shows_motion(numbers: Sequence[Number]) -> bool:
    """Whether the motion can be seen: not where a trail that all frames share was taken out."""
    values = {n.feature.name: n for n in numbers}
    length, form = values.get("length of the line"), values["form of the stars"]
    return "oval" not in form.kinds or length is None or length.value > LEAST_LENGTH


class Rows:
    """Rows as arrays: what each frame shows in every clue, and what may name it."""

    def __init__(self, rows: Sequence[Row]):
        self.rows = list(rows)
        self.seen = {}
        for name, scale in SCALES.items():
            table = np.full((len(rows), scale.stated.shape[1]), np.nan)
            for k, row in enumerate(rows):
                number = next((n for n in row.numbers if n.feature.name == name), None)
                if number is not None:
                    table[k] = membership(number, scale.at, scale.kinds)
            self.seen[name] = table
        self.right = np.array([[w in row.accepted for w in MOTIONS] for row in rows], float)
        self.share = self.right / self.right.sum(axis=1, keepdims=True)
        nights = Counter((row.night, row.accepted[0]) for row in rows)
        each = Counter(row.accepted[0] for row in rows)
        # Every cause counts alike, and within it a night by the root of its frames.
        size = [nights[row.night, row.accepted[0]] ** -0.5 for row in rows]
        self.size = np.array(size)
        for cause in each:
            mine = np.array([row.accepted[0] == cause for row in rows])
            self.size[mine] /= self.size[mine].sum()
        self.size *= len(rows) / len(each)
        self.nights = np.array([row.night for row in rows])

    def counts(self, name: str, use: np.ndarray) -> np.ndarray:
        """How often each place or kind was met with each cause, shape (causes, k)."""
        table = self.seen[name]
        known = use & np.isfinite(table).all(axis=1) & (np.nansum(table, axis=1) > 0)
        table, share = table[known], self.share[known]
        # Frames of one night are alike: each counts as the root of their number.
        alike = Counter(self.nights[known].tolist())
        share = share * np.array([alike[n] ** -0.5 for n in self.nights[known]])[:, None]
        stated = SCALES[name].stated
        if not SCALES[name].kinds:
            return share.T @ table
        likelihood = np.ones((len(MOTIONS), table.shape[1])) / table.shape[1]
        counts = np.zeros_like(likelihood)
        for _ in range(ROUNDS):
            counts[:] = 0.0
            for c in range(len(MOTIONS)):
                part = table * likelihood[c]
                part /= np.maximum(part.sum(axis=1, keepdims=True), 1e-300)
                counts[c] = share[:, c] @ part
            likelihood = likelihood_of(counts, stated)
        return counts

    def points(self, use: np.ndarray) -> np.ndarray:
        """Unweighted points of every row by the counts of ``use``, shape (rows, clues, causes)."""
        out = np.zeros((len(self.rows), len(SCALES), len(MOTIONS)))
        for k, name in enumerate(SCALES):
            likelihood = likelihood_of(self.counts(name, use), SCALES[name].stated)
            table = self.seen[name]
            known = np.isfinite(table).all(axis=1) & (np.nansum(table, axis=1) > 0)
            seen = table[known] @ likelihood.T
            out[known, k] = np.log(seen / seen.mean(axis=1, keepdims=True))
        return out

    def left_out(self, use: np.ndarray, parts: int = 8) -> np.ndarray:
        """As `points` of the rows in use, whose own nights are left out of the counts."""
        out = np.zeros((len(self.rows), len(SCALES), len(MOTIONS)))
        for part in split(self.nights, parts, 3):
            held = use & part
            if held.any():
                out[held] = self.points(use & ~part)[held]
        return out


def split(nights: np.ndarray, parts: int, seed: int) -> list[np.ndarray]:
    """Rows in parts, a night never in two of them."""
    names = sorted(set(nights.tolist()))
    order = np.random.default_rng(seed).permutation(len(names)) % parts
    part = dict(zip(names, order.tolist(), strict=True))
    mine = np.array([part[n] for n in nights.tolist()])
    return [mine == p for p in range(parts)]


def fitted(data: Rows, points: np.ndarray, use: np.ndarray, sigma: float = DRAWN) -> np.ndarray:
    """Weights of the clues, then what "none of these" starts from."""
    points, right, size = points[use], data.right[use], data.size[use]

    def loss(free):
        weight, none = free[:-1], free[-1]
        total = np.einsum("k,rkc->rc", weight, points)
        whole = np.concatenate([total, np.full((len(total), 1), none)], axis=1)
        most = whole.max(axis=1, keepdims=True)
        chance = np.exp(whole - most)
        chance /= chance.sum(axis=1, keepdims=True)
        mine = chance[:, :-1] * right
        good = np.maximum(mine.sum(axis=1), 1e-12)
        value = -(size * np.log(good)).sum()
        pull = mine / good[:, None] - chance[:, :-1]
        slope = -np.einsum("r,rc,rkc->k", size, pull, points)
        off = (weight - TOWARDS) / sigma
        slope_none = (size * chance[:, -1]).sum()
        return (
            value + 0.5 * off @ off,
            np.append(slope + off / sigma, slope_none),
        )

    start = np.append(np.full(points.shape[1], TOWARDS), -1.0)
    bounds = [(0.0, None)] * points.shape[1] + [(-1.5, 1.0)]
    return minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds).x


def named(points: np.ndarray, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The likeliest cause of each row and its share."""
    total = np.einsum("k,rkc->rc", free[:-1], points)
    whole = np.concatenate([total, np.full((len(total), 1), free[-1])], axis=1)
    chance = np.exp(whole - whole.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    best = chance[:, :-1].argmax(axis=1)
    return best, chance[np.arange(len(best)), best]


def crossed(data: Rows, sigma: float = DRAWN) -> tuple[np.ndarray, np.ndarray]:
    """Name and share of each row by counts and weights of the other folds."""
    best, share = np.zeros(len(data.rows), int), np.zeros(len(data.rows))
    for test in split(data.nights, FOLDS, 7):
        free = fitted(data, data.left_out(~test), ~test, sigma)
        b, s = named(data.points(~test), free)
        best[test], share[test] = b[test], s[test]
    return best, share


def table(data: Rows, best: np.ndarray, share: np.ndarray) -> None:
    """Print right names by record and by true cause, and how well shares hold."""
    right = data.right[np.arange(len(best)), best] > 0
    first = np.array([row.accepted[0] for row in data.rows])
    for joined, solved in ((False, False), (False, True), (True, False), (True, True)):
        mine = np.array([(row.joined, row.solved) == (joined, solved) for row in data.rows])
        if not mine.any():
            continue
        each = [right[mine & (first == c)].mean() for c in sorted(set(first[mine]))]
        print(
            f"record {'read' if joined else 'not read'}, camera angle "
            f"{'known' if solved else 'unknown'}: {mine.sum()} frames, right "
            f"{right[mine].mean():.1%}, mean over causes {np.mean(each):.1%}"
        )
        for cause in MOTIONS:
            use = mine & (first == cause)
            wrong = Counter(MOTIONS[b] for b in best[use & ~right])
            if use.any():
                print(
                    f"  {cause:16s} {use.sum():4d} {right[use].mean():6.1%}  "
                    + ", ".join(f"{w} {n}" for w, n in wrong.most_common(4))
                )
    for low in np.arange(0.1, 1.0, 0.1):
        use = (share >= low) & (share < low + 0.1)
        if use.any():
            print(f"  said {share[use].mean():5.1%}: right {right[use].mean():6.1%} of {use.sum()}")


def collected(nights: Sequence[Path], kept: Path, workers: int) -> list[Row]:
    """Every night's rows; what was measured is kept in a folder."""
    kept.mkdir(parents=True, exist_ok=True)
    rows = []
    with ProcessPoolExecutor(workers) as pool:
        found = pool.map(night_rows, nights, [kept] * len(nights))
        for night, new in zip(nights, found, strict=True):
            print(f"{night.name}: {len(new)} rows", file=sys.stderr, flush=True)
            rows += new
    return rows


def written(data: Rows, free: np.ndarray) -> str:
    """Counts and weights as the text of ``causes.toml``."""
    whole = np.ones(len(data.rows), bool)
    lines = [
        "# How often each number was met with each cause of motion on wide practice nights, and",
        "# how far it is believed. Written by `python -m tests.benchmarks.cause_weights`; do not",
        "# edit by hand.",
        f"# {len(set(data.nights.tolist()))} nights, {len(data.rows)} faulty frames.",
        "",
        f"none = {free[-1]:.2f}",
    ]
    for name, weight in zip(SCALES, free[:-1], strict=True):
        if weight < 0.05:
            continue
        counts = data.counts(name, whole)
        lines += ["", f'[clue."{name}"]', f"weight = {weight:.2f}"]
        lines += [
            f"{word} = [{', '.join(f'{c:.1f}' for c in row)}]"
            for word, row in zip(MOTIONS, counts, strict=True)
        ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Collect, count, fit, print."""
    parse = argparse.ArgumentParser(description=__doc__)
    parse.add_argument("nights", type=Path, nargs="+")
    parse.add_argument("--workers", type=int, default=2)
    parse.add_argument("--kept", type=Path, required=True, help="folder for measured nights")
    parse.add_argument("--write", action="store_true")
    asked = parse.parse_args()
    nights = sorted(p.parent for folder in asked.nights for p in folder.glob("*/truth.csv"))
    rows = collected(nights, asked.kept, asked.workers)
    (asked.kept / "rows.pickle").write_bytes(pickle.dumps(rows))
    data = Rows(rows)
    table(data, *crossed(data))
    whole = np.ones(len(data.rows), bool)
    free = fitted(data, data.left_out(whole), whole)
    for name, value in sorted(zip(SCALES, free, strict=False), key=lambda p: p[1]):
        print(f"{value:6.2f}  {name}")
    print(f"{free[-1]:6.2f}  {likelihoods.NONE}")
    if asked.write:
        TABLE.write_text(written(data, free), encoding="utf-8")


if __name__ == "__main__":
    main()
