"""Read a guiding record of any columnar layout by what is in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from subgrade.guiding.guide_map import GuideMap, load_guide_map
from subgrade.guiding.layout import SAMPLE
from subgrade.guiding.model import GuideRecord
from subgrade.guiding.reader import Reader
from subgrade.guiding.text import line_pieces


def read_guide(
    path, *, scale_arcsec_px: float | None = None, guide_map: GuideMap | str | Path | None = None
) -> GuideRecord:
    """Read a guiding record.

    Parameters
    ----------
    path : path-like
        Any text in columns: delimited, in fixed places, or one JSON object a line.
    scale_arcsec_px : float, optional
        Size of a guide-camera pixel, arcsec, over what the file states.
    guide_map : GuideMap or path-like, optional
        What the user fixed of columns, units, clock and sections; see docs/guide-map.md.

    Returns
    -------
    GuideRecord
        Errors in arcsec; what was understood is in ``columns`` and ``notes``.

    Raises
    ------
    UnreadableFile
        Not text, empty, no header row that is understood, no rows, or errors in pixels of
        unknown size.
    UsageError
        A guide map that does not fit.
    """
    if guide_map is not None and not isinstance(guide_map, GuideMap):
        guide_map = load_guide_map(guide_map)
    if scale_arcsec_px is None and guide_map is not None and guide_map.scale == guide_map.scale:
        scale_arcsec_px = guide_map.scale
    reader = Reader(Path(path), scale_arcsec_px, guide_map)
    for lines, ahead, whole in _with_view_ahead(line_pieces(path)):
        reader.feed(lines, ahead, whole)
    return reader.finish()


def _with_view_ahead(pieces) -> Iterator[tuple[list[str], list[str], bool]]:
    """Lists of lines, each with the lines that follow it as far as a header is judged by them."""
    held: list[str] | None = None
    whole = True
    for lines, ends in pieces:
        if held is None:
            held = lines
        elif len(lines) < SAMPLE and len(held) < 200000:
            held = held + lines  # a last piece too short to judge by
        else:
            yield held, lines[: 2 * SAMPLE], True
            held = lines
        whole = ends
    if held:
        yield held, [], whole
