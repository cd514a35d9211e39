// How the night went, what it cost and why, what to do: read before anything else.
function showHead() {
  drawHead();
  showAdvice();
  watchers.push((what) => {
    if (what === "filter") markCauses();
    if (what === "clock") byId("what").textContent = nightSpan();
  });
}

const OF_THE_HEAD = ["lead", "outcome", "balance", "apart", "changed", "summary", "groups", "remarks", "causes"];

// Where a server judges anew after a mark.
function redrawHead() {
  for (const id of OF_THE_HEAD) byId(id).replaceChildren();
  drawHead();
  const next = document.querySelector("#head .next"); // its list is replaced where there is nothing to change
  next.replaceChildren(next.querySelector("h2"), make("ol", {id: "advice"}));
  showAdvice();
}

// What may change with the person's marks.
function drawHead() {
  const totals = NIGHT.totals, {lost_s: lostTime, lost_frames: lost, apart} = NIGHT.headline;
  byId("what").textContent = nightSpan();
  document.title = `Graded night: ${totals.kept} of ${totals.frames} kept`;
  showLead();
  byId("outcome").append(outcomeLine("keep", totals.kept_s, "kept", totals.kept, totals.frames), " ",
    outcomeLine("reject", lostTime, "lost", lost, totals.frames));
  for (const row of apart) byId("apart").append(make("p", {className: "faint", textContent: `${count(row.frames, "frame")}${row.lost_s > 0 ? ` (${duration(row.lost_s)})` : ""} ${row.text}.`}));
  showBalance(totals.kept_s, lostTime, apart.reduce((all, row) => all + row.lost_s, 0), totals, lost);
  const guiding = guidingText();
  byId("summary").append(...[typicalText(), guiding && `${guiding[0].toUpperCase()}${guiding.slice(1)}, median of the kept frames.`].filter(Boolean).map((text) => make("p", {textContent: text})));
  showGroups();
  for (const text of NIGHT.by_your_marks) byId("changed").append(make("li", {textContent: text}));
  if (NIGHT.left_out) byId("remarks").append(make("li", {textContent: `Left out: ${NIGHT.left_out}. To bring them back: subgrade restore, with the folder of this page.`}));
  for (const remark of NIGHT.remarks) byId("remarks").append(make("li", {textContent: remark}));
  if (totals.unreadable) {
    byId("remarks").append(make("li", {textContent: `${count(totals.unreadable, "file")} could not be graded: ${NIGHT.problems.slice(0, 3).map((p) => `${p.file} (${p.cause})`).join("; ")}${NIGHT.problems.length > 3 ? " …" : ""}`}));
  }
  showCauses();
}

const MOST_ADVICE = 3;

// What took most of what was lost, and what to do first against it; "first" only of what leads the list below.
function showLead() {
  const {sentence, first, first_of_all: ofAll} = NIGHT.headline, lead = byId("lead");
  lead.append(make("span", {textContent: `${sentence} `}));
  if (!first || !NIGHT.totals.frames) return;
  // its caution stands below with the advice, unless that is not among the first
  const below = NIGHT.diagnosis.advice.slice(0, MOST_ADVICE).some((item) => item.action === first.action);
  lead.append(make("span", {className: "first"}, make("span", {className: "faint", textContent: ofAll ? "First: " : "Against this: "}), make("a", {href: "#story", textContent: first.action}), ".",
    first.caution && !below ? make("span", {className: "caution", textContent: `⚠ ${first.caution}`}) : null));
}

// Time first; frames where the time is not known.
function outcomeLine(name, seconds, word, frames, of) {
  const first = seconds > 0 ? duration(seconds) : frames ? count(frames, "frame") : "nothing";
  const then = seconds > 0 ? `${frames} of ${count(of, "frame")}` : frames ? `of ${of}` : "";
  return make("span", {className: "line"},
    make("strong", {className: name}, make("span", {ariaHidden: "true", textContent: `${SIGN[name]} `}), `${first} ${word}`),
    " ", make("span", {textContent: then}));
}

function nightSpan() {
  const label = NIGHT.groups.length === 1 ? NIGHT.groups[0].label : [SHARED, NIGHT.groups.length ? `${NIGHT.groups.length} groups` : ""].filter(Boolean).join(" · ");
  if (!TIMED.length) return [label, "no times in the headers"].filter(Boolean).join(" · ");
  const first = clockText(Math.min(...TIMED.map((frame) => frame.start_unix)), true);
  const last = clockText(Math.max(...TIMED.map((frame) => frame.start_unix + (frame.elapsed_s || 0))), true);
  const day = first.slice(0, 10) === last.slice(0, 10) ? "" : `${last.slice(0, 10)} `;
  return [`${first.slice(0, 10)}, ${first.slice(11, 16)} to ${day}${last.slice(11, 16)} ${clockName()}`, label].filter(Boolean).join(" · ");
}

// Kept, left out by choice or unreadable, lost; without exposure times every file counts alike.
function showBalance(keptTime, lostTime, apartTime, totals, lost) {
  const timed = keptTime + lostTime + apartTime > 0;
  const sizes = timed ? [keptTime, apartTime, lostTime] : [totals.kept, totals.frames - totals.kept - lost, lost];
  const whole = sizes.reduce((a, b) => a + b, 0) || 1;
  const percent = Math.round(100 * sizes[0] / whole), lostPercent = sizes[1] ? Math.round(100 * sizes[2] / whole) : 100 - percent;
  byId("balance").setAttribute("aria-label", `${percent}% of the ${timed ? "time" : "files"} kept, ${lostPercent}% lost`);
  [["keep", `${percent}% kept`], ["other", `${100 - percent - lostPercent}%`], ["reject", `${lostPercent}% lost`]].forEach(([name, text], k) => {
    const share = sizes[k] / whole;
    if (!share) return;
    const piece = make("div", {className: name, textContent: share > 0.12 ? text : ""});
    piece.style.flexGrow = share;
    byId("balance").append(piece);
  });
}

