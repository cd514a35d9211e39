// The night's data and what is selected.
const NIGHT = JSON.parse(document.getElementById("data").textContent);
const FRAMES = NIGHT.frames;
const SIGN = {keep: "●", reject: "◆", unreadable: "□"};
const VERDICT_TEXT = {keep: "kept", reject: "rejected", unreadable: "unreadable"};

// Pictures and evidence of a frame stand behind this script and are read when it is shown.
const LATER = {evidence: [], shares: {}, notes: [], crops: [], star: null, whiskers: null, motion: null, path: null, thumbnail: null};
const read = new Map();

function laterOf(frame) {
  if (read.has(frame.index)) return read.get(frame.index);
  const block = document.getElementsByClassName("later")[frame.index];
  // the last block may be there in part only while the page is still read
  if (!block || (document.readyState === "loading" && !block.nextElementSibling)) return LATER;
  read.set(frame.index, JSON.parse(block.textContent));
  return read.get(frame.index);
}

// A server may state them anew; what it stated is forgotten with asServed.
const restated = new Map();
const asServed = (frame) => restated.delete(frame.index);
const SHOWN_LATER = Object.fromEntries(Object.keys(LATER).map((name) => [name, {
  get() {
    const again = restated.get(this.index);
    return again && name in again ? again[name] : laterOf(this)[name];
  },
  set(value) { restated.set(this.index, {...restated.get(this.index), [name]: value}); },
}]));

FRAMES.forEach((frame, index) => {
  Object.defineProperties(frame, SHOWN_LATER);
  frame.index = index;
  frame.name = frame.values.frame;
  frame.verdict = frame.values.verdict;
  frame.own = frame.own_verdict || frame.verdict; // before a mark of this run overruled it
  frame.reasons = frame.values.reasons ? frame.values.reasons.split(";") : [];
});

const state = {selected: null, reasons: new Set(), verdict: null, group: null, find: [], doubtful: false,
  sort: "order", down: false, clock: "utc", marks: {}};
const watchers = [];
const changed = (what) => watchers.forEach((watch) => watch(what));

const plainName = (name) => name.split("/").pop();

// Names of one night differ at their end: a long one loses its middle, and its kind.
function shortName(name) {
  const plain = plainName(name);
  if (plain.length <= 18) return plain;
  const stem = [...plain.replace(/(\.[a-z]{2,5}){1,2}$/i, "")];
  return stem.length <= 14 ? stem.join("") : `${stem.slice(0, 3).join("")}…${stem.slice(-10).join("")}`;
}

// A long name may break after its dashes.
const breakable = (name) => (name.match(/[^_-]+[_-]*|[_-]+/g) || []).flatMap((part) => [part, make("wbr")]);

// Labels of groups without the target where they all share it.
const SHARED = NIGHT.groups.length > 1 && NIGHT.groups.every((g) => g.target && g.target === NIGHT.groups[0].target) ? NIGHT.groups[0].target : "";
const groupName = (group) => (SHARED && group.label.startsWith(`${SHARED}, `) ? group.label.slice(SHARED.length + 2) : group.label);

// One wording for people everywhere, the word of the table and the limits beside it in tooltips.
const reasonText = (word) => (NIGHT.reasons[word] || {short: word}).short;
const reasonTitle = (word) => `${word}: ${(NIGHT.reasons[word] || {long: reasonText(word)}).long}`;

// The table's columns by label, unit and digits; the list is the program's.
const LOOK = NIGHT.columns;
const written = (key, value, digits = LOOK[key].digits) => number(value, digits, LOOK[key].unit);

// Scale of the frames of a group, or of all; null where one of them has none.
function scaleOf(frames) {
  const scales = frames.filter((f) => known(f.values.fwhm_px)).map((f) => f.scale_arcsec);
  if (!scales.length || !scales.every((scale) => scale > 0)) return null;
  return scales.sort((a, b) => a - b)[scales.length >> 1];
}

// A length of stars or motions: on the sky where the scale is known.
function length(px, scale, digits = 2) {
  if (!known(px)) return "–";
  return scale ? number(px * scale, digits, "″") : number(px, digits, "px");
}

const bothLengths = (px, scale) => (known(px) && scale ? `${length(px, scale)} (${number(px, 2, "px")})` : length(px, scale));

const markOf = (frame) => state.marks[frame.name] || null;
const agrees = (frame) => markOf(frame) === frame.own; // a verdict that follows the mark already says nothing

function fits(frame, leaveOut = "") {
  if (leaveOut !== "verdict" && state.verdict && frame.verdict !== state.verdict) return false;
  if (leaveOut !== "group" && state.group !== null && frame.group !== state.group) return false;
  if (leaveOut !== "reasons" && state.reasons.size && !frame.reasons.some((r) => state.reasons.has(r))) return false;
  if (leaveOut !== "doubtful" && state.doubtful && !doubtful(frame)) return false;
  return !state.find.length || found(frame);
}

// What `explain` offers for a second look, too.
const doubtful = (frame) => known(frame.values.confidence) && frame.values.confidence < NIGHT.doubtful;

function select(index) {
  if (index === null || !FRAMES[index]) return;
  state.selected = index;
  changed("selected");
  try {
    history.replaceState(null, "", `#frame=${index + 1}`);
  } catch {
    // a browser may refuse many in a row; the address then lags behind
  }
}

function verdictTag(frame) {
  return make("span", {className: `tag ${frame.verdict}`},
    make("span", {ariaHidden: "true", textContent: `${SIGN[frame.verdict] || "□"} `}), VERDICT_TEXT[frame.verdict] || frame.verdict);
}
