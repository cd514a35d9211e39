// The page follows the marks: verdicts, totals, causes and curves as the server now has them.
const SERVED = FRAMES.map((frame) => ({values: frame.values, verdict: frame.verdict, reasons: frame.reasons, evidence: frame.evidence, notes: frame.notes}));
const differing = new Set();

function followState(answer) {
  marking.answer = answer;
  state.marks = {};
  for (const [index, word] of Object.entries(answer.marks || {})) if (FRAMES[index] && word) state.marks[FRAMES[index].name] = word;
  for (const index of differing) Object.assign(FRAMES[index], SERVED[index]);
  differing.clear();
  for (const [index, now] of Object.entries(answer.changed || {})) if (FRAMES[index]) takeOver(FRAMES[index], now);
  Object.assign(NIGHT, answer.record || {});
  look.stale = true;
  changed("marking");
  if (!look.open) redrawPage();
}

function takeOver(frame, {values = {}, evidence, notes, shares, ...now}) {
  differing.add(frame.index);
  frame.values = {...frame.values, ...now, ...values};
  frame.verdict = frame.values.verdict;
  const words = frame.values.reasons;
  frame.reasons = Array.isArray(words) ? words : words ? words.split(";") : [];
  frame.values.reasons = frame.reasons.join(";");
  if (evidence) frame.evidence = evidence;
  if (notes) frame.notes = notes;
}

// Below the view nothing of the page is seen, so it is drawn anew when the view is left.
function redrawPage() {
  if (!look.stale) return;
  look.stale = false;
  changed("verdicts");
}

AFTER.verdicts = () => {
  const focus = document.activeElement;
  for (const id of ["outcome", "balance", "summary", "groups", "remarks", "causes"]) byId(id).replaceChildren();
  drawHead();
  byId("filters").replaceChildren();
  startFilters();
  buildTable();
  showMarked();
  markCells();
  drawLine();
  showPanel();
  if (focus && focus.isConnected) focus.focus({preventScroll: true});
};
