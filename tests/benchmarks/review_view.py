"""How long a person waits while looking at the subs: in Chromium, the real server behind it.

Run from the repository: ``python -m tests.benchmarks.review_view`` (``--help`` for smaller runs).
A few frames of 26 and 60 megapixels are rendered and measured; a night of 300 is those files by
hard links, their measurements over and over, so that the server reads a whole file for each frame
(from the system's cache where the few files fit into it, as a night on a fast disk would be).

Walking: from the key → to the sharp picture, at ``fit`` and at 1:1, once as fast as the pictures
come and once with a look of a second at each.  Panning and zooming: pictures a second while the
pointer drags, drawn without a graphics card here.  Switching: from the key B to the best of the
group, sharp.  Marking: from the key K to the mark on the disk.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from subgrade.measuring import measurement_cache
from subgrade.pipeline import Settings, grade
from tests.report_chromium import chromium
from tests.review_subs import Sub, served, write_sub

SIZES = {"26": (6248, 4176), "60": (9576, 6388)}
GAP_S = 150.0

WALK = """
const [steps, pause, key, done] = arguments, taken = [], box = document.getElementById("look");
const canvas = document.getElementById("sub");
const wait = (ms) => new Promise((go) => setTimeout(go, ms));
const sharp = () => new Promise((go) => {
  const seen = () => box.dataset.sharp === "yes" && (watch.disconnect(), go(performance.now()));
  const watch = new MutationObserver(seen);
  watch.observe(box, {attributes: true});
  seen();
});
(async () => {
  await sharp();
  for (let k = 0; k < steps; k++) {
    await wait(pause);
    await sharp();
    const start = performance.now();
    canvas.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
    canvas.dispatchEvent(new KeyboardEvent("keyup", {key, bubbles: true}));
    taken.push(await sharp() - start);
  }
  done(taken);
})();"""
PAN = """
const [ms, done] = arguments, canvas = document.getElementById("sub"), times = [];
const box = canvas.getBoundingClientRect();
const send = (type, x, y) => canvas.dispatchEvent(new PointerEvent(type, {pointerId: 1, button: 0,
  clientX: box.left + x, clientY: box.top + y, bubbles: true}));
canvas.setPointerCapture = () => {};
const start = performance.now();
send("pointerdown", 700, 400);
const next = (now) => {
  times.push(now);
  const t = (now - start) / 1000;
  send("pointermove", 700 + 600 * Math.sin(2 * t), 400 + 350 * Math.sin(3 * t));
  if (now - start < ms) return requestAnimationFrame(next);
  send("pointerup", 700, 400);
  done(times.slice(1).map((v, k) => v - times[k]));
};
requestAnimationFrame(next);"""

MARK = """
const [rounds, done] = arguments, taken = [], kept = document.getElementById("look-kept");
const canvas = document.getElementById("sub");
const key = (key) => canvas.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
const settled = (before) => new Promise((go) => {
  const seen = () => {
    if (kept.textContent === before || kept.textContent.includes("saving")) return;
    watch.disconnect();
    go(performance.now());
  };
  const watch = new MutationObserver(seen);
  watch.observe(kept, {childList: true, characterData: true, subtree: true});
});
(async () => {
  for (let k = 0; k < rounds; k++) {
    const start = performance.now(), end = settled(kept.textContent);
    key(k % 2 ? "u" : "r");
    taken.push(await end - start);
    await new Promise((go) => setTimeout(go, 300));
  }
  done(taken);
})();"""


def night(place: Path, size: tuple[int, int], different: int, count: int) -> Path:
    """A graded night of so many frames of so many pixels; the results folder."""
    base = place / "base"
    base.mkdir()
    rng = np.random.default_rng(3)
    for k in range(different):
        shift = complex(*rng.uniform(-9, 9, 2))
        sub = Sub(180.1 if k % 2 else 0.0, shift, rng.uniform(2.6, 3.6))
        write_sub(base / f"base_{k}.fits", k, sub, size, 900)
    graded = grade(Settings((str(base),), str(place / "base_graded"), report=False))
    known = [(f.path, f.facts, f.stars, f.pictures.load()) for f in graded.frames]
    lights, out = place / "lights", place / "graded"
    lights.mkdir()
    settings = Settings((str(lights),), str(out))
    cache = measurement_cache(settings)
    for k in range(count):
        path, facts, stars, pictures = known[k % len(known)]
        link = lights / f"light_{k:04d}.fits"
        link.hardlink_to(path)
        start = known[0][1].start_unix + GAP_S * k
        facts = replace(facts, start_unix=start, mid_unix=start + 60.0)
        key = cache.key(link)
        cache.save(key, facts, stars)
        cache.save_pictures(key, pictures)
    grade(settings)
    return out


def report(name: str, taken: list[float]) -> None:
    middle, most = np.percentile(taken, (50, 95))
    print(
        f"{name:44s} median {middle:7.0f} ms   95 % {most:7.0f}   worst {max(taken):7.0f}",
        flush=True,
    )


def look(browser, kind: str) -> None:
    browser.execute_script("location.hash = '#frame=1'")
    browser.refresh()
    browser.execute_script(
        "document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'v', bubbles: true}));"
        "const q = document.getElementById('queue'); q.value = arguments[0];"
        "q.dispatchEvent(new Event('change'));",
        kind,
    )


def key(browser, *keys: str) -> None:
    for one in keys:
        browser.execute_script(
            "document.getElementById('sub').dispatchEvent("
            "new KeyboardEvent('keydown', {key: arguments[0], bubbles: true}))",
            one,
        )


def measured(browser, address: str, steps: int, name: str) -> None:
    browser.get(address)
    browser.set_script_timeout(3000)
    for view, keys in (("fit", "f"), ("1:1", "1")):
        for pause in (0, 1000):
            look(browser, "taken")
            key(browser, keys)
            some = steps if pause == 0 else max(10, steps // 6)
            taken = browser.execute_async_script(WALK, some, pause, "ArrowRight")
            report(
                f"{name} Mpx, → at {view}, {'at once' if pause == 0 else 'a second each'}", taken
            )
        taken = browser.execute_async_script(PAN, 4000)
        rate = 1000 * len(taken) / sum(taken)
        report(f"{name} Mpx, panning at {view}: {rate:.0f} pictures a second", taken)
        taken = browser.execute_async_script(WALK, 12, 300, "b")
        report(f"{name} Mpx, the best and back at {view}", taken)
    report(f"{name} Mpx, a mark or its undoing, saved", browser.execute_async_script(MARK, 12))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--different", type=int, default=6)
    parser.add_argument("--sizes", nargs="+", choices=SIZES, default=list(SIZES))
    parser.add_argument("--place", type=Path, help="keep the night here, or find it here")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, chromium(Path(folder)) as browser:
        for name in given.sizes:
            place = (given.place or Path(folder)) / name
            if not (place / "graded").exists():
                place.mkdir(parents=True)
                night(place, SIZES[name], given.different, given.frames)
            start = time.monotonic()
            with served(place / "graded") as server:
                print(f"{name} Mpx: served after {time.monotonic() - start:.1f} s", flush=True)
                measured(browser, server.address, given.frames - 1, name)


if __name__ == "__main__":
    main()
