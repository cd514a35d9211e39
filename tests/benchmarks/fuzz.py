"""Damaged and odd files by the thousand: no crash, no hang, no flood, no wrong number.

Run from the repository: ``python tests/benchmarks/fuzz.py``; ``--cases 500`` for a smaller run,
``--case 1234`` gives one case again in this process, with its traceback, and ``--keep FILE``
beside it writes the file that was given.  Every case is a small sound file (FITS of every
compression, TIFF, gzip, guiding records, marks, limits, guide maps, kept measurements) with one
to three things done to it, and goes to the program in a watched process.  Findings:

crash    an exception that is not one of the program's own, or a process that died
hang     over 20 s
memory   over 1.5 GB more than at the start
wrong    a number that the file does not hold: other than without a harmless change, or measured
         on pixels that another reader does not find in the file

Exit code 1 if there is any.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

FINDINGS = ("crash", "hang", "memory", "wrong")
SEED = 12
SHOWN = 8


def warm() -> None:
    """Compile, import and measure once, so that children start with everything at hand."""
    from tests.fuzzing import cases, sources

    for source in sources.sources():
        if source.name in ("uint16", "float32", "rice", "tiff", "record comma"):
            cases.outcome_of(cases.sound(source))


def run(seed: int, numbers, children: int, report=None) -> dict[int, tuple]:
    """(case, outcome, seconds) by number.

    Parameters
    ----------
    seed : int
    numbers : sequence of int
    children : int
    report : callable, optional
        Called with how many are done.
    """
    from tests.fuzzing import cases
    from tests.fuzzing.pool import outcomes

    warm()
    found = {}

    def give(number: int):
        return cases.outcome_of(cases.case(seed, number))

    for number, outcome, took in outcomes(numbers, give, children):
        found[number] = (cases.case(seed, number), outcome, took)
        if report:
            report(len(found))
    return found


def print_table(found: dict[int, tuple]) -> int:
    """Counts by kind of file, findings with their numbers; how many findings."""
    kinds = ("clean", "refused", *FINDINGS)
    table: dict[str, Counter] = defaultdict(Counter)
    grouped: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for number, (case, outcome, _) in sorted(found.items()):
        table[case.source.name][outcome.kind] += 1
        if outcome.kind in FINDINGS:
            grouped[(outcome.kind, case.source.family, outcome.detail[:150])].append(number)
    print(f"{'file':<24}" + "".join(f"{kind:>9}" for kind in kinds))
    for name, counts in table.items():
        print(f"{name:<24}" + "".join(f"{counts[kind]:>9}" for kind in kinds))
    total = sum(table.values(), Counter())
    print(f"{'all':<24}" + "".join(f"{total[kind]:>9}" for kind in kinds))
    slow = max(found, key=lambda n: found[n][2])
    print(f"slowest: case {slow}, {found[slow][2]:.1f} s")
    vague = sum("not understood (" in outcome.detail for _, outcome, _ in found.values())
    print(f"refused with a library's words only: {vague}")
    for (kind, family, detail), numbers in sorted(grouped.items(), key=lambda g: -len(g[1])):
        some = ", ".join(map(str, numbers[:SHOWN])) + (" ..." if len(numbers) > SHOWN else "")
        print(f"{kind} {family} {len(numbers)} times: {detail!r}\n    --case {some}")
    return sum(total[kind] for kind in FINDINGS)


def again(seed: int, number: int, keep: Path | None) -> int:
    """One case in this process, its traceback on screen."""
    from tests.fuzzing import cases

    one = cases.case(seed, number)
    print(f"case {number}: {one.source.name}, {', '.join(one.mutations)}, {len(one.content)} bytes")
    if keep is not None:
        keep.write_bytes(one.content)
    outcome = cases.outcome_of(one)
    print(f"{outcome.kind}: {outcome.detail}")
    return int(outcome.kind in FINDINGS)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=20_000, help="how many (20,000)")
    parser.add_argument("--first", type=int, default=0, help="number of the first (0)")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--children", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--case", type=int, help="give one case again")
    parser.add_argument("--keep", type=Path, help="with --case: write its file there")
    asked = parser.parse_args()
    if asked.case is not None:
        return again(asked.seed, asked.case, asked.keep)
    start = time.monotonic()

    def report(done: int) -> None:
        if done % 500 == 0:
            print(f"{done} cases, {time.monotonic() - start:.0f} s", file=sys.stderr, flush=True)

    numbers = range(asked.first, asked.first + asked.cases)
    findings = print_table(run(asked.seed, numbers, asked.children, report))
    print(f"{asked.cases} cases in {time.monotonic() - start:.0f} s: {findings} findings")
    return int(findings > 0)


if __name__ == "__main__":
    raise SystemExit(main())
