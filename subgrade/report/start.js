// Wiring: what happens at a key, a click, a change.
const KEYS = [
  ["→ ←", "next frame, frame before, in the order taken"],
  ["↓ ↑", "the same in the order of the table"],
  ["Shift → ←", "next rejected frame, rejected frame before"],
  ["Home End", "first, last frame"],
  ["K", "mark keep (again: take the mark away)"],
  ["R", "mark reject"],
  ["C", "take the mark away"],
  ["S", "save the marks"],
  ["A", "show all frames again"],
  ["/", "find in names and explanations"],
  ["T", "light or dark"],
  ["?", "these keys"],
];

const rejected = (frame) => frame.verdict === "reject";
const ACTS = {
  ArrowRight: (e) => step(1, FRAMES, e.shiftKey ? rejected : undefined),
  ArrowLeft: (e) => step(-1, FRAMES, e.shiftKey ? rejected : undefined),
  ArrowDown: () => step(1, sorted()),
  ArrowUp: () => step(-1, sorted()),
  Home: () => step(-FRAMES.length),
  End: () => step(FRAMES.length),
  k: () => toggleMark("keep"),
  r: () => toggleMark("reject"),
  c: () => setMark(FRAMES[state.selected], null),
  s: () => Object.keys(state.marks).length && saveMarks(),
  a: showAll,
  t: switchTheme,
  "/": () => byId("find").focus(),
  "?": () => byId("help").showModal(),
};

function toggleMark(word) {
  const frame = FRAMES[state.selected];
  if (frame) setMark(frame, markOf(frame) === word ? null : word);
}

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
  if (event.target.closest && event.target.closest("input, select, textarea")) {
    if (event.key === "Escape") event.target.blur();
    return;
  }
  const act = ACTS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  // Up and down scroll the page until a frame is chosen.
  if (!act || (["ArrowUp", "ArrowDown"].includes(event.key) && state.selected === null)) return;
  event.preventDefault();
  act(event);
}

function switchTheme() {
  const root = document.documentElement;
  const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  root.dataset.theme = dark ? "light" : "dark";
  drawLine();
}

function showHint(event) {
  const point = event.points[0];
  const hint = byId("hint");
  const frame = FRAMES[point.customdata];
  hint.replaceChildren();
  if (frame) {
    hint.append(make("b", {textContent: frame.name}), verdictTag(frame),
      make("span", {textContent: [frame.reasons.map(reasonText).join(", "), known(frame.start_unix) ? clockText(frame.start_unix) : ""].filter(Boolean).join(" · ")}),
      make("span", {className: "faint", textContent: `FWHM ${number(frame.values.fwhm_px, 2, "px")}, eccentricity ${number(frame.values.eccentricity)}, transparency ${number(frame.values.transparency)}`}));
  } else hint.append(make("span", {textContent: `${point.data.name} ${number(point.y, 2, "″")}`}));
  hint.hidden = false;
  const x = Math.min(event.event.clientX + 14, innerWidth - hint.offsetWidth - 8);
  const y = event.event.clientY + 16 + hint.offsetHeight > innerHeight ? event.event.clientY - hint.offsetHeight - 12 : event.event.clientY + 16;
  hint.style.left = `${x}px`;
  hint.style.top = `${y}px`;
}

function onPoint(event) {
  const point = event.points[0];
  if (known(point.customdata)) return select(point.customdata);
  const ms = typeof point.x === "number" ? point.x : Date.parse(`${point.x.replace(" ", "T")}Z`);
  const frame = TIMED.find((f) => wall(f.start_unix) <= ms && ms <= wall(f.start_unix + (f.elapsed_s || 0)));
  return frame && select(frame.index);
}

function onChange(what) {
  if (what === "selected") {
    Plotly.relayout(byId("plot"), {shapes: selectedShapes()});
    showPanel();
    markRow();
    return;
  }
  if (what === "filter") showFilters();
  if (what === "marks") showMarked();
  showTable();
  showPanel();
  drawLine();
}

// Paper is white and narrow, whatever the screen is.
function forPaper(on) {
  document.documentElement.classList.toggle("paper", on);
  drawLine();
  Plotly.relayout(byId("plot"), on ? {width: 700, autosize: false} : {width: undefined, autosize: true});
}

function start() {
  loadMarks();
  startClock();
  showHead();
  showFilters();
  showTable();
  showMarked();
  showStory();
  showFoot();
  watchers.push(onChange);
  const asked = /^#frame=(\d+)$/.exec(location.hash);
  if (asked && FRAMES[Number(asked[1]) - 1]) state.selected = Number(asked[1]) - 1;
  else {
    const first = FRAMES.findIndex(rejected);
    state.selected = FRAMES.length ? Math.max(first, 0) : null;
  }
  showPanel();
  markRow();
  drawLine();
  const plot = byId("plot");
  plot.on("plotly_click", onPoint);
  plot.on("plotly_hover", showHint);
  plot.on("plotly_unhover", () => { byId("hint").hidden = true; });
  document.addEventListener("keydown", onKey);
  byId("find").addEventListener("input", () => {
    state.find = byId("find").value.trim().toLowerCase();
    changed("filter");
  });
  byId("save").addEventListener("click", saveMarks);
  byId("theme").addEventListener("click", switchTheme);
  byId("keys").addEventListener("click", () => byId("help").showModal());
  byId("help").append(make("h2", {textContent: "Keys"}),
    make("table", {}, make("tbody", {}, ...KEYS.map(([key, text]) => make("tr", {}, make("th", {scope: "row"}, make("kbd", {textContent: key})), make("td", {textContent: text}))))),
    make("form", {method: "dialog"}, make("button", {textContent: "Close"})));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawLine);
  addEventListener("beforeprint", () => forPaper(true));
  addEventListener("afterprint", () => forPaper(false));
  document.documentElement.dataset.ready = "yes";
}

start();
