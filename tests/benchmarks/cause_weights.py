"""Weigh the clues of a cause: one weight each, fitted on wide practice nights split by night.

Run from the repository: ``python -m tests.benchmarks.cause_weights NIGHTS``, where NIGHTS holds
nights that ``simulate --random --wide`` rendered, one folder each.  Every night is measured and
judged, from the images alone and with its record, and the clues that each first reason word was
weighed by are taken down.  A clue's points are log odds of stated physics; its weight says how far
they may be believed beside other clues, which tell in part the same.  Weights are at least 0 and
drawn towards 1 (a Gaussian of sigma `DRAWN`); they minimise the mean of -log of the share given to
the true cause, every night counting alike.  What is printed of right names is of nights that the
weights did not see (folds of whole nights).  ``--write`` puts weights and counts into
``subgrade/judging/causes.toml``.
"""

from __future__ import annotations

import argparse
import csv
import os
import pickle
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy.optimize import minimize

from subgrade import pipeline
from subgrade.errors import NothingToGrade
from subgrade.judging import displaced_light, judge, light, load_limits, roundness, sharpness

DRAWN = 0.5
"""Sigma of the weights about 1; a choice, see the table of sigmas that ``--sigmas`` prints."""
FOLDS = 5
WEIGHERS = (displaced_light, light, roundness, sharpness)
"""Modules that weigh causes."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """What one frame's first reason word was weighed by.

    Attributes
    ----------
    night, frame : str
    joined : bool
        With the guiding record.
    accepted : tuple of str
        Words that name the frame rightly.
    prior : dict of str to float
        Candidates.
    clues : tuple of (str, str, float)
        Candidate, number of evidence and points.
    named : str
        The word that was given.
    """

    night: str
    frame: str
    joined: bool
    accepted: tuple[str, ...]
    prior: dict[str, float]
    clues: tuple[tuple[str, str, float], ...]
    named: str


@contextmanager
def taken_down(calls: dict[str, list]) -> Iterator[None]:
    """Note every weighing of causes by the frame it was for."""
    plain, whole, frame = roundness.shares_of, judge._judge_frame, [""]

    def noted(items, prior, if_supported=None):
        items = list(items)
        shares = plain(items, prior, if_supported or {})
        clues = tuple((i.reason, i.quantity, i.points) for i in items if i.clue)
        rest = {w: p for w, p in (if_supported or {}).items() if w in dict(shares)}
        calls[frame[0]].append((shares, {**prior, **rest}, clues))
        return shares

    def judged(series, place, one, *more):
        frame[0] = one.name
        return whole(series, place, one, *more)

    for module in WEIGHERS:
        module.shares_of = noted
    judge._judge_frame = judged
    try:
        yield
    finally:
        judge._judge_frame = whole
        for module in WEIGHERS:
            module.shares_of = plain


def weighed_night(folder: Path) -> list[Weighed]:
    """The weighings of one night's plainly faulty frames, without and with its record."""
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as stream:
        truths = {row["frame"]: row for row in csv.DictReader(stream)}
    guide = tuple(str(f) for f in [folder / "guiding.csv"] if f.exists())
    progress, limits, found_rows = pipeline.Progress(), load_limits(), []
    with tempfile.TemporaryDirectory() as name:
        settings = pipeline.Settings((str(folder),), str(Path(name) / "out"), 1, guide=guide)
        try:
            found = pipeline.find(settings)
            measured = pipeline.measure(found, settings, progress)
        except NothingToGrade:
            return []
        night = pipeline.compare(measured, found)
        records = pipeline.read_records(settings, progress)
        joined = pipeline.join(night, records, settings, progress)
        for with_record, known in ((False, pipeline.Joined()), (True, joined)):
            if with_record and joined.usable is None:
                continue
            calls = defaultdict(list)
            with taken_down(calls):
                graded = pipeline.judge(night, measured, found, limits, settings, known)
            for frame in graded.frames:
                row = _weighed(folder.name, frame, with_record, truths[frame.name], calls)
                found_rows += [row] if row else []
    return found_rows


def _weighed(night: str, frame, joined: bool, truth: dict, calls: dict) -> Weighed | None:
    verdict = frame.judgement
    if truth["sure"] != "yes" or truth["verdict"] != "reject" or verdict.verdict != "reject":
        return None
    accepted = tuple(truth["reason"].split(";"))
    given = verdict.reasons[0]
    shares = verdict.rivals(given)
    for result, prior, clues in calls[frame.name]:
        if result == shares:
            return Weighed(night, frame.name, joined, accepted, prior, clues, given)
    return Weighed(night, frame.name, joined, accepted, {}, (), given)


