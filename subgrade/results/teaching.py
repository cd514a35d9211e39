"""What the person's marks did, for session.json, the terminal and limits_taught.toml."""

from __future__ import annotations

import json
import os
import shlex
from dataclasses import asdict

from subgrade.figures import counted
from subgrade.judging.limits import TAUGHT_TABLE, load_limits
from subgrade.plaintext import printable
from subgrade.results.model import Graded

TAUGHT_FILE = "limits_taught.toml"
TAUGHT_MARK = "# Written by subgrade grade --teach."
"""First words of the file, by which it is known as the program's own."""
MOST_NAMED = 8
LEGEND = (
    "# groups: typical value, spread and best of eccentricity and of FWHM; scale, frames.",
    "# before: a limit before and after. frames: verdict, group, then how far past each limit.",
)
MANY = 20
"""Marks from which none is asked to give more; no source."""


def teaching_record(graded: Graded) -> dict | None:
    """What was learnt, as plain values; None where nothing was taught."""
    person = graded.person
    if person is None or person.taught is None:
        return None
    taught = person.taught
    return {
        "marks": taught.marks,
        "agreed": taught.agreed,
        "known": list(taught.known),
        "changed": list(person.changed),
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
    """What the marks did, the effect first, then a line a lesson, then how to use them again.

    Empty where nothing was taught.
    """
    person = graded.person
    if person is None or person.taught is None:
        return []
    taught = person.taught
    lines = [f"{_effect(person)} {_agreement(person)}"]
    if person.still and taught.marks < MANY:
        lines.append(
            "Five marks that agree move a limit; more that are close to it place it better. "
            "--marks follows your marks at once."
        )
    if taught.known:
        count = len(taught.known)
        lines.append(
            f"{counted(count, 'mark')} taught these limits before and "
            f"{'is' if count == 1 else 'are'} not counted twice."
        )
    lines += [f"{lesson.sentence}." for lesson in taught.lessons]
    silent: dict[str, list[str]] = {}
    for mark in taught.silent:
        silent.setdefault(mark.why, []).append(mark.frame)
    lines += [f"Nothing learnt from {_names(frames)}: {why}." for why, frames in silent.items()]
    if taught.moved:
        lines.append(_again(graded))
    return [printable(line) for line in lines]


def _effect(person) -> str:
    moved = {turned.key for turned in person.taught.moved}
    went = f"{counted(len(moved), 'limit') if moved else 'no limit'} moved"
    if not person.changed:
        return f"No verdict changed, {went}."
    words = {j.frame: j.verdict for j in person.verdicts}
    parts = [
        f"now {word} {_names(frames)}"
        for word in ("keep", "reject")
        if (frames := [name for name in person.changed if words[name] == word])
    ]
    return f"{counted(len(person.changed), 'verdict')} changed, {went}: {'; '.join(parts)}."


def _agreement(person) -> str:
    """How many marks agree with the verdicts by now, and which do not."""
    judged = {j.frame for j in person.verdicts}
    count = person.taught.marks - sum(s.frame not in judged for s in person.taught.silent)
    left = len(person.still)
    if not count:
        return "No marked frame was measured."
    if not left:
        return {1: "Your mark agrees.", 2: "Both marks agree."}.get(
            count, f"All {count} marks agree."
        )
    agree = count - left
    text = f"{counted(agree, 'mark') if agree else 'No mark'} agree{'' if agree > 1 else 's'}"
    return f"{text}, {left} {'does' if left == 1 else 'do'} not: {_names(person.still)}."


def _again(graded: Graded) -> str:
    """How to use taught limits the next time."""
    if graded.settings.get("dry_run"):
        return f"A dry run writes nothing; without --dry-run {TAUGHT_FILE} keeps these limits."
    return f"Next night: subgrade grade NIGHT --limits {_taught_path(graded)}"


def _taught_path(graded: Graded, absolute: bool = False) -> str:
    """The file of taught limits as a command takes it."""
    path = os.path.join(graded.settings.get("out") or "", TAUGHT_FILE)
    return shlex.quote(os.path.abspath(path) if absolute else path)


def person_lines(graded: Graded) -> list[str]:
    """What the marks did, for the summary: limits that moved, verdicts that are the person's."""
    person = graded.person
    lines = []
    if person is not None and person.moved:
        moved = ", ".join(t.words for t in person.taught.moved)
        changed = f"{counted(len(person.changed) or 'no', 'verdict')} changed"
        lines.append(f"{moved} to follow your marks; {changed}")
        if not graded.settings.get("dry_run"):
            lines.append(f"next night: --limits {_taught_path(graded)}")
    if person is not None and person.marked:
        count = len(person.overruled)
        verdicts = counted(count, "verdict") if count else "no verdict"
        names = f": {_names(person.overruled)}" if count else ""
        decided = f"{counted(person.marked, 'frame')} decided by a mark"
        lines.append(f"{decided}, {verdicts} overruled{names}")
    return lines


def taught_toml(graded: Graded) -> str:
    """Every limit that differs from the shipped ones, as a file for ``--limits``."""
    taught = graded.person.taught
    why = dict.fromkeys(taught.learnt.before, "as taught before")
    why |= {t.key: lesson.sentence for lesson in taught.lessons for t in lesson.moved}
    again = f"subgrade grade NIGHT --limits {_taught_path(graded, absolute=True)}"
    lines = [f"{TAUGHT_MARK} Use it: {printable(again)}", "# Limits not named are as shipped."]
    shipped = load_limits().as_dict()
    for table, values in graded.limits.as_dict().items():
        other = {k: v for k, v in values.items() if v != shipped[table][k]}
        lines += ["", f"[{table}]"] if other else []
        before = ""
        for key, value in other.items():
            reason = printable(why.get(f"{table}.{key}", "as given by --limits"))
            lines += [] if reason == before else [f"# {reason}"]
            lines.append(f"{key} = {value!r}")
            before = reason
    if taught.learnt.before or any(s.marked for s in taught.learnt.frames.values()):
        lines += _learnt_lines(taught.learnt.as_table())
    return "\n".join(lines) + "\n"


def _learnt_lines(table: dict) -> list[str]:
    """What was learnt from, as TOML."""
    lines = ["", "# What these limits were learnt from, so that no mark counts twice.", *LEGEND]
    lines += [f"[{TAUGHT_TABLE}]", f"groups = {_toml(table['groups'])}"]
    for name in ("before", "frames"):
        lines += ["", f"[{TAUGHT_TABLE}.{name}]"]
        lines += [f"{_toml(key)} = {_toml(value)}" for key, value in table[name].items()]
    return lines


def _toml(value) -> str:
    """Text, numbers and lists of them as TOML has them, not-a-number too."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def _names(frames) -> str:
    more = f" and {len(frames) - MOST_NAMED} more" if len(frames) > MOST_NAMED else ""
    return ", ".join(frames[:MOST_NAMED]) + more
