"""Columns at fixed places: found by the rows, titled by what stands over them."""

from __future__ import annotations

import itertools
import re
from collections import Counter

from subgrade.guiding.clocktext import read_cell

_HALF = re.compile(r"[AaPp]\.?[Mm]\.?")
WIDEST = 2000
"""Longer lines are in no fixed places."""


def date_beside_clock(pieces) -> tuple[int, int] | None:
    """Where a date and a time of day (and AM or PM) stand as neighbours."""
    for k in range(len(pieces) - 1):
        date, clock = read_cell(pieces[k]), read_cell(pieces[k + 1])
        half = k + 2 < len(pieces) and _HALF.fullmatch(pieces[k + 2]) is not None
        if date and clock and date.date and date.seconds != date.seconds and not clock.date:
            return k, 2 + half
        if half and clock is not None and not clock.date:
            return k + 1, 2
        month = " ".join(pieces[k : k + 3])
        day = (
            read_cell(month)
            if not pieces[k + 1].replace(",", "").isdigit() or not pieces[k].isdigit()
            else None
        )
        if day and day.date and day.seconds != day.seconds and len(pieces) > k + 3:
            clock = read_cell(pieces[k + 3])
            if clock is not None and not clock.date:
                half = len(pieces) > k + 4 and _HALF.fullmatch(pieces[k + 4]) is not None
                return k, 4 + half
    return None


def spans_of(texts) -> list[tuple[int, int]]:
    """Runs of places that are not blank in every line."""
    width = max(map(len, texts), default=0)
    if width > WIDEST:
        return []
    used = [False] * width
    for text in texts:
        for match in re.finditer(r"\S+", text):
            used[match.start() : match.end()] = [True] * (match.end() - match.start())
    text = "".join("x" if u else " " for u in used)
    return [m.span() for m in re.finditer("x+", text)]


def edges_of(spans, data) -> list[int | None]:
    return [0, *(_edge(a, b, data) for a, b in itertools.pairwise(spans)), None]


def _edge(left, right, data) -> int:
    """Where to cut between two columns, so that longer cells in later rows stay whole."""

    def lined_up_right(column) -> bool:
        cells = [x[column[0] : column[1]] for x in data if x[column[0] : column[1]].strip()]
        usual = Counter(len(c.rstrip()) for c in cells).most_common(1)
        return bool(usual) and usual[0][1] > 0.9 * len(cells)  # a row cut short may be among them

    if lined_up_right(left):
        return left[1]
    return (left[1] + right[0] + 1) // 2 if lined_up_right(right) else right[0]


def whole_moments(spans, data) -> list[tuple[int, int]]:
    """Spans with a date and the time of day beside it made one."""
    full = max(data, key=lambda x: len(x.split()))
    joined = date_beside_clock([full[a:b].strip() or "-" for a, b in spans])
    if joined is None:
        return spans
    first, length = joined
    one = (spans[first][0], spans[first + length - 1][1])
    return [*spans[:first], one, *spans[first + length :]]


def titled(head: str, spans, edges) -> list[tuple[tuple[int, int], str]]:
    """Spans with their titles: each word of the header goes to the cell it stands over.

    A phrase over no column is a column that is empty in every row seen.
    """
    words: dict[tuple[int, int], list[str]] = {span: [] for span in spans}
    cells = list(itertools.pairwise([*edges[:-1], len(head) + spans[-1][1]]))
    for phrase in re.finditer(r"\S+(?: \S+)*", head):
        if all(phrase.end() <= a or phrase.start() >= b for a, b in spans):
            words[phrase.span()] = [phrase[0]]
            continue
        for word in re.finditer(r"\S+", phrase[0]):
            a, b = phrase.start() + word.start(), phrase.start() + word.end()
            shared = [min(b, end) - max(a, start) for start, end in cells]
            words[spans[shared.index(max(shared))]].append(word[0])
    return [(span, " ".join(words[span])) for span in sorted(words)]
