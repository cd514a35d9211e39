"""Lines of a journal on a disk that fails."""

from __future__ import annotations

import errno
import os

import pytest

from subgrade.results import AppendedLines, appended_lines


def failing(error):
    def fail(*_):
        raise OSError(error, os.strerror(error))

    return fail


def test_half_a_line_that_could_not_be_cut_off_is_before_the_next(tmp_path, monkeypatch):
    path = tmp_path / "journal"
    lines = AppendedLines(path)
    lines.add(b"first")
    whole = os.write
    monkeypatch.setattr(appended_lines.os, "fsync", failing(errno.EIO))
    monkeypatch.setattr(appended_lines.os, "write", lambda handle, data: whole(handle, data[:3]))
    monkeypatch.setattr(appended_lines.os, "ftruncate", failing(errno.EIO))
    with pytest.raises(OSError, match="Input/output"):
        lines.add(b"second")
    assert path.read_bytes() == b"first\nsecond\n"  # not acknowledged, and there
    with pytest.raises(OSError, match="Input/output"):
        lines.add(b"third")
    monkeypatch.undo()
    lines.add(b"fourth")
    assert AppendedLines(path).lines == [b"first", b"fourth"]


def test_nothing_is_added_once_it_is_closed(tmp_path):
    lines = AppendedLines(tmp_path / "journal")
    lines.add(b"first")
    lines.close()
    other = AppendedLines(tmp_path / "journal")
    other.add(b"of another")
    with pytest.raises(OSError, match="closed"):
        lines.add(b"late")
    assert AppendedLines(tmp_path / "journal").lines == [b"first", b"of another"]
