"""Write the tables of columns, keywords, evidence and reason words into the pages anew.

    python docs/make_tables.py

Each stands between ``<!-- made: NAME -->`` and ``<!-- end -->``; what is around them is written
by hand.  The page of a new reason word is begun from `NEW_PAGE`.  `tests/test_docs.py` fails where
a page does not hold what this would write.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
import textwrap
from collections.abc import Callable, Iterable
from pathlib import Path

from subgrade.judging.features import FEATURES, ON_SKY, PERCENT, Feature
from subgrade.judging.reasons import REASONS, Reason
from subgrade.lights.header_facts import SPELLINGS
from subgrade.lights.model import HeaderFacts
from subgrade.results.columns import COLUMNS, UNITS

DOCS = Path(__file__).resolve().parent


def columns() -> str:
    rows = ((f"`{c.name}`", UNITS.get(c.unit, c.unit), c.meaning) for c in COLUMNS)
    return _table(("column", "unit", "meaning"), rows)


def formulas() -> str:
    """A row for neighbours with the same formula."""
    known = [c for c in COLUMNS if c.formula]
    groups = itertools.groupby(known, key=lambda c: (c.formula, c.source))
    rows = ((", ".join(f"`{c.name}`" for c in same), *given) for given, same in groups)
    return _table(("column", "formula", "source"), rows)


def keywords() -> str:
    known = {field.name for field in dataclasses.fields(HeaderFacts)}
    rows = (
        (f"`{fact}`" if fact in known else fact, ", ".join(f"`{key}`" for key in keys))
        for fact, keys in SPELLINGS.items()
    )
    return _table(("fact", "keywords, in the order they are asked"), rows)


def words() -> str:
    rows = (
        (f"`{r.word}`", f"**{r.short}**: {r.long}", r.held_against, r.taken_for)
        for r in REASONS.values()
    )
    head = ("word", "what happened and how it shows", "held against", "easily taken for")
    return _table(head, rows)


def index() -> str:
    rows = (
        (f"[`{r.word}`]({r.word}.md)", r.short, "rejects" if r.rejects else "a remark")
        for r in REASONS.values()
    )
    return _table(("word", "in short", "kind"), rows)


def evidence() -> str:
    rows = ((f.label, _unit(f), f.origin, f.meaning, f"`{f.name}`") for f in FEATURES.values())
    return _table(("number", "unit", "from", "meaning", "`quantity`"), rows)


def title(reason: Reason) -> str:
    return f"# `{reason.word}`: {reason.short}\n\n{textwrap.fill(reason.long, 110)}"


def _unit(feature: Feature) -> str:
    if feature.shown in (PERCENT, ON_SKY):
        return "%" if feature.shown == PERCENT else "″ or px"
    return feature.shown_unit


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [f"| {' | '.join(row)} |" for row in (head, *rows)]
    return "\n".join([lines[0], "|" + "---|" * len(head), *lines[1:]])


MADE: dict[str, dict[str, Callable[[], str]]] = {
    "columns.md": {"columns": columns, "formulas": formulas},
    "reading.md": {"keywords": keywords},
    "verdicts.md": {"words": words, "evidence": evidence},
    "reasons/index.md": {"index": index},
    **{f"reasons/{r.word}.md": {"title": lambda r=r: title(r)} for r in REASONS.values()},
}
"""What is made in each page."""


NEW_PAGE = """<!-- made: title -->
<!-- end -->

## What happened

To be written.

## How it shows

- **In the image.** To be written.
- **Over the night.** To be written.
- **In the guiding record.** To be written.

## Limits used

Keys with default and source in [limits](../limits.md): to be written.

## Distinguishing it from its look-alikes

- To be written.

## Example

![A typical frame and an affected one](../pictures/reasons/WORD.png)

Left: a typical frame of a rendered practice night. Right: the affected one. Below: their stars,
enlarged. `grade` wrote:

<!-- example -->
<!-- end -->

## Remedies

Common practice, no source.

- To be written.

## Cautions

To be written.

## Sources

- Signs: common practice, no source.

All words: [index](index.md).
"""
"""What a reason word's page begins as."""


def renewed(name: str, text: str) -> str:
    """A page's text with what is made in it anew.

    Raises
    ------
    ValueError
        If the page's marks are not those of `MADE`.
    """
    parts = re.compile(r"<!-- made: (\w+) -->\n.*?<!-- end -->", re.DOTALL)
    if parts.findall(text) != list(MADE[name]):
        raise ValueError(f"{name}: marks of {list(MADE[name])} wanted, {parts.findall(text)} found")
    return parts.sub(lambda m: f"<!-- made: {m[1]} -->\n{MADE[name][m[1]]()}\n<!-- end -->", text)


def main() -> None:
    for name in MADE:
        page = DOCS / name
        if not page.exists() and page.parent.name == "reasons":
            page.write_text(NEW_PAGE.replace("WORD", page.stem), encoding="utf-8")
            print(f"{page.relative_to(DOCS.parent)} begun: write what it says is to be written")
        before = page.read_text(encoding="utf-8")
        after = renewed(name, before)
        if after != before:
            page.write_text(after, encoding="utf-8")
            print(f"{page.relative_to(DOCS.parent)} written anew")


if __name__ == "__main__":
    main()
