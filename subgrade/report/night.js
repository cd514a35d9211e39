// The diagnosis in full, above the frames: the costliest findings, the others folded away.
const FIRST_FINDINGS = 6;
let findings = [];

function showStory() {
  const diagnosis = NIGHT.diagnosis;
  if (!diagnosis || (!diagnosis.findings.length && !diagnosis.notes.length)) {
    byId("story").hidden = true;
    return;
  }
  byId("findings").replaceChildren();
  byId("morefindings").replaceChildren();
  findings = diagnosis.findings.map(findingOf);
  if (diagnosis.notes.length) {
    findings.push(make("article", {className: "finding"}, make("h3", {textContent: "What could not be determined"}),
      make("ul", {}, ...diagnosis.notes.map((note) => make("li", {textContent: note})))));
  }
  const more = findings.length - FIRST_FINDINGS;
  byId("story").querySelector(".rest").hidden = more <= 0;
  byId("story").querySelector(".rest > summary").textContent = count(more, "more finding");
  layStory();
}

// What happened and what to do about it; numbers and reasons are unfolded.
function findingOf(finding) {
  const because = finding.advice.filter((item) => item.because).map((item) => make("p", {textContent: finding.advice.length > 1 ? `${item.action}: ${item.because}` : `Because ${item.because}`}));
  const numbers = finding.numbers.length ? make("p", {className: "faint figures", textContent: finding.numbers.join("; ")}) : null;
  const evidence = finding.evidence.length ? make("ul", {}, ...finding.evidence.map((line) => make("li", {textContent: line}))) : null;
  return make("article", {className: "finding"},
    make("h3", {textContent: finding.topic}),
    make("p", {className: "faint", textContent: [confidenceText(finding.sure), finding.cost_s > 0 ? `cost ${duration(finding.cost_s)}` : ""].filter(Boolean).join(", ")}),
    make("p", {textContent: finding.sentence}),
    ...finding.advice.map((item) => make("p", {className: "do"}, make("b", {textContent: `→ ${item.action}`}),
      item.caution ? make("span", {className: "caution", textContent: `⚠ ${item.caution}`}) : null)),
    spans(finding),
    because.length || numbers || evidence ? make("details", {}, make("summary", {textContent: because.length ? "Why, and how this was worked out" : "How this was worked out"}), ...because, numbers, evidence) : null);
}

const CONFIDENCE = {sure: "high confidence", likely: "fair confidence", possible: "low confidence"};
const confidenceText = (word) => CONFIDENCE[word] || word;

const COLUMN_PX = 330;

// Each finding goes below the shortest column.  The columns then stay, so that unfolding moves
// nothing but what stands below.
function layStory() {
  layFindings(byId("findings"), findings.slice(0, FIRST_FINDINGS));
  if (byId("story").querySelector(".rest").open || onPaper()) layFindings(byId("morefindings"), findings.slice(FIRST_FINDINGS));
}

function layFindings(place, articles) {
  const many = Math.max(1, Math.min(4, Math.floor(place.clientWidth / COLUMN_PX)));
  if (place.childElementCount === many) return;
  const columns = Array.from({length: many}, () => make("div", {className: "column"}));
  place.replaceChildren(...columns);
  for (const article of articles) {
    const lowest = columns.reduce((a, b) => (b.offsetHeight < a.offsetHeight ? b : a));
    lowest.append(article);
  }
}

function spans(finding) {
  if (!finding.spans.length) return null;
  const row = make("p", {className: "spans"});
  for (const span of finding.spans.slice(0, 12)) {
    const first = FRAMES.find((f) => f.name === span.first_frame);
    const name = shortName(span.first_frame);
    const text = span.frames === 1 ? name : `${name} and ${span.frames - 1} more`;
    row.append(make("button", {type: "button", className: "link", title: span.first_frame, textContent: `${isoClock(span.start_utc)} ${text}`.trim(),
      on: {click: () => first && walkTo(first.index)}}));
  }
  if (finding.spans.length > 12) row.append(make("span", {className: "faint", textContent: ` and ${finding.spans.length - 12} more`}));
  return row;
}

// Below the lanes of guiding, or in their place: what was understood of the records, or why nothing.
function showGuiding() {
  const guiding = NIGHT.guiding, lines = [];
  if (guiding && guiding.used) {
    const held = FRAMES.filter((f) => known(f.group)).length;
    const rms = guidingText();
    lines.push(["faint", `Guiding record ${guiding.file}: ${clockOf(guiding)}covers ${guiding.exposures_covered === held && held > 1 ? "all" : `${guiding.exposures_covered} of`} ${count(held, "frame")}${rms ? `; ${rms}, median of the kept frames` : ""}.`]);
  } else if (guiding) {
    lines.push(["", `Guiding record ${guiding.file} not used: ${guiding.clock.text ? `its clock offset is ambiguous: ${guiding.clock.text} fit about equally well` : guiding.clock.how}.`]);
  }
  for (const {file, cause} of NIGHT.unused_records) lines.push(["", `Guiding record ${file} not used: ${cause}.`]);
  byId("guiding").append(...lines.map(([className, textContent]) => make("p", {className, textContent})));
}

// A whole number of hours reads as such; any other clock as the results give it.
function clockOf(guiding) {
  const hours = guiding.clock.zone_hours;
  if (!known(hours)) return guiding.clock.text ? `${guiding.clock.text}; ` : "";
  if (!hours) return "the record's clock is UTC; ";
  return `the record's clock is ${Number(Math.abs(hours).toFixed(2))} h ${hours > 0 ? "ahead of" : "behind"} UTC; `;
}

function showFoot() {
  const parts = [`Folder ${NIGHT.folder}.`, `Written ${NIGHT.written_utc.slice(0, 16).replace("T", " ")} UTC by ${NIGHT.program.name} ${NIGHT.program.version}.`];
  byId("foot").textContent = parts.join(" ");
}
