// How strict: which frames a choice keeps, and what it takes to have it.  The order of the frames and
// the stacks along it are the program's; a mark moves a single frame among those that pass.
const AS_ASKED = {prefer: NIGHT.choice.prefer, share: NIGHT.choice.keep || 1, extra: 0};
const strict = {group: 0, ...AS_ASKED};

const isSurplus = (frame) => frame.reasons[0] === "surplus";
const passes = (frame) => (markOf(frame) || (isSurplus(frame) ? "keep" : frame.verdict)) === "keep";
const curveOf = (k) => (NIGHT.choice.groups[k] || {})[strict.prefer] || null;

// Those that pass first, each kind best first; what a mark rejects last of all.
function orderOf(k) {
  const frames = curveOf(k).order.map((index) => FRAMES[index]);
  return [...frames.filter(passes), ...frames.filter(takeable), ...frames.filter((f) => !passes(f) && !takeable(f))];
}

// A reject of the program may be taken back, never one of a mark.
const takeable = (frame) => !passes(frame) && markOf(frame) !== "reject";
const takenBack = () => orderOf(strict.group).filter(takeable).slice(0, strict.extra);

// Where a frame stands among those of its group, the best first; null without a group.
function placeAmongBest(frame) {
  const curve = curveOf(frame.group);
  const at = curve ? curve.order.indexOf(frame.index) : -1;
  return at < 0 ? null : {at: at + 1, of: curve.order.length};
}

// What a mark keeps comes before all others, and counts.
const byMark = (frames) => [...frames.filter((f) => markOf(f) === "keep"), ...frames.filter((f) => markOf(f) !== "keep")];
const timesOf = (frames) => {
  const times = frames.map((f) => f.values.exposure_s || 0);
  return times.some((t) => t > 0) ? times : times.map(() => 1);
};
const sum = (values) => values.reduce((all, value) => all + value, 0);
const timeOf = (frames) => sum(frames.map((f) => f.values.exposure_s || 0)); // 0 where no header states it

// The fewest frames that hold the share of the time: as `grade --keep` counts.
function countFor(frames, share) {
  const times = timesOf(frames), whole = sum(times);
  let held = 0;
  for (let n = 0; n < times.length; n++) {
    held += times[n];
    if (held >= share * whole * (1 - 1e-9)) return n + 1;
  }
  return times.length;
}

// The shortest percentage that keeps so many, no fewer and no more.
function shareFor(frames, n) {
  for (let digits = 0; digits < 7; digits++) {
    const times = timesOf(frames), reached = 100 * sum(times.slice(0, n)) / sum(times);
    const percent = Math.floor(reached * 10 ** digits + 1e-9) / 10 ** digits;
    if (percent > 0 && countFor(frames, percent / 100) === n) return percent / 100;
  }
  return 1;
}

const percentText = (share) => `${Number((100 * share).toFixed(6))}%`;

function keptOf(k) {
  const order = byMark(orderOf(k).filter(passes));
  const marked = order.filter((f) => markOf(f) === "keep").length;
  const kept = order.slice(0, Math.max(marked, countFor(order, strict.share)));
  return [...kept, ...(k === strict.group ? takenBack() : [])];
}

function setKept(n) {
  const order = byMark(orderOf(strict.group).filter(passes));
  strict.share = n < order.length ? shareFor(order, n) : 1;
  strict.extra = Math.min(Math.max(0, n - order.length), orderOf(strict.group).filter(takeable).length);
  changed("choice");
}

function resetStrict() {
  Object.assign(strict, AS_ASKED);
  changed("choice");
}

// Every group follows the share; a frame without a group has no place in a stack.
function keptNow() {
  const kept = new Set(FRAMES.filter((f) => f.verdict === "keep" && !curveOf(f.group)));
  NIGHT.choice.groups.forEach((_, k) => curveOf(k) && keptOf(k).forEach((f) => kept.add(f)));
  return kept;
}

const differs = () => strict.share !== AS_ASKED.share || strict.extra > 0 || (strict.share < 1 && strict.prefer !== AS_ASKED.prefer);

const keptBefore = (frame) => (markOf(frame) || frame.verdict) === "keep";
const strictLeavesOut = () => {
  if (!differs()) return () => false;
  const kept = keptNow();
  return (frame) => keptBefore(frame) && !kept.has(frame);
};

// What the choice does to a frame, over its verdict and mark; empty where nothing.
function strictText(frame, kept) {
  if (!differs() || frame.verdict === "unreadable") return "";
  const before = keptBefore(frame);
  return kept.has(frame) === before ? "" : kept.has(frame) ? " + kept by this choice" : " − left out by this choice";
}

// As keeps.txt and rejects.txt have them: the folder, then a path a line.
function listText(kept, want) {
  const lines = FRAMES.filter((f) => f.verdict !== "unreadable" && kept.has(f) === want).map((f) => f.name);
  return [`# ${NIGHT.folder}`, ...lines, ""].join("\n");
}

// The command of this run with the choice; marks of this page go along as marks.csv, those of a review where they are kept.
function strictCommands() {
  const marks = Object.keys(state.marks).length > 0;
  const known = NIGHT.again ? (marks ? NIGHT.again.keep_marks : NIGHT.again.keep) : [];
  const options = (strict.share < 1 ? ` --keep ${percentText(strict.share)}` : "") + (strict.share < 1 && strict.prefer !== "depth" ? ` --prefer ${strict.prefer}` : "");
  const commands = known.length ? known : [{shell: "", text: `subgrade grade FRAMES${!marks ? "" : NIGHT.reviewed ? " --marks RESULTS/marks_review.csv" : " --marks marks.csv"}`}];
  return commands.map(({shell, text}) => ({shell, text: text + options}));
}
