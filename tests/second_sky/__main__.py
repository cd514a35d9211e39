"""``python -m tests.second_sky OUT SEED [SEED ...]``: write OUT/night_SEED for each seed."""

from __future__ import annotations

import argparse
from pathlib import Path

from .night import make_night


def main() -> None:
    """Render the nights that the command line asks for; a seed may be a range such as 1-30."""
    parser = argparse.ArgumentParser(prog="python -m tests.second_sky", description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("seeds", nargs="+", help="seeds, or ranges such as 1-30")
    parser.add_argument("--truth", action="store_true", help="write truth.csv alone, anew")
    given = parser.parse_args()
    for text in given.seeds:
        first, _, last = text.partition("-")
        for seed in range(int(first), int(last or first) + 1):
            print(make_night(seed, given.out, given.truth), flush=True)


if __name__ == "__main__":
    main()
