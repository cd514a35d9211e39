"""What the person's marks of this run and of earlier ones have to do with each frame."""

from __future__ import annotations

from subgrade.results import Graded, is_surplus

WORDS = {"keep": "kept", "reject": "rejected"}
OTHER = {"keep": "reject", "reject": "keep"}
MOST_LIMITS = 3
"""Moved limits named beside one frame."""
MOST_NAMED = 6
"""Frames named at the top of the page."""


def marked_before(graded: Graded) -> dict[str, str]:
    """Marks given to this run that the verdicts alone do not show, by frame."""
    person = graded.person
    if person is None:
        return {}
    # what a choice leaves out passed
    verdicts = {f.name: "keep" if is_surplus(f) else f.judgement.verdict for f in graded.frames}
    marks = {name: OTHER.get(verdicts.get(name)) for name in person.still}
    marks |= {name: verdicts.get(name) for name in person.overruled}
    return {name: word for name, word in marks.items() if word in OTHER}


def without_marks(graded: Graded) -> dict[str, str]:
    """The verdicts that marks of this run overruled, as they would be without, by frame."""
    person = graded.person
    own = {j.frame: j.verdict for j in person.own} if person is not None else {}
    return {name: own[name] for name in (person.overruled if person else ()) if name in own}


def what_marks_changed(graded: Graded) -> dict[str, list[str]]:
    """What marks of this run, and limits that they taught, changed in each frame's verdict.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    dict of str to list of str
        Sentences by frame; frames whose verdict they left alone are missing.
    """
    person = graded.person
    if person is None:
        return {}
    own = {j.frame: j.verdict for j in person.own or person.verdicts}
    found: dict[str, list[str]] = {}
    moved = _moved(graded)
    for name in person.changed:
        after = own.get(name)
        if after in WORDS:
            text = f"Limits taught by your marks: {WORDS[OTHER[after]]} before, {WORDS[after]} now"
            found.setdefault(name, []).append(f"{text}{moved}.")
    for name in person.still:
        marked = OTHER.get(own.get(name, ""))
        if marked:
            found.setdefault(name, []).append(
                f"You marked it {marked} to teach; under the taught limits it is still "
                f"{WORDS[own[name]]}."
            )
    for name in person.overruled:
        if own.get(name) in WORDS:
            found.setdefault(name, []).append(
                f"Your mark overruled the verdict: {WORDS[own[name]]} without it."
            )
    return found


def marks_in_short(graded: Graded) -> list[str]:
    """What the marks of this run changed in the night, for the top of the page.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    list of str
        One sentence each for marks that overruled and for limits that marks taught; empty without
        marks.
    """
    person = graded.person
    if person is None:
        return []
    found = []
    final = {f.name: f.judgement.verdict for f in graded.frames}
    own = {j.frame: j.verdict for j in person.own or person.verdicts}
    if person.marked:
        found.append(f"Your marks {_changed(person.overruled, final)}.")
    if person.taught is not None:
        limits = [
            f"limit on {lesson.number} ({t.key}) {t.before:.4g} to {t.after:.4g}"
            for lesson in person.taught.lessons
            for t in lesson.moved
        ]
        moved = "; ".join(limits) or "no limit moved"
        found.append(f"Limits taught by your marks {_changed(person.changed, own)}: {moved}.")
    return found


def _changed(frames: tuple[str, ...], verdicts: dict[str, str]) -> str:
    if not frames:
        return "changed no verdict"
    parts = []
    for word, text in WORDS.items():
        names = [name for name in frames if verdicts.get(name) == word]
        if names:
            more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
            parts.append(f"{', '.join(names[:MOST_NAMED])}{more} now {text}")
    count = f"{len(frames)} verdict{'' if len(frames) == 1 else 's'}"
    return f"changed {count} ({'; '.join(parts)})" if parts else f"changed {count}"


def _moved(graded: Graded) -> str:
    """The limits that moved, in brackets."""
    moved = graded.person.taught.moved if graded.person.taught is not None else ()
    texts = [f"{t.key} {t.before:.4g} → {t.after:.4g}" for t in moved[:MOST_LIMITS]]
    texts += [f"{len(moved) - MOST_LIMITS} more"] if len(moved) > MOST_LIMITS else []
    return f" ({', '.join(texts)})" if texts else ""