// The diagnosis gives medians of the largest group's kept frames, or of all where none was kept.
function typicalText() {
  const parts = [];
  const shown = (NIGHT.diagnosis ? NIGHT.diagnosis.typical : []).filter((q) => [LOOK.fwhm_px.label, LOOK.eccentricity.label].includes(q.name));
  for (const name of new Set(shown.map((q) => q.name))) {
    // on the sky first, pixels behind it
    const [first, ...others] = shown.filter((q) => q.name === name).sort((a, b) => (b.unit === "″") - (a.unit === "″"));
    const same = others.map((q) => ` (${short(q.value, q.unit)})`).join("");
    parts.push(`${name} ${short(first.value, first.unit)}${same}`);
  }
  const largest = NIGHT.groups.reduce((a, b) => (b.frames > a.frames ? b : a), {frames: 0, kept: 0});
  if ((largest.kept || largest.frames) === 1) return parts.length ? `${parts.join(", ").replace(LOOK.fwhm_px.label, `${LOOK.fwhm_px.label} of the ${largest.kept ? "kept " : ""}frame`)}.` : "";
  const whose = `${largest.kept ? "kept " : ""}frames${NIGHT.groups.length > 1 ? " of the largest group" : ""}`;
  return parts.length ? `Median of the ${whose}: ${parts.join(", ")}.` : "";
}

// One guiding RMS of the night on every screen: the median over the kept frames.
function guidingText() {
  const names = axisNames();
  const parts = NIGHT.guiding_rms.flatMap((rms, k) => (known(rms) ? [`${names[k]} ${number(rms, 2, "″")}`] : []));
  return parts.length ? `guiding RMS ${parts.join(", ")}` : "";
}

const axisNames = () => (NIGHT.guiding && NIGHT.guiding.axes === "xy" ? ["x", "y"] : ["RA", "Dec"]);

// With several groups each has its own time: a button shows its frames only.
function showGroups() {
  if (NIGHT.groups.length < 2) return;
  const scales = NIGHT.groups.map((_, k) => scaleOf(FRAMES.filter((f) => f.group === k)));
  const onSky = scales.every(Boolean);
  const rows = NIGHT.groups.map((group, k) => {
    const summary = NIGHT.night.groups[k];
    const width = summary && summary.fwhm_kept_px ? summary.fwhm_kept_px.median : null;
    return make("tr", {}, make("th", {scope: "row"}, make("button", {type: "button", className: "link", textContent: groupName(group), on: {click: () => filterGroup(k)}})),
      make("td", {className: "figure", textContent: `${group.kept} of ${group.frames}`}),
      make("td", {className: "figure", textContent: summary ? duration(summary.kept_s) : ""}),
      make("td", {className: "figure", textContent: number(known(width) && onSky ? width * scales[k] : width, 2)}));
  });
  const heads = ["group", "kept", "time", `FWHM ${onSky ? "″" : "px"}`];
  byId("groups").append(make("table", {},
    make("thead", {}, make("tr", {}, ...heads.map((text, k) => make("th", {scope: "col", className: k ? "figure" : "", title: k === 3 ? "median of the kept frames" : "", textContent: text})))),
    make("tbody", {}, ...rows)));
}

function showAdvice() {
  const list = byId("advice");
  const advice = NIGHT.diagnosis ? NIGHT.diagnosis.advice : [];
  for (const item of advice.slice(0, MOST_ADVICE)) {
    const saves = item.saves ? ` (${item.saves})` : "";
    list.append(make("li", {}, make("b", {textContent: item.action}),
      make("span", {className: "faint", textContent: saves}),
      item.caution ? make("span", {className: "caution", textContent: `⚠ ${item.caution}`}) : null));
  }
  if (!advice.length) list.replaceWith(make("p", {className: "faint", textContent: "Nothing to change."}));
  else list.after(make("a", {className: "more", href: "#story", textContent: advice.length > MOST_ADVICE ? `Why, and ${advice.length - MOST_ADVICE} more` : "Why"}));
}

// What was no loss of the night stands last and has no bar.
function showCauses() {
  const place = byId("causes"), apart = NIGHT.headline.apart.map((row) => row.reason);
  const lost = NIGHT.causes.filter((cause) => !apart.includes(cause.reason));
  const most = Math.max(...lost.map((cause) => cause.lost_s), 1);
  for (const cause of [...lost, ...NIGHT.causes.filter((c) => apart.includes(c.reason))]) {
    const bar = make("i", {className: "bar"});
    bar.style.width = `${Math.max(3, 100 * cause.lost_s / most)}%`;
    place.append(make("button", {type: "button", className: `cause${apart.includes(cause.reason) ? " apart" : ""}`, data: {reason: cause.reason}, ariaPressed: "false",
      title: `${reasonTitle(cause.reason)} Click: show only these frames.`, on: {click: () => filterReason(cause.reason)}},
      make("span", {className: "name", textContent: reasonText(cause.reason)}),
      make("span", {className: "size", textContent: count(cause.frames, "frame")}),
      make("span", {className: "size", textContent: cause.lost_s > 0 ? duration(cause.lost_s) : "–"}),
      apart.includes(cause.reason) ? null : make("span", {className: "track"}, bar)));
  }
  if (!lost.length) place.prepend(make("p", {textContent: "No frame was lost."}));
}

function markCauses() {
  for (const button of byId("causes").querySelectorAll("button")) {
    button.setAttribute("aria-pressed", String(state.reasons.has(button.dataset.reason)));
  }
}
