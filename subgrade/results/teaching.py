"""What the person's marks did, for session.json, the terminal and limits_taught.toml."""

from __future__ import annotations

from dataclasses import asdict

from subgrade.causes.limits import load_limits
from subgrade.results.model import Graded

TAUGHT_FILE = "limits_taught.toml"
TAUGHT_MARK = "# Written by subgrade grade --teach."
"""First words of the file, by which it is known as the program's own."""
MOST_NAMED = 8


def teaching_record(graded: Graded) -> dict | None:
    """What was learnt, as plain values; None where nothing was taught."""
    person = graded.person
    if person is None or person.taught is None:
        return None
    taught = person.taught
    return {
        "marks": taught.marks,
        "agreed": taught.agreed,
        "lessons": [asdict(lesson) for lesson in taught.lessons],
        "silent": [asdict(s) for s in taught.silent],
        "still": list(person.still),
        "limits_file": TAUGHT_FILE,
    }


def marks_record(graded: Graded) -> dict | None:
    """Frames that a mark decided, and those that it overruled; None without marks."""
    person = graded.person
    if person is None or not (person.marked or person.notes):
        return None
    return {
        "frames": person.marked,
        "overruled": list(person.overruled),
        "not_followed": list(person.notes),
    }


def teaching_lines(graded: Graded) -> list[str]:
    """What the marks taught, a line a lesson; empty where nothing was taught."""
    person = graded.person
    if person is None or person.taught is None:
        return []
    taught = person.taught
    lines = [_headline(taught)]
    lines += [f"{lesson.sentence}." for lesson in taught.lessons]
    lines += [f"{s.frame}: nothing learnt from this mark: {s.why}." for s in taught.silent]
    if person.still:
        lines.append(
            f"With the limits as they are now, {len(person.still)} of {taught.marks} marks "
            f"disagree with the verdicts: {_names(person.still)}."
        )
    elif taught.moved:
        lines.append(f"With the limits as they are now, all {taught.marks} marks are followed.")
    return [_printable(line) for line in lines]


def person_lines(graded: Graded) -> list[str]:
    """What the marks did, for the summary: limits that moved, verdicts that are the person's."""
    person = graded.person
    lines = []
    if person is not None and person.moved:
        moved = ", ".join(f"{t.key} {t.before:g} → {t.after:g}" for t in person.taught.moved)
        lines.append(f"Limits taught by your marks: {moved}; to use again: --limits {TAUGHT_FILE}")
    if person is not None and person.marked:
        names = f": {_names(person.overruled)}" if person.overruled else ""
        lines.append(
            f"Your marks decided {_count(person.marked, 'frame')} and overruled "
            f"{_count(len(person.overruled), 'verdict')}{names}"
        )
    return lines


def taught_toml(graded: Graded) -> str:
    """Every limit that differs from the shipped ones, as a file for ``--limits``."""
    why = {
        turned.key: lesson.sentence
        for lesson in graded.person.taught.lessons
        for turned in lesson.moved
    }
    lines = [
        f"{TAUGHT_MARK} For the next night: subgrade grade NIGHT --limits {TAUGHT_FILE}",
        "# Every limit that differs from the shipped ones.",
    ]
    shipped = load_limits().as_dict()
    changed = 0
    for table, values in graded.limits.as_dict().items():
        other = {k: v for k, v in values.items() if v != shipped[table][k]}
        if not other:
            continue
        changed += len(other)
        lines += ["", f"[{table}]"]
        for key, value in other.items():
            reason = why.get(f"{table}.{key}", "as given by --limits")
            lines += [f"# {_printable(reason)}", f"{key} = {value!r}"]
    if not changed:
        lines.append("# There is none.")
    return "\n".join(lines) + "\n"


def _headline(taught) -> str:
    count = _count(taught.marks, "mark")
    if taught.agreed == taught.marks:
        return f"Taught by {count}: no limit moved, all agree with the verdicts."
    agree = "agrees" if taught.agreed == 1 else "agree"
    what = f"{taught.agreed or 'none'} {agree} with the verdicts"
    moved = len(taught.moved)
    went = f"{_count(moved, 'limit')} moved" if moved else "no limit moved"
    return f"Taught by {count}: {what}, {went}."


def _count(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _names(frames) -> str:
    more = f" and {len(frames) - MOST_NAMED} more" if len(frames) > MOST_NAMED else ""
    return ", ".join(frames[:MOST_NAMED]) + more


def _printable(text: str) -> str:
    """A sentence that stays on its line whatever a frame is called."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
