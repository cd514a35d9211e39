"""How long a reader waits for the page: opening, stepping, marking, filtering, sorting.

Run from the repository: ``python -m tests.benchmarks.page`` (``--help`` for fewer rounds).
The demo is graded into a temporary folder; its page is then written again with its frames and its
guiding trace repeated to 300 frames.  Each action is timed in the page from the key or click until
it is drawn, filter and order with the table in view.  Beside each stand the same action on the
demo's 34 frames, and what the plotting library takes to draw the same time line anew, in the same
run, so that the ratios hold on a busy machine too.  Needs Chromium with its driver.
"""

from __future__ import annotations

import argparse
import json
import re
import statistics
import tempfile
import time
from pathlib import Path

from subgrade.pipeline import Settings, grade
from subgrade.report import FILE
from subgrade.report.page import assemble
from tests.report_chromium import chromium

DEMO = Path(__file__).resolve().parents[2] / "demo_subs"
MANY = 300
GAP_S = 600.0
"""Between two repetitions of the demo."""

ACTIONS = {
    "one step": ("head", 'key("ArrowRight")'),
    "a mark": ("head", 'key("k")'),
    "another filter": ("frames", 'pick("reason", k % 2 ? "" : first)'),
    "another order": ("frames", 'document.querySelector("[data-key=eccentricity] button").click()'),
    "library draws anew": ("head", 'Plotly.redraw(document.getElementById("plot"))'),
}
"""What is in view, and what is done, by name."""
PEER = "library draws anew"

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


def record_of(page: str) -> dict:
    """What a page holds."""
    block = re.search(r'<script type="application/json" id="data">(.*?)</script', page, re.DOTALL)
    return json.loads(block.group(1))


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


def opening(driver, path: Path, rounds: int) -> list[float]:
    """Seconds until the page can be used, the first opening apart."""
    taken = []
    for _ in range(rounds + 1):
        driver.get("about:blank")
        start = time.perf_counter()
        driver.get(path.as_uri())
        taken.append(time.perf_counter() - start)
        assert driver.execute_script("return document.documentElement.dataset.ready") == "yes"
    return taken


def measured(driver, path: Path, rounds: int) -> dict[str, float]:
    """Medians, ms."""
    opened = opening(driver, path, max(rounds // 3, 3))
    found = {
        "first opening": 1e3 * opened[0],
        "opening again": 1e3 * statistics.median(opened[1:]),
    }
    for name, action in ACTIONS.items():
        taken = driver.execute_async_script(TIMED % action, rounds)
        found[name] = statistics.median(taken)
        driver.execute_script("localStorage.clear()")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=15, help="of each action (default 15)")
    parser.add_argument("--report", help="a page of the demo that is there already")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        if asked.report:
            page = Path(asked.report).read_text(encoding="utf-8")
        else:
            grade(Settings((str(DEMO),), str(place / "out"), guide=(str(DEMO / "guiding.csv"),)))
            page = (place / "out" / FILE).read_text(encoding="utf-8")
        record = record_of(page)
        found, sizes = {}, {}
        for count in (len(record["frames"]), MANY):
            page = assemble(repeated(record, count))
            sizes[count] = len(page) / 1e6
            path = place / f"page_{count}.html"
            path.write_text(page, encoding="utf-8")
            with chromium(place) as driver:
                found[count] = measured(driver, path, asked.rounds)
    few, many = found
    print(f"{'median, ms':22}{few:>7} frames{many:>7} frames   ratio   of the library's drawing")
    print(f"{'size, MB':22}{sizes[few]:>14.1f}{sizes[many]:>14.1f}")
    for name, value in found[many].items():
        short = found[few][name]
        share = "" if "opening" in name else f"{value / found[many][PEER]:.2f}"
        print(f"{name:22}{short:>14.0f}{value:>14.0f}{value / short:>8.1f}   {share}")


if __name__ == "__main__":
    main()
