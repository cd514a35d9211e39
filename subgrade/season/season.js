// The season's data, what is chosen, and how its numbers read.
const SEASON = JSON.parse(byId("data").textContent);
const NIGHTS = SEASON.nights;
const STACKS = SEASON.stacks;
const SIGN = {keep: "●", reject: "◆"};
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const DAY_MS = 86400e3;

NIGHTS.forEach((night, index) => {
  night.index = index;
  const parts = /^(\d{4})-(\d\d)-(\d\d)(.*)$/.exec(night.label);
  night.day = parts && {year: Number(parts[1]), month: Number(parts[2]), day: Number(parts[3]), rest: parts[4], ms: Date.UTC(parts[1], parts[2] - 1, parts[3])};
});
STACKS.forEach((stack, index) => { stack.index = index; });

// Every night by its date: then plots have dates below them.
const DATED = NIGHTS.length > 1 && NIGHTS.every((night) => night.day);

const state = {night: NIGHTS.length ? NIGHTS.length - 1 : null, stack: null, shade: "clear", sort: "order", down: false};
const watchers = [];
const changed = (what) => watchers.forEach((watch) => watch(what));

function choose(night) {
  if (!NIGHTS[night] || night === state.night) return;
  state.night = night;
  changed("night");
}

const shownStacks = () => (state.stack === null ? STACKS : [STACKS[state.stack]]);
// Without the target where all stacks share it.
const SHARED = STACKS.length > 1 && STACKS.every((stack) => stack.target && stack.filter && stack.target === STACKS[0].target);
const shortLabel = (stack) => (SHARED ? stack.filter : stack.label);
const sum = (values) => values.reduce((total, value) => total + (value || 0), 0);
const dayText = (day) => `${day.day} ${MONTHS[day.month - 1]}`;
const dateName = (day) => `${dayText(day)} ${day.year}`;
const nightName = (night) => (night.day ? dateName(night.day) + night.day.rest : night.label);
// Two cameras or targets of one evening are one night to whoever was out.
const evenings = () => new Set(NIGHTS.map((night) => (night.day ? night.day.ms : night.label))).size;
// Sentences name a night by its ISO date; here every night has one name.
const plainDates = (text) => (text || "").replace(/\b(\d{4})-(\d\d)-(\d\d)\b/g, (all, year, month, day) => (MONTHS[month - 1] ? `${Number(day)} ${MONTHS[month - 1]} ${year}` : all));
const minus = (text) => text.replace("-", "−");
const percent = (share) => (known(share) ? `${(100 * share).toFixed(share < 0.0995 ? 1 : 0)}%` : "–");
const figure = (value, unit = "") => (known(value) ? minus(short(value, unit)) : "–");
const hoursText = (seconds) => (seconds > 0 ? `${(seconds / 3600).toFixed(seconds < 36000 ? 1 : 0)} h` : "–");
const timeText = (seconds) => (seconds > 0 ? duration(seconds) : "–");

// A value and its error, which has one digit, or two where it begins with a one.
function withError(value, error, unit = "") {
  if (!known(value)) return "–";
  if (!(error > 0)) return figure(value, unit);
  const lead = Math.floor(Math.log10(error)), digits = Math.min(6, Math.max(0, -lead + (error / 10 ** lead < 2 ? 1 : 0)));
  const space = !unit || ["″", "′", "°", "%"].some((sign) => unit === sign) ? "" : " ";
  return minus(`${value.toFixed(digits)} ± ${error.toFixed(digits)}${space}${unit}`);
}

// The rows of a stack on one night, whatever exposures and setups they had, as one.
function partOf(stack, night) {
  const rows = stack.rows.filter((row) => row.night === night);
  if (!rows.length) return null;
  const series = rows.map((row) => NIGHTS[night].series[row.series]).filter(Boolean);
  const best = (key) => series.map((one) => one[key]).filter(known).sort((a, b) => b - a)[0];
  return {kept: sum(rows.map((r) => r.kept)), frames: sum(rows.map((r) => r.frames)), kept_s: sum(rows.map((r) => r.kept_s)),
    lost_s: sum(rows.map((r) => r.lost_s)), clear: best("clear"), fwhm: series.map((one) => one.fwhm).filter(known).sort((a, b) => a - b)[0], unit: series.length ? series[0].unit : "px"};
}

const exposures = (stack) => {
  const all = [...new Set(stack.rows.map((row) => row.exposure_s))].filter(known).sort((a, b) => a - b);
  if (!all.length) return "–";
  return all.length > 3 ? `${figure(all[0])} to ${figure(all[all.length - 1])} s` : `${all.map((s) => String(Number(s.toPrecision(4)))).join(", ")} s`;
};

// A table of plain cells; a figure stands right.
function tableOf(table, heads, rows) {
  const row = (cells, name) => make("tr", {}, ...cells.map((cell, k) => {
    const one = make(k ? name : "th", {className: heads[k].figure ? "figure" : ""});
    if (!k || name === "th") one.scope = name === "th" ? "col" : "row";
    if (heads[k].title && name === "th") one.title = heads[k].title;
    one.append(known(cell) ? cell : "–");
    return one;
  }));
  table.replaceChildren(make("thead", {}, row(heads.map((head) => head.text), "th")), make("tbody", {}, ...rows.map((cells) => row(cells, "td"))));
  return table;
}

// Plots are drawn for the width they have, and anew when it changes.
const plots = [];

function plotIn(place, drawIt) {
  const plot = {place, drawIt, width: 0};
  plots.push(plot);
  return plot;
}

function drawPlots(all = true) {
  const widths = plots.map((plot) => plot.place.clientWidth);
  plots.forEach((plot, k) => {
    if (!widths[k] || (!all && widths[k] === plot.width)) return;
    plot.width = widths[k];
    plot.drawIt(widths[k]);
  });
}

const round = (value) => Math.round(value * 10) / 10;

function textAt(x, y, text, name = "", anchor = "start") {
  const element = draw("text", {x: round(x), y: round(y), class: name, "text-anchor": anchor});
  element.textContent = text;
  return element;
}

// The pointer's hint, which a touch or the keyboard does not need: the card has the same.
function showHint(event, lines) {
  const hint = byId("hint");
  hint.replaceChildren(...lines.map((line, k) => make(k ? "span" : "b", {textContent: line})));
  hint.hidden = false;
  const box = hint.getBoundingClientRect();
  const x = Math.min(event.clientX + 14, innerWidth - box.width - 6), y = event.clientY + 18 + box.height > innerHeight ? event.clientY - box.height - 12 : event.clientY + 18;
  hint.style.left = `${Math.max(4, x)}px`;
  hint.style.top = `${Math.max(4, y)}px`;
}

function hideHint() {
  byId("hint").hidden = true;
}

function hinted(element, lines) {
  element.addEventListener("pointermove", (event) => showHint(event, lines()));
  element.addEventListener("pointerleave", hideHint);
  return element;
}
