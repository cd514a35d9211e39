// Why: each number against its limit; how the cause was weighed folded below.

// What decided first, the farthest beyond its limit; then the nearest to theirs.
function gaugesOf(frame) {
  const pieces = frame.evidence.filter((e) => e.bar);
  if (!pieces.length) return null;
  const order = (a, b) => Boolean(b.decided) - Boolean(a.decided) || nearness(b.bar) - nearness(a.bar);
  return make("section", {className: "against", ariaLabel: "Numbers against their limits"},
    make("ul", {className: "gauges"}, ...pieces.sort(order).map(gauge)),
    make("p", {className: "key faint", ariaHidden: "true"}, make("i", {className: "swatch hatch"}), " beyond the limit  ", make("i", {className: "dots"}), " typical"));
}

// How far a number is on its way to the limit; at 1 it is there.
function nearness({value, limit, less_is_worse: falls}) {
  if (!known(limit)) return Infinity;
  return falls ? limit / Math.max(value, 1e-9) : value / Math.max(limit, 1e-9);
}

// Value, typical value and limit on one scale from 0; a sign and hatching say what the colour does.
function gauge(e) {
  const {value, usual: typical, limit, less_is_worse: falls, beyond} = e.bar;
  const end = 1.12 * Math.max(...[value, typical, limit].filter(known), 1e-9);
  const at = (v) => `${(100 * Math.min(1, Math.max(0, v / end))).toFixed(2)}%`;
  const part = (className, style) => {
    const piece = make("i", {className});
    Object.assign(piece.style, style);
    return piece;
  };
  const track = make("span", {className: "track"},
    known(limit) ? part("past", falls ? {left: 0, width: at(limit), borderRightWidth: "2px"} : {left: at(limit), right: 0, borderLeftWidth: "2px"}) : null,
    part("reach", {width: at(value)}), known(typical) ? part("typical", {left: at(typical)}) : null, part("tip", {left: at(value)}));
  const sign = e.decided ? SIGN.reject : beyond ? "○" : SIGN.keep;
  return make("li", {className: `gauge ${e.decided || beyond ? "reject" : "keep"}${e.decided ? " decided" : ""}`, title: e.text || ""},
    make("span", {className: "unseen", textContent: gaugeSentence(e)}),
    make("span", {className: "what", ariaHidden: "true", textContent: e.quantity}),
    make("span", {className: "says", ariaHidden: "true"}, `${sign} `, make("b", {textContent: e.value}), make("span", {className: "faint", textContent: e.limit ? ` ${beyond ? (falls ? "below" : "above") : "limit"} ${e.limit}` : typicalBeside(e, " ")})),
    make("span", {className: "scale", ariaHidden: "true"}, track));
}

function typicalBeside({usual: text}, before = "") {
  return text ? `${before}typical ${text}` : "";
}

function gaugeSentence(e) {
  const {beyond} = e.bar;
  const parts = [`${e.quantity} ${e.value}`, e.limit ? `${beyond ? "beyond its limit" : "within its limit"} ${e.limit}` : "", typicalBeside(e), e.decided ? "decided the verdict" : ""];
  return `${parts.filter(Boolean).join(", ")}. `;
}

const MOST_EVIDENCE = 10;
const opened = new Map(); // what the reader unfolded stays so from frame to frame

function folding(key, open, text, ...content) {
  return make("details", {open: opened.has(key) ? opened.get(key) : open, on: {toggle: (event) => {
    if (event.target.open !== open || opened.has(key)) opened.set(key, event.target.open);
  }}}, make("summary", {textContent: text, data: {hold: key}}), ...content);
}

// What decided stands first, then by points; what bears on one reason stands together.
function evidenceOf(frame) {
  if (!frame.evidence.length) return null;
  const pieces = [...frame.evidence].sort((a, b) => Boolean(b.decided) - Boolean(a.decided) || Math.abs(b.points) - Math.abs(a.points));
  const rest = pieces.slice(MOST_EVIDENCE);
  return folding("evidence", false, `All evidence, with points${Object.keys(frame.shares).length ? " and the share of each cause" : ""}`,
    make("p", {className: "faint", textContent: "Points: + supports the reason, − counts against it."}), evidenceTable(frame, pieces.slice(0, MOST_EVIDENCE)),
    rest.length ? folding("further", false, count(rest.length, "more measurement", "more measurements"), evidenceTable(frame, rest)) : null);
}

function evidenceTable(frame, pieces) {
  const title = (word) => reasonText(word) + (frame.shares[word] ? ` (${frame.shares[word]})` : "");
  const words = [...new Set(pieces.map((e) => e.reason))];
  const part = (word) => make("tbody", {}, make("tr", {}, make("th", {scope: "rowgroup", colSpan: 5, title: reasonTitle(word), textContent: title(word)})),
    ...pieces.filter((e) => e.reason === word).map(evidenceRow));
  return make("div", {className: "wide"}, make("table", {className: "evidence"},
    make("thead", {}, make("tr", {}, ...["measurement", "value", "compare with", "limit", "points"].map((t, k) => make("th", {scope: "col", className: k ? "figure" : "", textContent: t})))),
    ...words.map(part)));
}

function evidenceRow(e) {
  return make("tr", {title: e.text || ""}, make("td", {textContent: e.quantity}),
    ...["value", "usual", "limit"].map((n) => make("td", {className: "figure", textContent: e[n] || ""})),
    make("td", {className: "figure", textContent: `${e.points > 0 ? "+" : e.points < 0 ? "−" : ""}${Math.abs(e.points).toFixed(1)}`}));
}
