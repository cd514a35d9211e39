"""Where the header row stands, and how the rows under it are cut into cells."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from dataclasses import dataclass

from subgrade.record.cells import NOTHING, Cut, is_datum, is_number, json_object, plain_text
from subgrade.record.clock_text import read_cell
from subgrade.record.titles import guesses, may_be_titles
from subgrade.record.unit_words import unit_of

Span = tuple[int, int]
Units = tuple[tuple[str, float] | None, ...]
SAMPLE = 400
"""Rows after a header that are looked at before its columns are named."""
LONGEST_TITLES, WIDEST = 4000, 2000
"""Longer lines hold no titles; longer ones are in no fixed places."""
_COMMENT = re.compile(r"^\s*(?:#+|;+|//+|%+|!+|\*+)\s*")
_LIST = re.compile(r"^\s*(?:columns?|fields?|titles?|header)\s*[:=]\s*", re.IGNORECASE)
_MAYBE = re.compile(r"ra|r\.|dec|α|δ|Δ|east|north|decl|rect|x|y|asc", re.IGNORECASE)
_FORMAT = re.compile(r"[yYmMdDhHsS][yYmMdDhHsS\-/:.T ]+[sSdDyYfF]+\.?f*")
_HALF = re.compile(r"[AaPp]\.?[Mm]\.?")
_WORD = re.compile(r"[^\W\d_]{3,}")


@dataclass(frozen=True, slots=True)
class Header:
    """A header row: its titles, the units under it, how rows are cut, and rows after it."""

    titles: tuple[str, ...]
    units: Units
    cut: Cut
    rows: tuple[tuple[str, ...], ...]
    skip: int = 0
    """Lines between the header row and the rows (units, rules) that are none."""


def may_be_header(line: str) -> bool:
    """Whether a line's words are worth a look at the rows after it."""
    if not _MAYBE.search(line):
        return False
    if _is_json(line):
        return True
    return len(line) <= LONGEST_TITLES and may_be_titles(_bare(line))


def _is_json(line: str) -> bool:
    return line.lstrip().startswith(("{", "[{"))


def _bare(line: str) -> str:
    return _LIST.sub("", _COMMENT.sub("", line))


def find_header(lines: list[str], k: int) -> Header | None:
    """Whether line `k` is a header row, judged by its words and the rows after it."""
    line = lines[k]
    if not may_be_header(line):
        return None
    if _is_json(line):
        return _json_header(lines, k)
    bare = _bare(line)
    best, most = None, 0.0
    for delimiter in ("\t", ";", "|", ",", " "):
        if delimiter != " " and bare.count(delimiter) < 2 - ("ra" not in bare.lower()):
            continue
        found = _by_blanks(lines, k, bare) if delimiter == " " else _by(lines, k, bare, delimiter)
        score = _worth(found) if found is not None else 0.0
        if score > most:
            best, most = found, score
        if best is not None and delimiter == ",":
            break
    return best


def _worth(header: Header) -> float:
    """How many titles are understood, less if no row bears them out; 0 for no header row."""
    roles = set()
    for title, unit in zip(header.titles, header.units, strict=True):
        if is_number(title):
            return 0.0
        roles |= {guess.role for guess in guesses(title, unit)[:1]}
    if "time" not in roles or not roles & {"ra", "dec", "x", "y"}:
        return 0.0
    return len(roles) * (1.0 if header.rows else 0.2)


def _by(lines: list[str], k: int, bare: str, delimiter: str) -> Header | None:
    cut = Cut(delimiter)
    titles = tuple(t.strip().strip('"') for t in cut.cells(bare.strip("\r\n")))
    if len(titles) < 3 - (delimiter != ","):
        return None
    units, skip = _units_row(lines, k, cut, len(titles))
    rows = _rows(lines, k + 1 + skip, cut, len(titles))
    longest = max(map(len, rows), default=0)
    if longest > len(titles) and sum(len(r) > len(titles) for r in rows) > 0.8 * len(rows):
        # A row of delimiters at the line's end only leaves cells without a title.
        titles += ("",) * (longest - len(titles))
        units += (None,) * (longest - len(units))
    return Header(titles, units, cut, tuple(map(tuple, rows)), skip)


def _units_row(lines: list[str], k: int, cut: Cut, n: int) -> tuple[Units, int]:
    """Units in the row under the titles, if that is what the row holds."""
    below = cut.cells(_COMMENT.sub("", lines[k + 1])) if k + 1 < len(lines) else []
    cells = [c.strip().strip("()[]{}").strip() for c in below]
    filled = [c for c in cells if c not in NOTHING]
    words = sum(unit_of(c) is not None or bool(_FORMAT.fullmatch(c)) for c in filled)
    if not filled or len(cells) > n or words < max(1, 0.5 * len(filled)):
        return (None,) * n, 0
    if any(map(is_number, filled)):
        return (None,) * n, 0
    return (*map(unit_of, cells), *[None] * (n - len(cells))), 1


