// Wiring: what happens at a key, a click, a change.
const KEYS = [
  ["→ ←", "next, previous frame that the filter shows"],
  ["↓ ↑", "in the table: next, previous row"],
  ["Shift → ←", "next, previous rejected frame"],
  ["Home End", "first, last frame"],
  ["K", "mark keep (again: clear the mark)"],
  ["R", "mark reject (again: clear the mark)"],
  ["C", "clear the mark"],
  ["S", "save the marks"],
  ["A", "show all frames"],
  ["D", "doubtful verdicts, the least certain first (again: all)"],
  ["/", "find in names, explanations, reasons and deciding numbers; Esc clears, then leaves"],
  ["T", "light or dark"],
  ["?", "this list"],
];

const rejected = (frame) => frame.verdict === "reject";
const ACTS = {
  ArrowRight: (e) => step(1, FRAMES, e.shiftKey ? rejected : undefined),
  ArrowLeft: (e) => step(-1, FRAMES, e.shiftKey ? rejected : undefined),
  ArrowDown: () => stepRow(1),
  ArrowUp: () => stepRow(-1),
  Home: () => step(-FRAMES.length),
  End: () => step(FRAMES.length),
  k: () => toggleMark("keep"),
  r: () => toggleMark("reject"),
  c: () => setMark(FRAMES[state.selected], null),
  s: () => Object.keys(state.marks).length && saveMarks(),
  a: showAll,
  t: switchTheme,
  d: () => byId("doubtful") && filterDoubtful(),
  "/": () => byId("find").select(),
  "?": () => byId("help").showModal(),
};

function toggleMark(word) {
  const frame = FRAMES[state.selected];
  if (frame) setMark(frame, markOf(frame) === word ? null : word);
}

// Among the rows; elsewhere these keys scroll the page.
function stepRow(by) {
  step(by, sorted());
  const row = rows[state.selected] && rowOf(state.selected);
  if (!row || !row.isConnected) return;
  row.querySelector(".link").focus({preventScroll: true});
  row.scrollIntoView({block: "nearest"});
}

const KEYS_KEPT = "subgrade single keys";
let singleKeys = true;

// Whoever uses voice control, or types by accident, can switch the letters off.
function keysChoice() {
  try {
    singleKeys = localStorage.getItem(KEYS_KEPT) !== "off";
  } catch {
    // a page from disk may have no storage
  }
  return make("label", {}, make("input", {type: "checkbox", id: "letters", checked: singleKeys, on: {change: (event) => {
    singleKeys = event.target.checked;
    try {
      localStorage.setItem(KEYS_KEPT, singleKeys ? "on" : "off");
    } catch {
      // as above
    }
  }}}), " single-key shortcuts on");
}

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
  const from = event.target.closest ? event.target : document.body;
  if (from.closest("input, select, textarea")) {
    if (event.key === "Escape") from.blur(); // Find clears first, see find.js
    return;
  }
  const letter = event.key.length === 1;
  const act = ACTS[letter ? event.key.toLowerCase() : event.key];
  if (!act || (letter && !singleKeys)) return;
  if (["ArrowUp", "ArrowDown"].includes(event.key) && !from.closest("#frames")) return;
  event.preventDefault();
  act(event);
}

// Each change draws what it concerns, and no more.
const AFTER = {
  selected() {
    byId("hint").hidden = true;
    selectOnLine();
    showPanel();
    markRow();
    const frame = FRAMES[state.selected];
    byId("spoken").textContent = [spokenName(frame), VERDICT_TEXT[frame.verdict], ...frame.reasons.map(reasonText)].join(", ");
  },
  filter() {
    showFilters();
    showTable();
    restyleLine();
    const first = FRAMES.find((f) => fits(f));
    if (first && !fits(FRAMES[state.selected])) select(first.index);
    else showPanel();
  },
  marks() {
    showMarked();
    showChoice();
    showPanel();
    markCells();
    restyleLine();
  },
  choice() {
    showChoice();
    markCells();
    restyleSoon();
    showPlaces();
  },
  clock() {
    buildTable();
    markCells();
    showPanel();
    showStory();
    zoomTo(null);
  },
};

// Not as a property of the root, which would have every element looked at again.
function setBar() {
  const height = byId("tools").offsetHeight;
  if (height === setBar.height) return;
  setBar.height = height;
  document.documentElement.style.scrollPaddingTop = byId("tools").computedStyleMap().get("position").value === "sticky" ? `calc(${height}px + .5rem)` : "";
  for (const place of [byId("panel"), byId("table").tHead]) place.style.setProperty("--bar", `${height}px`);
}

function onResize() {
  setBar();
  fitTable();
  layStory();
  if (!onPaper() && (drawn.width !== plotWidth() || drawn.tall !== innerHeight)) drawLine();
  if (shown.curve && !shown.curve.includes(curveWidth())) showChoice();
}

function start() {
  loadMarks();
  startClock();
  showHead();
  startFilters();
  startColumns();
  showStory(); // before the table, which it would have laid out
  buildTable();
  showMarked();
  markCells();
  byId("story").querySelector(".rest").addEventListener("toggle", layStory);
  showGuiding();
  showFoot();
  watchers.push((what) => AFTER[what]());
  const asked = /^#frame=(\d+)$/.exec(location.hash);
  if (asked && FRAMES[Number(asked[1]) - 1]) state.selected = Number(asked[1]) - 1;
  else {
    const first = FRAMES.findIndex(rejected);
    state.selected = FRAMES.length ? Math.max(first, 0) : null;
  }
  startChoice();
  showChoice();
  drawLine();
  showPanel();
  markRow();
  startPointer();
  document.addEventListener("keydown", onKey);
  startFind();
  byId("save").addEventListener("click", saveMarks);
  byId("theme").addEventListener("click", switchTheme);
  byId("keys").addEventListener("click", () => byId("help").showModal());
  byId("help").append(make("h2", {textContent: "Shortcuts"}),
    make("table", {}, make("tbody", {}, ...KEYS.map(([key, text]) => make("tr", {}, make("th", {scope: "row"}, make("kbd", {textContent: key})), make("td", {textContent: text}))))),
    keysChoice(), make("form", {method: "dialog"}, make("button", {textContent: "Close", autofocus: true})));
  new ResizeObserver(onResize).observe(byId("tools"));
  addEventListener("resize", onResize);
  if (document.readyState === "loading") addEventListener("DOMContentLoaded", showPanel); // its pictures are there by then
  startPaper();
  document.documentElement.dataset.ready = "yes";
  performance.mark("usable");
}

start();
