// The page follows the marks: verdicts, totals, causes and curves as the server now has them.
const SERVED = FRAMES.map((frame) => ({values: frame.values, verdict: frame.verdict, reasons: frame.reasons}));
const differing = new Set();

function followState(answer) {
  marking.answer = answer;
  state.marks = {};
  for (const [index, word] of Object.entries(answer.marks || {})) if (FRAMES[index] && word) state.marks[FRAMES[index].name] = word;
  for (const index of differing) {
    Object.assign(FRAMES[index], SERVED[index]);
    asServed(FRAMES[index]);
  }
  differing.clear();
  for (const [index, now] of Object.entries(answer.changed || {})) if (FRAMES[index]) takeOver(FRAMES[index], now);
  const {by_marks: texts = {}, own = {}, ...record} = answer.record || {};
  for (const frame of FRAMES) Object.assign(frame, {by_marks: texts[frame.index] || [], own: own[frame.index] || frame.verdict});
  Object.assign(NIGHT, record, {followed: true});
  look.stale = true;
  changed("marking");
  if (!look.open) redrawPage();
}

function takeOver(frame, {evidence, shares, ...values}) {
  differing.add(frame.index);
  frame.values = {...frame.values, ...values};
  frame.verdict = frame.values.verdict;
  frame.reasons = frame.values.reasons ? frame.values.reasons.split(";") : [];
  if (evidence) Object.assign(frame, {evidence, shares});
}

// Below the view nothing of the page is seen, so it is drawn anew when the view is left.
function redrawPage() {
  if (!look.stale) return;
  look.stale = false;
  changed("verdicts");
}

// Where no verdict, weight or reason moved, the marks alone are drawn.
const standing = () => JSON.stringify([NIGHT.totals, FRAMES.map((f) => [f.verdict, f.values.reasons, f.values.weight, f.values.explanation])]);
let drawnStanding = standing();

AFTER.verdicts = () => {
  const now = standing();
  if (now === drawnStanding) return AFTER.marks();
  drawnStanding = now;
  const focus = document.activeElement;
  redrawHead();
  byId("filters").replaceChildren();
  startFilters();
  buildTable();
  showMarked();
  markCells();
  drawLine();
  showChoice();
  showPanel();
  showStory();
  if (focus && focus.isConnected) focus.focus({preventScroll: true});
};
