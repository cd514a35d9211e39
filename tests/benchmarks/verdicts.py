"""Judge random practice nights and count right and wrong verdicts, reasons and confidences.

Run from the repository: ``python tests/benchmarks/verdicts.py``; about 10 seconds a night and
worker.  A night is rendered and measured once, then judged twice: from the images alone, and
with its guiding record, whose clock is left for the program to find.  ``--report FILE`` writes
the counts as a page.  ``--wide`` draws from the wide range of nights instead, small frames of
480 x 360, and adds a table by true cause; ``--nights-in DIR`` keeps what was rendered there.
"""

from __future__ import annotations

import argparse
import csv
import os
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy.stats import binomtest

from subgrade import pipeline
from subgrade.errors import NothingToGrade
from subgrade.judging import load_limits
from subgrade.practice import random_scenario, simulate_night, wide_scenario

KEPT = "kept"
TARGETS = (
    ("clean frames kept", "kept", 0.99),
    ("plainly faulty frames rejected", "rejected", 0.98),
    ("strongest reason right", "named", None),
)
NAMED = {"without": 0.85, "with": 0.95}
"""Share of rejected faulty frames whose strongest reason should be right."""
EDGES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0)
"""Bins of the confidence."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One frame's truth beside its verdict."""

    seed: int
    frame: str
    meant: str
    """``keep`` or ``reject``."""
    cause: str
    """The true cause; of a good frame what it should carry as a remark, or empty."""
    accepted: tuple[str, ...]
    """The words that name it rightly: more than one where causes share the motion."""
    sure: bool
    """Whether the truth is plain, or could be argued either way."""
    verdict: str
    reasons: tuple[str, ...]
    confidence: float

    @property
    def right(self) -> bool:
        return self.meant == self.verdict

    @property
    def named(self) -> bool:
        return bool(self.reasons) and self.reasons[0] in self.accepted


@dataclass(frozen=True, slots=True)
class Night:
    """One random night, judged from the images alone and with its record."""

    seed: int
    without: tuple[Judged, ...] = ()
    joined: tuple[Judged, ...] = ()
    record_used: bool = False
    problem: str = ""


def judged_night(
    seed: int, frames: int = 24, wide: bool = False, nights_in: Path | None = None
) -> Night:
    """Render, measure and compare one random night, then judge it twice, if it has a record."""
    with tempfile.TemporaryDirectory() as name:
        folder = (nights_in or Path(name)) / f"{'wide' if wide else 'night'}_{seed}_{frames}"
        if not (folder / "truth.csv").exists():
            simulate_night(folder, (wide_scenario if wide else random_scenario)(seed, frames))
        with (folder / "truth.csv").open(encoding="utf-8", newline="") as stream:
            truths = {row["frame"]: row for row in csv.DictReader(stream)}
        guide = tuple(str(f) for f in [folder / "guiding.csv"] if f.exists())
        settings = pipeline.Settings((str(folder),), str(Path(name) / "out"), 1, guide=guide)
        progress, limits = pipeline.Progress(), load_limits()
        try:
            found = pipeline.find(settings)
            measured = pipeline.measure(found, settings, progress)
        except NothingToGrade as error:
            return Night(seed, problem=str(error))
        night = pipeline.compare(measured, found)
        guiding = pipeline.join(
            night, pipeline.read_records(settings, progress), settings, progress
        )
        graded = [
            pipeline.judge(night, measured, found, limits, settings, known)
            for known in ((pipeline.Joined(), guiding) if guide else (pipeline.Joined(),))
        ]
    pairs = [tuple(_beside(seed, truths, f) for f in g.frames) for g in graded]
    return Night(seed, *pairs, record_used=guiding.usable is not None)


def _beside(seed: int, truths: dict, frame) -> Judged:
    row, verdict = truths[frame.name], frame.judgement
    causes = tuple(row["reason"].split(";"))
    return Judged(
        seed,
        frame.name,
        row["verdict"],
        causes[0],
        causes,
        row["sure"] == "yes",
        verdict.verdict,
        verdict.reasons,
        verdict.confidence,
    )


def share(part: int, whole: int) -> str:
    """A share with its 95 % interval (Wilson 1927, JASA 22, 209), as scipy has it."""
    if not whole:
        return "none"
    low, high = binomtest(part, whole).proportion_ci(method="wilson")
    return f"{part} of {whole} = {part / whole:.1%} ({low:.1%} to {high:.1%})"


def counts(frames: list[Judged]) -> dict[str, tuple[int, int]]:
    """(right, all) of each target, plain frames only; ``named`` among those rejected."""
    sure = [f for f in frames if f.sure]
    clean = [f for f in sure if f.meant == "keep"]
    faulty = [f for f in sure if f.meant == "reject"]
    caught = [f for f in faulty if f.right]
    return {
        "kept": (sum(f.right for f in clean), len(clean)),
        "rejected": (len(caught), len(faulty)),
        "named": (sum(f.named for f in caught), len(caught)),
    }


