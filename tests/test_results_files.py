"""What a killed run leaves beside the results."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from subgrade.results.files import HERE, Staged, sweep, write_whole

WRITES = """
import os, signal, sys
from pathlib import Path
from subgrade.results.files import Staged
with Staged(Path(sys.argv[1])) as staged:
    staged.add("summary.csv", "half")
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="killed by a signal")
def test_what_a_killed_run_left_is_swept_and_nothing_else(tmp_path):
    write_whole(tmp_path / "summary.csv", "whole")
    code = subprocess.run([sys.executable, "-c", WRITES, str(tmp_path)], check=False).returncode
    assert code == -signal.SIGKILL
    assert len([name for name in os.listdir(tmp_path) if name.startswith(".summary.csv.")]) == 1
    theirs = tmp_path / ".summary.csv.000000-1.abcdefgh"  # another machine's, at work
    strange = tmp_path / f".note.{HERE}-x.abcdefgh"
    theirs.touch()
    strange.touch()
    with Staged(tmp_path) as staged:
        staged.add("weights.csv", "at work")
        sweep(tmp_path)
        staged.install()
    assert {*os.listdir(tmp_path)} == {"summary.csv", "weights.csv", theirs.name, strange.name}


def test_a_folder_that_cannot_be_looked_into_is_left(tmp_path):
    sweep(tmp_path / "nothing")
