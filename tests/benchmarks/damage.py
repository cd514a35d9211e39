"""How well damaged pixels are found, and how often a sound frame is taken for damaged.

Run from the repository: ``python -m tests.benchmarks.damage`` (about ten minutes on one core;
``--only WORD`` for some of the rows, ``--fields normal``, ``--sound 2`` frames a look and field).
Frames go through files: stored as FITS, read, measured, compared in a night of five and judged;
each damaged frame is also judged alone.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.judging import judge_night, load_limits
from subgrade.lights import read_light
from subgrade.night import compare_night
from subgrade.night.model import Frame
from subgrade.stars import measure_stars
from tests.benchmarks.damage_frames import (
    FIELDS,
    FORMS,
    expected,
    image,
    store,
)
from tests.benchmarks.damage_injuries import INJURIES, Case
from tests.benchmarks.damage_sound import LOOKS, ONCE

NIGHT = 5
VICTIM = 3
REAL = Path("/work/shared/real")


@dataclass
class Night:
    """Sound frames of one field in one form, measured once."""

    field: str
    form: str
    frames: list[Frame]
    images: list[np.ndarray]
    folder: Path

    def path(self, number: int, tag: str = "") -> Path:
        return self.folder / f"light_{number:03d}{tag}.fits"


def measured(path: Path, name: str = "") -> Frame:
    light = read_light(path)
    return Frame(
        name or path.name, str(path), light.facts, measure_stars(light.pixels, light.facts)
    )


def make_night(field: str, form: str, folder: Path) -> Night:
    images = [image(FIELDS[field], k, form) for k in range(NIGHT)]
    night = Night(field, form, [], images, folder)
    for k, values in enumerate(images):
        night.frames.append(measured(store(night.path(k), values, k, form)))
    return night


LIMITS = load_limits()


def verdicts(frames):
    return judge_night(compare_night(list(frames)), LIMITS)


def outcome(verdict) -> str:
    if "incomplete" in verdict.reasons:
        return "found"
    return "kept" if verdict.verdict == "keep" else f"as {verdict.reasons[0]}"


@dataclass
class Tally:
    """What became of one damage at one size."""

    night: Counter
    alone: Counter
    blamed: int = 0
    """Sound companions that got the word."""


def injure_all(nights: list[Night], only: str) -> dict[tuple[str, str], Tally]:
    table: dict[tuple[str, str], Tally] = {}
    for night in nights:
        for k, injury in enumerate(INJURIES):
            if (only and only not in injury.name) or night.form not in injury.forms:
                continue
            for size in _sizes(injury, night):
                row = table.setdefault(
                    (injury.name, injury.label(size)), Tally(Counter(), Counter())
                )
                _injure_one(night, injury, size, k, row)
    return table


def _sizes(injury, night: Night) -> tuple:
    """All sizes, or with ``--thin`` a third of them, and fewer where the form is not the usual."""
    if not ARGS.thin:
        return injury.sizes
    if night.form != "16 bit":
        return injury.sizes[len(injury.sizes) // 2 :][:1]
    return injury.sizes[::7] if len(injury.sizes) > 6 else injury.sizes[1::2] or injury.sizes


def _injure_one(night: Night, injury, size, seed: int, row: Tally) -> None:
    rng = np.random.default_rng([seed, len(night.field), *np.atleast_1d(size).astype(int)])
    path = night.path(VICTIM, "_hurt")
    case = Case(night.images[VICTIM], night.images[VICTIM - 1], night.form, size, rng)
    values = injury.pixels(case)
    store(path, values, VICTIM, night.form, **injury.cards)
    if injury.bytes is not None:
        path.write_bytes(injury.bytes(path.read_bytes(), case))
    try:
        hurt = measured(path, night.frames[VICTIM].name)
    except UnreadableFile:
        row.night["unreadable"] += 1
        row.alone["unreadable"] += 1
        return
    frames = list(night.frames)
    frames[VICTIM] = hurt
    judged = verdicts(frames)
    row.night[outcome(judged[VICTIM])] += 1
    row.blamed += sum("incomplete" in v.reasons for i, v in enumerate(judged) if i != VICTIM)
    row.alone[outcome(verdicts([hurt])[0])] += 1
    if ARGS.verbose and "incomplete" not in judged[VICTIM].reasons:
        print(
            f"    {night.field}, {night.form}: {injury.name} {injury.label(size)}: "
            f"{judged[VICTIM].explanation[:150]}",
            flush=True,
        )
    if ARGS.verbose:
        for i, v in enumerate(judged):
            if i != VICTIM and "incomplete" in v.reasons:
                print(
                    f"    BLAMED {night.field}, {night.form}: {injury.name} "
                    f"{injury.label(size)}: {v.explanation[:200]}",
                    flush=True,
                )


def print_damage(table: dict[tuple[str, str], Tally]) -> None:
    print("\n| damage | size | in a night | alone | companions blamed |\n|---|---|---|---|---|")
    total = Counter()
    for (name, size), row in table.items():
        print(f"| {name} | {size} | {_counts(row.night)} | {_counts(row.alone)} | {row.blamed} |")
        total.update({f"night {k}": v for k, v in row.night.items()})
        total.update({f"alone {k}": v for k, v in row.alone.items()})
        total["blamed"] += row.blamed
    print("\n", dict(total))


def _counts(counter: Counter) -> str:
    return ", ".join(f"{n} {word}" for word, n in counter.most_common())


def sound_all(nights: list[Night], count: int, only: str) -> None:
    """Every look of a sound frame: one of a night, all of a night, and alone."""
    alarms, seen = defaultdict(list), Counter()
    for night in nights:
        if night.form != "16 bit":
            continue
        lights = [expected(FIELDS[night.field], k) for k in range(max(NIGHT, count))]
        for look, made in LOOKS.items():
            if only and only not in look:
                continue
            frames = []
            for k in range(count):
                rng = np.random.default_rng([k, len(look), 9])
                path = store(night.path(k, "_look"), made(lights[k], rng), k, "16 bit")
                try:
                    frames.append(measured(path))
                except UnreadableFile as error:
                    print("    unreadable:", look, error.cause)
            for k, frame in enumerate(frames):
                seen[look] += 1
                _alarm(alarms, look, night.field, "alone", verdicts([frame])[0])
                if look in ONCE:
                    others = [f for j, f in enumerate(night.frames) if j != k]
                    place = len(others)
                    _alarm(
                        alarms,
                        look,
                        night.field,
                        "once",
                        verdicts([*others, frame])[place],
                        frame.name,
                    )
            for v in verdicts(frames):
                _alarm(alarms, look, night.field, "all", v)
    print_sound(alarms, seen)


def _alarm(alarms, look: str, field: str, way: str, verdict, name: str = "") -> None:
    if "incomplete" in verdict.reasons:
        alarms[look].append(f"{field}, {way}: {verdict.explanation}")


def print_sound(alarms, seen: Counter) -> None:
    print("\n| sound frames | frames | false alarms (alone, one of a night, all of a night) |")
    print("|---|---|---|")
    for look, count in seen.items():
        ways = Counter(a.split(":")[0].split(", ")[1] for a in alarms[look])
        print(f"| {look} | {count} | {', '.join(f'{n} {w}' for w, n in ways.items()) or 0} |")
    print(f"\n {sum(seen.values())} sound frames, {sum(map(len, alarms.values()))} alarms")
    if ARGS.verbose:
        for look, texts in alarms.items():
            for text in texts:
                print("   ", look, "|", text[:260])


def sound_folders(folders: list[Path]) -> None:
    """Whole folders of sound frames, each frame alone and all together."""
    for folder in folders:
        frames = []
        for path in sorted(p for p in folder.rglob("*") if ".fit" in p.name or p.suffix == ".tiff"):
            try:
                frames.append(measured(path))
            except UnreadableFile:
                continue
        if not frames:
            continue
        together = [v for v in verdicts(frames) if "incomplete" in v.reasons]
        alone = [v for f in frames for v in verdicts([f]) if "incomplete" in v.reasons]
        print(
            f"{folder}: {len(frames)} frames, {len(together)} alarms, {len(alone)} alone",
            flush=True,
        )
        for v in together + alone:
            print("   ", v.frame, v.explanation[:200])


def cost() -> None:
    """Seconds of `examine` beside those of all measuring, at 26 Mpx."""
    from subgrade.lights.model import Pixels
    from subgrade.stars.damage import examine

    tile = image(FIELDS["normal"], 0)
    noise = np.random.default_rng(1).integers(0, 7, (4096, 6400), np.uint16)
    whole = Pixels(np.tile(tile, (4, 5)) + noise)
    stars = measure_stars(whole)
    looked, took = [], []
    for _ in range(3):
        began = time.process_time()
        examine(whole, stars.catalogue, stars.fwhm_px)
        looked.append(time.process_time() - began)
        began = time.process_time()
        measure_stars(whole)
        took.append(time.process_time() - began)
    looked, took = min(looked), min(took)
    print(
        f"\n26 Mpx: looking for damage {looked:.3f} s of {took:.3f} s of measuring "
        f"({100 * looked / took:.0f} %)"
    )


def main() -> None:
    global ARGS
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="")
    parser.add_argument("--fields", default=",".join(FIELDS))
    parser.add_argument("--forms", default=",".join(FORMS))
    parser.add_argument("--sound", type=int, default=4)
    parser.add_argument("--part", default="damage,sound,folders,cost")
    parser.add_argument("--folder", action="append", default=[], type=Path)
    parser.add_argument("--thin", action="store_true")
    parser.add_argument("--verbose", action="store_true")
    ARGS = parser.parse_args()
    parts = ARGS.part.split(",")
    with tempfile.TemporaryDirectory() as place:
        nights = []
        if "damage" in parts or "sound" in parts:
            for field in ARGS.fields.split(","):
                for form in ARGS.forms.split(",") if field == "normal" else ("16 bit",):
                    folder = Path(place) / f"{field}_{form.replace(' ', '')}"
                    folder.mkdir()
                    nights.append(make_night(field, form, folder))
        if "damage" in parts:
            print_damage(injure_all(nights, ARGS.only))
        if "sound" in parts:
            sound_all(nights, ARGS.sound, ARGS.only)
    if "folders" in parts:
        sound_folders([Path("demo_subs"), REAL, *ARGS.folder])
    if "cost" in parts:
        cost()


if __name__ == "__main__":
    main()
