"""Whether a graded demo night has the verdicts it was made with: RESULTS TRUTH.csv."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import subgrade


def column(path: str | Path, name: str) -> dict[str, str]:
    """One column of a table by frame."""
    with open(path, encoding="utf-8", newline="") as stream:
        return {row["frame"]: row[name] for row in csv.DictReader(stream)}


def main(results: str, truth: str) -> None:
    """Fail where a verdict differs, a file is missing, or another copy of the package ran."""
    assert "site-packages" in subgrade.__file__, subgrade.__file__
    graded, intended = column(Path(results, "summary.csv"), "verdict"), column(truth, "verdict")
    wrong = {name: verdict for name, verdict in intended.items() if graded.get(name) != verdict}
    assert intended
    assert not wrong, wrong
    for name in ("summary.ecsv", "keeps.txt", "rejects.txt", "weights.csv", "report.html"):
        assert Path(results, name).stat().st_size > 0, name
    print(f"{len(intended)} verdicts as the night was made, by {subgrade.__version__}")


if __name__ == "__main__":
    main(*sys.argv[1:])
