"""Grade random practice nights and count right and wrong verdicts and reasons.

Run from the repository: ``python tests/benchmarks/verdicts.py``; half a minute a night.
With ``--guide`` every night is graded a second time with its guiding record, whose clock
is left for the program to find.
"""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from subgrade.errors import NothingToGrade
from subgrade.pipeline import Settings, grade
from subgrade.practice import random_scenario, simulate_night
from subgrade.results.guiding import usable


def rows(path: Path) -> dict[str, dict[str, str]]:
    """A table's rows by frame."""
    with path.open(encoding="utf-8", newline="") as stream:
        return {row["frame"]: row for row in csv.DictReader(stream)}


Pairs = list[tuple[dict, dict]]
"""(truth, verdict) of each frame."""


def graded_night(seed: int, frames: int, guide: bool) -> tuple[Pairs, Pairs, bool]:
    """One random night without its record and with it, and whether the record was used."""
    with tempfile.TemporaryDirectory() as name:
        night, out = Path(name) / "night", Path(name) / "out"
        simulate_night(night, random_scenario(seed, frames))
        truths = rows(night / "truth.csv")
        records = [(), (str(night / "guiding.csv"),)] if guide else [()]
        found, used = [], False
        for record in records:
            try:
                graded = grade(Settings((str(night),), str(out), workers=1, guide=record))
            except NothingToGrade as error:
                print(f"seed {seed}: {error}")
                return [], [], False
            used = usable(graded.guiding)
            found.append([(truths[f], row) for f, row in rows(out / "summary.csv").items()])
    return found[0], found[-1], used


def first(words: str) -> str:
    """The strongest reason."""
    return words.split(";")[0]


def report(pairs: list[tuple[dict, dict]]) -> str:
    """Counts of verdicts, and of reasons where both say reject."""
    lines = []
    for name, chosen in (
        ("all frames", pairs),
        ("clear cases", [p for p in pairs if p[0]["sure"] == "yes"]),
    ):
        counts = Counter((truth["verdict"], got["verdict"]) for truth, got in chosen)
        right = sum(n for (meant, got), n in counts.items() if meant == got)
        lines.append(
            f"{name}: {len(chosen)}, verdict right {right} ({right / max(len(chosen), 1):.1%}); "
            f"good frames rejected {counts['keep', 'reject']} of "
            f"{sum(n for (meant, _), n in counts.items() if meant == 'keep')}, bad frames kept "
            f"{counts['reject', 'keep']} of "
            f"{sum(n for (meant, _), n in counts.items() if meant == 'reject')}"
        )
    both = [p for p in pairs if p[0]["verdict"] == p[1]["verdict"] == "reject"]
    named = Counter((first(t["reason"]), first(g["reasons"])) for t, g in both)
    right = sum(n for (meant, got), n in named.items() if meant == got)
    lines.append(f"of {len(both)} bad frames rejected, {right} are given their cause")
    for word in sorted({meant for meant, _ in named}):
        given = {got: n for (meant, got), n in named.items() if meant == word}
        told = ", ".join(f"{g} {n}" for g, n in sorted(given.items(), key=lambda p: -p[1]))
        lines.append(f"  {word:<15} {sum(given.values()):3d}: {told}")
    missed = Counter(
        first(t["reason"]) for t, g in pairs if (t["verdict"], g["verdict"]) == ("reject", "keep")
    )
    lines.append(f"kept although bad: {dict(missed.most_common())}")
    wrongly = Counter(
        first(g["reasons"]) for t, g in pairs if (t["verdict"], g["verdict"]) == ("keep", "reject")
    )
    lines.append(f"rejected although good, as: {dict(wrongly.most_common())}")
    return "\n".join(lines)


def main() -> None:
    """Print one line a night and the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=12)
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--first-seed", type=int, default=9000)
    parser.add_argument("--guide", action="store_true", help="also grade with the record")
    options = parser.parse_args()
    without, joined, records = [], [], 0
    for seed in range(options.first_seed, options.first_seed + options.nights):
        alone, guided, used = graded_night(seed, options.frames, options.guide)
        wrong = sum(truth["verdict"] != got["verdict"] for truth, got in alone)
        note = "" if not options.guide else ", record used" if used else ", record not used"
        print(f"seed {seed}: {len(alone)} frames, {wrong} verdicts differ{note}", flush=True)
        without, joined, records = without + alone, joined + guided, records + used
    print(report(without))
    if options.guide:
        print(
            f"\nwith the guiding record, its clock settled on {records} of {options.nights} nights"
        )
        print(report(joined))


if __name__ == "__main__":
    main()
