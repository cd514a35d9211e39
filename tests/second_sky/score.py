"""Grade the second sky's nights without and with their records, and score verdicts and words.

``python -m tests.second_sky.score NIGHTS [--workers 1]`` prints what share of the plainly clean
frames is kept and of the plainly faulty ones rejected, how often the first reason word names a
leading cause, by cause and as a confusion table, which records were refused and why, and how often
words are right by the confidence that was stated.
"""

from __future__ import annotations

import argparse
import csv
import os
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Row:
    """A frame's truth beside what was said of it."""

    night: str
    frame: str
    true: str
    accepted: tuple[str, ...]
    sure: bool
    verdict: str
    word: str
    believed: float | None


@dataclass(frozen=True, slots=True)
class Graded:
    """One grading of one night."""

    rows: list[Row]
    joined: bool
    messages: list[str]


def grade(night: Path, out: Path, guide: Path | None, workers: int) -> Graded:
    """Run ``subgrade grade`` on a night and read its table beside the truth.

    Measurements that an earlier run left in ``out`` are used again.
    """
    table = out / "summary.csv"
    table.unlink(missing_ok=True)
    command = [sys.executable, "-c", "from subgrade.cli import main; main()", "grade"]
    command += [str(night), "--out", str(out), "--workers", str(workers), "--no-report"]
    command += ["--guide", str(guide)] if guide else []
    env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, capture_output=True, text=True, env=env, check=False)
    if not table.exists():
        return Graded([], False, [f"not graded: {done.stderr.strip()[-300:]}"])
    said = read_table(table)
    # `guide_samples` stays empty where no record was joined.
    joined = any(row["guide_samples"] for row in said.values())
    truths = read_table(night / "truth.csv")
    rows = [row_of(night.name, truths[f], said[f]) for f in sorted(truths) if f in said]
    lines = [line.strip() for line in (done.stderr + done.stdout).splitlines()]
    about = [x for x in lines if guide and (guide.name in x or "uid" in x)]
    return Graded(rows, joined, about)


def read_table(path: Path) -> dict[str, dict[str, str]]:
    """Rows of a CSV by the bare name of their frame."""
    with path.open(encoding="utf-8", newline="") as stream:
        return {Path(row["frame"]).name: row for row in csv.DictReader(stream)}


def row_of(night: str, truth: dict[str, str], said: dict[str, str]) -> Row:
    """One frame's truth and verdict."""
    believed = said.get("cause_confidence", "")
    return Row(
        night,
        truth["frame"],
        truth["verdict"],
        tuple(w for w in truth["reason"].split(";") if w),
        truth["sure"] == "yes",
        said["verdict"],
        said["reasons"].split(";")[0],
        float(believed) if believed else None,
    )


def faulty(rows: list[Row]) -> list[Row]:
    """Frames that are plainly to be rejected."""
    return [r for r in rows if r.sure and r.true == "reject"]


def named(rows: list[Row]) -> list[Row]:
    """Those of them that were rejected, so that their first word counts."""
    return [r for r in faulty(rows) if r.verdict == "reject"]


def share(part: int, whole: int) -> str:
    """A percentage with its counts."""
    return f"{100.0 * part / whole:5.1f} % ({part}/{whole})" if whole else "    - (0)"


def right(rows: list[Row]) -> int:
    """How many first words name a leading cause."""
    return sum(r.word in r.accepted for r in rows)


def table(title: str, rows: list[Row]) -> list[str]:
    """Scores, by cause, and the confusion table of one way of grading."""
    clean = [r for r in rows if r.sure and r.true == "keep"]
    bad, words = faulty(rows), named(rows)
    nights = defaultdict(list)
    for row in words:
        nights[row.night].append(row.word in row.accepted)
    mean = sum(sum(v) / len(v) for v in nights.values()) / max(len(nights), 1)
    lines = [
        f"== {title}",
        f"clean kept      {share(sum(r.verdict == 'keep' for r in clean), len(clean))}",
        f"faulty rejected {share(len(words), len(bad))}",
        f"first word right {share(right(words), len(words))}; mean over nights {100 * mean:.1f} %",
        f"{'true cause (strongest)':<24}{'frames':>7}{'rejected':>10}{'right':>7}  first words",
    ]
    for cause in sorted({r.accepted[0] for r in bad}):
        mine = [r for r in bad if r.accepted[0] == cause]
        told = named(mine)
        given = Counter(r.word for r in told).most_common()
        lines.append(
            f"{cause:<24}{len(mine):>7}{len(told):>10}{right(told):>7}  "
            + ", ".join(f"{word} {count}" for word, count in given)
        )
    lost = Counter(r.word or "(none)" for r in clean if r.verdict == "reject")
    if lost:
        lines.append("clean but rejected: " + ", ".join(f"{w} {c}" for w, c in lost.most_common()))
    return [*lines, *calibration(words)]


def calibration(rows: list[Row]) -> list[str]:
    """How often the first word was right, by tenths of the confidence stated for it."""
    bins = defaultdict(list)
    for row in rows:
        if row.believed is not None:
            bins[min(int(10 * row.believed), 9)].append(row)
    lines = ["cause_confidence: stated, right, frames"]
    for tenth in sorted(bins):
        mine = bins[tenth]
        stated = sum(r.believed for r in mine) / len(mine)
        lines.append(
            f"  {tenth / 10:.1f}-{(tenth + 1) / 10:.1f}  {100 * stated:5.1f} %  "
            f"{100 * right(mine) / len(mine):5.1f} %  {len(mine):4d}"
        )
    return lines


def misses(rows: list[Row]) -> list[str]:
    """Every plain frame that was judged or named wrongly, a line each."""
    lines = []
    for r in rows:
        wrong = r.sure and r.verdict != r.true
        if wrong or (r in named([r]) and r.word not in r.accepted):
            lines.append(
                f"{r.night}/{r.frame} {r.true} {';'.join(r.accepted)} -> {r.verdict} {r.word}"
            )
    return lines


def main() -> None:
    """Print the scores of a folder of nights."""
    parser = argparse.ArgumentParser(prog="python -m tests.second_sky.score", description=__doc__)
    parser.add_argument("nights", type=Path)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder that keeps measurements for next time")
    parser.add_argument("--misses", action="store_true", help="list every wrong frame")
    given = parser.parse_args()
    found = [p.parent for p in given.nights.glob("night_*/truth.csv")]
    alone, beside, both, refused = [], [], [], []
    for night in sorted(found, key=lambda p: int(p.name.rpartition("_")[2])):
        with tempfile.TemporaryDirectory() as name:
            out = given.keep / night.name if given.keep else Path(name)
            first = grade(night, out, None, given.workers)
            alone += first.rows
            if not first.rows:
                print(night.name, *first.messages)
            for guide in sorted(night.glob("guiding.*")):
                told = grade(night, out, guide, given.workers)
                if not told.joined:
                    refused.append((f"{night.name}/{guide.name}", told.messages))
                    continue
                both += told.rows
                beside += first.rows
        print(f"{night.name} graded", file=sys.stderr, flush=True)
    for title, rows in (
        ("images alone, all nights", alone),
        ("images alone, nights whose record was joined", beside),
        ("with the record", both),
    ):
        print("\n".join([*table(title, rows), ""]))
        if given.misses:
            print("\n".join([*misses(rows), ""]))
    print(f"== records not joined: {len(refused)}")
    for name, messages in refused:
        print(name, *messages[:4], sep="\n    ")


if __name__ == "__main__":
    main()