def target_rows(kinds: dict[str, list[Judged]]) -> list[list[str]]:
    """Shares against the targets, images alone and with the record."""
    rows = []
    for text, name, target in TARGETS:
        for kind, frames in kinds.items():
            part, whole = counts(frames)[name]
            wanted = NAMED[kind] if target is None else target
            met = "none" if not whole else "yes" if part >= wanted * whole else "**no**"
            rows.append([text, kind, f"{wanted:.0%}", share(part, whole), met])
    return rows


def confusion(frames: list[Judged]) -> tuple[list[str], list[list[str]]]:
    """Truth by verdict, plain frames only: titles, and a row for each true cause."""
    cells = Counter((_truth(f), _given(f)) for f in frames if f.sure)
    truths = sorted({t for t, _ in cells}, key=lambda t: (t != "clean", t))
    given = sorted({g for _, g in cells}, key=lambda g: (g != KEPT, g))
    rows = []
    for truth in truths:
        numbers = [cells[truth, g] for g in given]
        right = cells[truth, KEPT if truth == "clean" else truth]
        rows.append([truth, *(str(n) if n else "" for n in numbers), f"{right / sum(numbers):.0%}"])
    return ["truth \\ given", *given, "right"], rows


def _truth(frame: Judged) -> str:
    return "clean" if frame.meant == "keep" else frame.cause


def _given(frame: Judged) -> str:
    return KEPT if frame.verdict == "keep" else frame.reasons[0]


def reliability(frames: list[Judged]) -> list[list[str]]:
    """How often verdicts of a confidence are right: bin, frames, mean stated, share right."""
    stated = np.array([f.confidence for f in frames])
    right = np.array([f.right for f in frames])
    place = np.clip(np.searchsorted(EDGES, stated, side="right") - 1, 0, len(EDGES) - 2)
    rows = []
    for k in range(len(EDGES) - 1):
        inside = place == k
        if inside.any():
            text = f"{EDGES[k]:.2f} to {EDGES[k + 1]:.2f}"
            mean = f"{stated[inside].mean():.1%}"
            rows.append(
                [text, str(inside.sum()), mean, share(int(right[inside].sum()), int(inside.sum()))]
            )
    return rows


def brier(frames: list[Judged]) -> float:
    """Mean square of confidence less outcome (Brier 1950, Mon. Weather Rev. 78, 1)."""
    return float(np.mean([(f.confidence - f.right) ** 2 for f in frames]))


def remarked(frames: list[Judged]) -> tuple[int, int]:
    """Good frames that a satellite crosses, and how many carry the remark."""
    crossed = [f for f in frames if f.meant == "keep" and f.cause == "satellite_trail"]
    return sum("satellite_trail" in f.reasons for f in crossed), len(crossed)


def wrong(frames: list[Judged]) -> list[str]:
    """Plain frames with a wrong verdict, one line each."""
    return [
        f"{f.seed} {f.frame}: {_truth(f)}, given {_given(f)} ({f.confidence:.2f})"
        for f in frames
        if f.sure and not f.right
    ]


def _arguable(frames: list[Judged]) -> str:
    """How many of the wrong verdicts are on frames that the truth table marks as arguable."""
    missed = sum(not f.right for f in frames)
    return f"Of the {missed} wrong verdicts {missed - len(wrong(frames))} are on arguable frames."


