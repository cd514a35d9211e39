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
  Object.assign(NIGHT, answer.record || {}, {followed: true});
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

AFTER.verdicts = () => {
  const focus = document.activeElement;
  drawHead();
  redrawAdvice();
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

// The list is replaced where there is nothing to change, so its place is made anew.
function redrawAdvice() {
  const place = document.querySelector("#head .next");
  place.replaceChildren(place.querySelector("h2"), make("ol", {id: "advice"}));
  showAdvice();
}