def _rows(lines: list[str], start: int, cut: Cut, n: int) -> list[list[str]]:
    """Rows after a header that look like data, up to the next text that ends them."""
    out: list[list[str]] = []
    cutter = cut.cutter()
    strangers = 0
    for line in lines[start : start + 3 * SAMPLE]:
        if len(out) >= SAMPLE:
            break
        cells = cutter(line)
        if max(2, n - 2) <= len(cells) and sum(map(is_datum, cells[: n + 1])) >= 2:
            out.append(cells + [""] * (n - len(cells)))
        elif line.strip():
            strangers += 1
            if strangers > 30 + len(out):
                break
    return out


def _json_header(lines: list[str], k: int) -> Header | None:
    found = [o for o in (json_object(x) for x in lines[k : k + SAMPLE]) if o]
    keys: dict[str, None] = {}
    for item in found:
        keys |= dict.fromkeys(item)
    first = json_object(lines[k])
    if first is None or not keys:
        return None
    cut = Cut("json", keys=tuple(keys))
    rows = [[plain_text(item.get(key)) for key in keys] for item in found]
    return Header(tuple(keys), (None,) * len(keys), cut, tuple(map(tuple, rows)), -1)


def _by_blanks(lines: list[str], k: int, bare: str) -> Header | None:
    """Columns apart by blanks: as many pieces as titles, or else by their places."""
    wide = [t for t in re.split(r"\s{2,}|\t", bare.strip()) if t]
    narrow = bare.split()
    if len(narrow) < 3 or ("," in bare and len(bare.split(",")) > 2):
        return None
    data = _rows_of_blanks(lines, k)
    if not data:
        return Header(tuple(narrow), (None,) * len(narrow), Cut(" ", most=-1), ())
    counts = sorted(len(x.split()) for x in data)
    count = counts[len(counts) // 2]
    model = next(p for p in map(str.split, data) if len(p) == count)
    joined = date_beside_clock(model)
    n = count - (joined[1] - 1 if joined else 0)
    if counts[0] < count:  # cells are empty in some rows: only their places show which
        placed = _by_places(lines, k, data)
        if placed is not None and len(placed.titles) in (n, count):
            return placed
    for titles, join in itertools.product((narrow, wide), (None, joined)):
        n = count - (join[1] - 1 if join else 0)
        if len(titles) == n:
            cut = Cut(" ", joined=join, most=count - 1 if _wordy(data) else -1)
            units, skip = _units_row(lines, k, cut, n)
            rows = _rows(lines, k + 1 + skip, cut, n)
            return Header(tuple(titles), units, cut, tuple(map(tuple, rows)), skip)
    return _by_places(lines, k, data)


def _rows_of_blanks(lines: list[str], k: int) -> list[str]:
    """Lines after a header that hold numbers and no more words than is usual among them."""
    data = [x for x in lines[k + 1 : k + 1 + SAMPLE] if sum(map(is_datum, x.split())) >= 2]
    words = sorted(len(_WORD.findall(x)) for x in data)
    return [x for x in data if len(_WORD.findall(x)) <= words[len(words) // 2]]


def _wordy(rows: list[str]) -> bool:
    return any(x.split()[-1].isalpha() for x in rows)


def _by_places(lines: list[str], k: int, data: list[str]) -> Header | None:
    head = lines[k]
    comment = _COMMENT.match(head)
    if comment:
        head = " " * comment.end() + head[comment.end() :]
    if not data or len(head) > WIDEST:
        return None
    spans = whole_moments(spans_of(data), data)
    if len(spans) < 3:
        return None
    found = titled(head, spans, edges_of(spans, data))
    spans, titles = [f[0] for f in found], tuple(f[1] for f in found)
    cut = Cut("fixed", spans=tuple(itertools.pairwise(edges_of(spans, data))))
    units, skip = _units_row(lines, k, cut, len(titles))
    return Header(titles, units, cut, tuple(tuple(cut.cells(x)) for x in data), skip)


# ---------------------------------------------------------------- columns at fixed places


def date_beside_clock(pieces: list[str]) -> tuple[int, int] | None:
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


def spans_of(texts: list[str]) -> list[Span]:
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


def edges_of(spans: list[Span], data: list[str]) -> list[int | None]:
    return [0, *(_edge(a, b, data) for a, b in itertools.pairwise(spans)), None]


def _edge(left: Span, right: Span, data: list[str]) -> int:
    """Where to cut between two columns, so that longer cells in later rows stay whole."""

    def lined_up_right(column: Span) -> bool:
        cells = [x[column[0] : column[1]] for x in data if x[column[0] : column[1]].strip()]
        usual = Counter(len(c.rstrip()) for c in cells).most_common(1)
        return bool(usual) and usual[0][1] > 0.9 * len(cells)  # a row cut short may be among them

    if lined_up_right(left):
        return left[1]
    return (left[1] + right[0] + 1) // 2 if lined_up_right(right) else right[0]


def whole_moments(spans: list[Span], data: list[str]) -> list[Span]:
    """Spans with a date and the time of day beside it made one."""
    full = max(data, key=lambda x: len(x.split()))
    joined = date_beside_clock([full[a:b].strip() or "-" for a, b in spans])
    if joined is None:
        return spans
    first, length = joined
    one = (spans[first][0], spans[first + length - 1][1])
    return [*spans[:first], one, *spans[first + length :]]


def titled(head: str, spans: list[Span], edges: list[int | None]) -> list[tuple[Span, str]]:
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