class Rows:
    """Weighings as arrays: candidates by numbers of evidence."""

    def __init__(self, rows: Sequence[Weighed]):
        self.rows = list(rows)
        self.names = sorted({name for row in rows for _, name, _ in row.clues})
        place = {name: k for k, name in enumerate(self.names)}
        self.tables = []
        for row in self.rows:
            words = list(row.prior)
            table = np.zeros((len(words), len(self.names)))
            for word, name, points in row.clues:
                if word in row.prior:
                    table[words.index(word), place[name]] += points
            right = np.array([word in row.accepted for word in words], bool)
            self.tables.append((words, np.array([row.prior[w] for w in words]), table, right))

    def loss(self, weight: np.ndarray, use: Sequence[int], sigma: float):
        """Mean -log share of the true cause, with the pull of the weights to 1, and its slope."""
        nights = Counter((self.rows[k].night, self.rows[k].joined) for k in use)
        total, slope = 0.0, np.zeros(len(weight))
        for k in use:
            _, prior, table, right = self.tables[k]
            if not right.any() or right.all():
                continue
            score = prior + table @ weight
            share = np.exp(score - score.max())
            share /= share.sum()
            mine = share * right / share[right].sum()
            count = 1.0 / nights[self.rows[k].night, self.rows[k].joined] ** 0.5
            total -= count * np.log(max(share[right].sum(), 1e-12))
            slope -= count * ((mine - share) @ table)
        off = (weight - 1.0) / sigma
        return total + 0.5 * off @ off, slope + off / sigma

    def fit(self, use: Sequence[int], sigma: float = DRAWN) -> np.ndarray:
        """Weights that do best on some rows."""
        found = minimize(
            self.loss,
            np.ones(len(self.names)),
            args=(list(use), sigma),
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, None)] * len(self.names),
        )
        return found.x

    def right(self, weight: np.ndarray, k: int) -> bool:
        """Whether a row would be named rightly."""
        words, prior, table, _ = self.tables[k]
        if not words:
            return self.rows[k].named in self.rows[k].accepted
        return words[int(np.argmax(prior + table @ weight))] in self.rows[k].accepted

    def stated(self, weight: np.ndarray, k: int) -> float:
        """The share that would be stated."""
        _, prior, table, _ = self.tables[k]
        score = prior + table @ weight
        share = np.exp(score - score.max())
        return float(share.max() / share.sum())


def folds(data: Rows) -> list[np.ndarray]:
    """Rows in `FOLDS` parts, a night never in two of them."""
    nights = sorted({row.night for row in data.rows})
    order = np.random.default_rng(7).permutation(len(nights)) % FOLDS
    part = dict(zip(nights, order.tolist(), strict=True))
    mine = np.array([part[row.night] for row in data.rows])
    return [np.flatnonzero(mine == p) for p in range(FOLDS)]


def crossed(data: Rows, sigma: float) -> np.ndarray:
    """Whether each row is named rightly by weights fitted to the other folds."""
    right = np.zeros(len(data.rows), bool)
    for test in folds(data):
        use = np.setdiff1d(np.arange(len(data.rows)), test)
        weight = data.fit(use, sigma)
        right[test] = [data.right(weight, k) for k in test]
    return right


def table(data: Rows, before: np.ndarray, after: np.ndarray) -> None:
    """Print right names by record and by true cause."""
    for joined in (False, True):
        mine = np.array([row.joined is joined for row in data.rows])
        if not mine.any():
            continue
        print(
            f"{'with' if joined else 'without'} the record: {mine.sum()} frames, right "
            f"{before[mine].mean():.1%} before, {after[mine].mean():.1%} after"
        )
        causes = np.array([row.accepted[0] for row in data.rows])
        for cause in sorted(set(causes[mine])):
            use = mine & (causes == cause)
            print(
                f"  {cause:16s} {use.sum():4d}  {before[use].mean():6.1%} {after[use].mean():6.1%}"
            )


def collected(nights: Sequence[Path], kept: Path, workers: int) -> list[Weighed]:
    """Every night's weighings, kept in a file beside the nights."""
    known = pickle.loads(kept.read_bytes()) if kept.exists() else {}
    new = [n for n in nights if n.name not in known]
    with ProcessPoolExecutor(workers) as pool:
        for night, rows in zip(new, pool.map(weighed_night, new), strict=True):
            known[night.name] = rows
            print(f"{night.name}: {len(rows)} weighings", file=sys.stderr, flush=True)
            kept.write_bytes(pickle.dumps(known))
    return [row for n in nights for row in known[n.name]]


def main() -> None:
    """Collect, fit, print."""
    parse = argparse.ArgumentParser(description=__doc__)
    parse.add_argument("nights", type=Path)
    parse.add_argument("--workers", type=int, default=2)
    parse.add_argument("--kept", type=Path, help="file that weighings are kept in")
    parse.add_argument("--sigmas", action="store_true")
    asked = parse.parse_args()
    nights = sorted(p.parent for p in asked.nights.glob("*/truth.csv"))
    rows = collected(nights, asked.kept or asked.nights / "weighings.pickle", asked.workers)
    data = Rows(rows)
    plain = np.ones(len(data.names))
    before = np.array([data.right(plain, k) for k in range(len(rows))])
    for sigma in (0.15, 0.25, 0.5, 1.0) if asked.sigmas else (DRAWN,):
        after = crossed(data, sigma)
        print(f"sigma {sigma}: right {before.mean():.1%} before, {after.mean():.1%} after")
    table(data, before, after)
    weight = data.fit(range(len(rows)))
    counts = Counter(name for row in rows for name in {n for _, n, _ in row.clues})
    for name, value in sorted(zip(data.names, weight, strict=True), key=lambda p: p[1]):
        print(f"{value:6.2f}  {counts[name]:5d}  {name}")


if __name__ == "__main__":
    main()