def table(titles: list[str], rows: list[list[str]]) -> str:
    """A table as the pages have them."""
    lines = [titles, ["---"] * len(titles), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def report(nights: list[Night], command: str) -> str:
    """The page: how it was made, shares against targets, confusion, reliability."""
    kinds = {
        "without": [f for n in nights for f in n.without],
        "with": [f for n in nights for f in n.joined],
    }
    frames = kinds["without"]
    seeds = [n.seed for n in nights]
    used = sum(n.record_used for n in nights)
    part, whole = remarked(frames)
    sections = [
        "# How often verdicts, reasons and confidences are right",
        f"Made by `{command}`: {len(nights)} random practice nights, seeds {min(seeds)} to "
        f"{max(seeds)}, {len(frames)} frames, of which {sum(f.sure for f in frames)} are plain "
        "(the truth table marks the rest as arguable, [practice.md](practice.md)). Every night is "
        "measured once and judged twice: from the images alone (*without*), and *with* its "
        f"guiding record, whose clock the program works out itself; it did so on {used} of "
        f"{len(nights)} nights, and the others are judged without.",
        "Intervals are Wilson's at 95 %. They treat frames as independent; frames of one night "
        "share its sky and its faults, so the true ones are somewhat wider. Rendered nights are "
        "not real ones: these numbers show how the rules do on known physics.",
        "## Against the targets\n\nPlain frames. *Strongest reason right* is the share "
        "of rejected, plainly faulty frames whose first reason is the true one.",
        table(["", "record", "target", "found", "met"], target_rows(kinds)),
        _of_settled(nights),
        f"Good frames that a satellite crosses and that carry the remark: {share(part, whole)}.",
    ]
    for kind, judged in kinds.items():
        sections += [f"## Truth by verdict, {kind} the record", table(*confusion(judged))]
    sections += [
        "## What a confidence is worth\n\nAll frames, arguable ones too: of the verdicts given "
        "with such a confidence, how many are right. Without the record; with it "
        f"{_changed(nights)} of these verdicts and confidences differ. {_arguable(frames)}",
        table(["confidence", "frames", "mean confidence", "right"], reliability(frames)),
        f"Brier score {brier(frames):.3f} (0 is perfect, 0.25 is a constant one half).",
    ]
    problems = [f"seed {n.seed}: {n.problem}" for n in nights if n.problem]
    if problems:
        sections += ["## Nights that could not be graded", "\n".join(f"- {p}" for p in problems)]
    lines = wrong(frames)
    if lines:
        sections += ["## Plain frames judged wrongly", "\n".join(f"- {line}" for line in lines)]
    return "\n\n".join(sections) + "\n"


def _of_settled(nights: list[Night]) -> str:
    """The strongest reason on the nights whose record was used."""
    part, whole = counts([f for n in nights if n.record_used for f in n.joined])["named"]
    return (
        f"On the nights whose record was used, the strongest reason is right {share(part, whole)}."
    )


def _changed(nights: list[Night]) -> int:
    """Frames whose verdict or confidence the record changed."""
    pairs = [pair for n in nights for pair in zip(n.without, n.joined, strict=bool(n.joined))]
    return sum((a.verdict, a.confidence) != (b.verdict, b.confidence) for a, b in pairs)


def judge_nights(seeds: range, workers: int, **how):
    """Every night in turn, several at once where there are workers."""
    if workers <= 1:
        yield from map(partial(judged_night, **how), seeds)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(partial(judged_night, **how), seeds)


def by_cause(nights: list[Night]) -> tuple[list[str], list[list[str]]]:
    """Plain faulty frames by their leading cause: nights, and how they were judged."""
    titles = [
        "true cause",
        "nights",
        "frames",
        "rejected",
        "named",
        "with record",
        "rejected",
        "named",
    ]
    without = [f for n in nights for f in n.without]
    joined = [f for n in nights for f in n.joined]
    causes = sorted({_truth(f) for f in without if f.sure}, key=lambda t: (t == "clean", t))
    rows = []
    for cause in causes:
        row = [cause]
        for frames in (without, joined):
            own = [f for f in frames if f.sure and _truth(f) == cause]
            if frames is without:
                row.append(str(len({f.seed for f in own})))
            caught = [f for f in own if f.verdict == "reject"]
            named = sum(f.named for f in caught) if cause != "clean" else 0
            row += [str(len(own)), str(len(caught)), f"{named / max(len(caught), 1):.0%}"]
        rows.append(row)
    return titles, rows


def main() -> None:
    """Print one line a night, then the page; write it where asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=12)
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--first-seed", type=int, default=9000)
    parser.add_argument("--workers", type=int, default=1, help="nights measured at once")
    parser.add_argument("--wide", action="store_true", help="nights from the wide range")
    parser.add_argument("--nights-in", type=Path, help="keep nights here, and use what is there")
    parser.add_argument("--report", type=Path, help="write the page to this file")
    options = parser.parse_args()
    command = "python tests/benchmarks/verdicts.py " + " ".join(
        f"--{name} {getattr(options, name.replace('-', '_'))}"
        for name in ("nights", "frames", "first-seed")
    )
    command += " --wide" if options.wide else ""
    nights = []
    seeds = range(options.first_seed, options.first_seed + options.nights)
    how = {"frames": options.frames, "wide": options.wide, "nights_in": options.nights_in}
    for night in judge_nights(seeds, options.workers, **how):
        nights.append(night)
        differ = sum(not f.right for f in night.without if f.sure)
        used = "record used" if night.record_used else "record not used"
        note = night.problem or f"{len(night.without)} frames, {differ} plain ones wrong, {used}"
        print(f"seed {night.seed}: {note}", file=sys.stderr, flush=True)
    text = report(nights, command)
    if options.wide:
        text += "\n## By true cause\n\n" + table(*by_cause(nights)) + "\n"
    print(text)
    if options.report:
        options.report.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
