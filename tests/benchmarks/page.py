"""How long a reader waits for the page: opening, stepping, marking, filtering, sorting.

Run from the repository: ``python -m tests.benchmarks.page`` (``--help`` for fewer rounds).
The demo is graded into a temporary folder; its page is then written again with its frames and its
guiding trace repeated to 300 and 1,000 frames.  Opening is timed until the page is usable, time
line and table drawn, and until all of it is read, in a browser just started and again.  Each action
is timed in the page from the key or click until it is drawn, filter and order with the table in
view.  Needs Chromium with its driver.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from pathlib import Path

from subgrade.pipeline import Settings, grade
from subgrade.report import FILE
from subgrade.report.page import assemble
from tests.report_chromium import chromium
from tests.report_nights import data_of

DEMO = Path(__file__).resolve().parents[2] / "demo_subs"
COUNTS = (34, 300, 1000)
GAP_S = 600.0
"""Between two repetitions of the demo."""

ACTIONS = {
    "one step": ("head", 'key("ArrowRight")'),
    "a mark": ("head", 'key("k")'),
    "another filter": ("frames", 'pick("reason", k % 2 ? "" : first)'),
    "another order": ("frames", 'document.querySelector("[data-key=eccentricity] button").click()'),
    "time line anew": (
        "head",
        'document.getElementById("plot").dispatchEvent(new Event("dblclick"))',
    ),
}
"""What is in view, and what is done, by name."""
USABLE = "return performance.getEntriesByName('usable')[0].startTime"
READ = "return performance.getEntriesByType('navigation')[0].loadEventStart"

TIMED = """
const [rounds, done] = arguments, taken = [];
const key = (key) => document.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
const pick = (id, value) => {
  const choice = document.getElementById(id);
  choice.value = value;
  choice.dispatchEvent(new Event("change"));
};
const drawn = () => new Promise((go) => requestAnimationFrame(() => {
  const {port1, port2} = new MessageChannel();
  port1.onmessage = go;
  port2.postMessage(0);
}));
const first = document.getElementById("reason").options[1].value;
(async () => {
  key("a");
  document.getElementById("%s").scrollIntoView();
  await drawn();
  for (let k = 0; k < rounds; k++) {
    const start = performance.now();
    %s;
    await drawn();
    taken.push(performance.now() - start);
  }
  done(taken);
})();"""


def repeated(record: dict, count: int) -> dict:
    """The night over and over until it has so many frames, one after the other in time."""
    frames = record["frames"]
    starts = [f["start_unix"] for f in frames]
    night = max(starts) - min(starts) + GAP_S
    rounds = -(-count // len(frames))
    many = []
    for k in range(rounds):
        for frame in frames:
            name = frame["values"]["frame"].replace("light_", f"light_{k}")
            many.append(
                {
                    **frame,
                    "values": {**frame["values"], "frame": name},
                    "start_unix": frame["start_unix"] + k * night,
                }
            )
    trace = dict(record["trace"])
    for axis in ("ra", "dec"):
        t, e = trace[axis]["t"], trace[axis]["e"]
        every = slice(None, None, rounds)  # the page draws so many points, however long the record
        trace[axis] = {
            "t": [x + k * night for k in range(rounds) for x in t[every]],
            "e": [x for _ in range(rounds) for x in e[every]],
        }
    return {**record, "frames": many[:count], "trace": trace}


def opening(driver, path: Path, rounds: int) -> list[tuple[float, float]]:
    """Milliseconds until the page can be used and until all is read, the first opening apart."""
    taken = []
    for _ in range(rounds + 1):
        driver.get("about:blank")
        driver.get(path.as_uri())
        assert driver.execute_script("return document.documentElement.dataset.ready") == "yes"
        taken.append((driver.execute_script(USABLE), driver.execute_script(READ)))
    return taken


def measured(path: Path, rounds: int) -> dict[str, float]:
    """Medians, ms."""
    first = []
    for _ in range(3):
        with chromium(path.parent) as driver:
            first += opening(driver, path, 0)
    with chromium(path.parent) as driver:
        again = opening(driver, path, max(rounds // 3, 3))[1:]
        found = {}
        for name, taken in (("first opening", first), ("opening again", again)):
            usable, read = (statistics.median(values) for values in zip(*taken, strict=True))
            found |= {f"{name}, usable": usable, f"{name}, all read": read}
        for name, action in ACTIONS.items():
            taken = driver.execute_async_script(TIMED % action, rounds)
            found[name] = statistics.median(taken)
            driver.execute_script("localStorage.clear()")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=15, help="of each action (default 15)")
    parser.add_argument("--report", help="a page of the demo that is there already")
    parser.add_argument("--counts", type=int, nargs="+", default=list(COUNTS), help="of frames")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        if asked.report:
            page = Path(asked.report).read_text(encoding="utf-8")
        else:
            grade(Settings((str(DEMO),), str(place / "out"), guide=(str(DEMO / "guiding.csv"),)))
            page = (place / "out" / FILE).read_text(encoding="utf-8")
        record = data_of(page)
        found, sizes = {}, {}
        for count in asked.counts:
            page = assemble(repeated(record, count))
            sizes[count] = len(page) / 1e6
            path = place / f"page_{count}.html"
            path.write_text(page, encoding="utf-8")
            found[count] = measured(path, asked.rounds)
    print(f"{'median, ms':28}" + "".join(f"{count:>7} frames" for count in found))
    print(f"{'size, MB':28}" + "".join(f"{size:>14.1f}" for size in sizes.values()))
    for name in next(iter(found.values())):
        print(f"{name:28}" + "".join(f"{found[count][name]:>14.0f}" for count in found))


if __name__ == "__main__":
    main()
