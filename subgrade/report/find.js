// Find: words in names, explanations, reasons (word and phrase) and the numbers that bear on a frame.
const searched = new WeakMap(); // texts by a frame's values, made when they are first asked for

function textOf(frame) {
  const v = frame.values; // another object where a verdict follows a mark
  if (!searched.has(v)) {
    const held = frame.evidence.filter((e) => e.decided || (e.points > 0 && frame.reasons.includes(e.reason))).map((e) => e.quantity);
    const parts = [frame.name, v.target, v.filter, VERDICT_TEXT[frame.verdict], v.explanation, ...frame.reasons, ...frame.reasons.map(reasonText), ...held, ...frame.notes];
    searched.set(v, parts.filter(Boolean).join("\n").toLowerCase());
  }
  return searched.get(v);
}

// Every word must be there, in any order; words in quotation marks stay together.
const wordsOf = (text) => [...text.toLowerCase().matchAll(/"([^"]+)"?|[^\s"]+/g)].map((m) => m[1] || m[0]);

const found = (frame) => state.find.every((word) => textOf(frame).includes(word));

function showFound() {
  const n = FRAMES.filter((f) => fits(f)).length;
  byId("found").textContent = !state.find.length ? "" : n ? `${n} found` : "none found";
}

function startFind() {
  const box = byId("find");
  box.addEventListener("input", () => {
    state.find = wordsOf(box.value);
    changed("filter");
  });
  box.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    event.preventDefault(); // the browser's own clearing tells nobody
    event.stopPropagation();
    if (!box.value) return leaveFind();
    box.value = "";
    state.find = [];
    changed("filter");
  });
}

// Back to the selected frame's row, so that the keys walk on from there.
function leaveFind() {
  const row = rows[state.selected] && rowOf(state.selected);
  if (row && row.isConnected) row.querySelector(".link").focus({preventScroll: true});
  else byId("find").blur();
}
