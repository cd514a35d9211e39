// How the night went, what it cost and why, what to do: read before anything else.
function showHead() {
  const totals = NIGHT.totals;
  byId("what").textContent = nightSpan();
  document.title = `Graded night: ${totals.kept} of ${totals.frames} kept`;
  const lost = totals.frames - totals.kept;
  byId("outcome").append(outcomeLine("keep", totals.kept_s, "kept", totals.kept, totals.frames), " ",
    outcomeLine("reject", totals.lost_s, "lost", lost, totals.frames));
  showBalance(totals);
  byId("summary").append(...[typicalText(), stackText()].filter(Boolean).map((text) => make("p", {textContent: text})));
  showGroups();
  if (NIGHT.left_out) byId("remarks").append(make("li", {textContent: `Left out: ${NIGHT.left_out}; subgrade restore with this page's folder brings them back.`}));
  for (const remark of NIGHT.remarks) byId("remarks").append(make("li", {textContent: remark}));
  if (totals.unreadable) {
    byId("remarks").append(make("li", {textContent: `${count(totals.unreadable, "file")} could not be read: ${NIGHT.problems.slice(0, 3).map((p) => `${p.file} (${p.cause})`).join("; ")}${NIGHT.problems.length > 3 ? " …" : ""}`}));
  }
  showAdvice();
  showCauses();
  watchers.push((what) => {
    if (what === "filter") markCauses();
    if (what === "clock") byId("what").textContent = nightSpan();
  });
}

// Time first; frames where the time is not known.
function outcomeLine(name, seconds, told, frames, of) {
  const first = seconds > 0 ? duration(seconds) : frames ? count(frames, "frame") : "nothing";
  const then = seconds > 0 ? `${frames} of ${count(of, "frame")}` : frames ? `of ${of}` : "";
  return make("span", {className: "line"},
    make("strong", {className: name}, make("span", {ariaHidden: "true", textContent: `${SIGN[name]} `}), `${first} ${told}`),
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

function showBalance(totals) {
  const whole = totals.kept_s + totals.lost_s;
  const bar = byId("balance");
  // Without exposure times every file counts alike.
  const kept = whole ? totals.kept_s / whole : totals.kept / Math.max(totals.frames, 1);
  const percent = Math.round(100 * kept);
  bar.setAttribute("aria-label", `${percent}% of the ${whole ? "time" : "files"} kept`);
  const part = (name, share, text) => {
    const piece = make("div", {className: name, textContent: share > 0.12 ? text : ""});
    piece.style.flexGrow = share;
    return piece;
  };
  if (kept > 0) bar.append(part("keep", kept, `${percent}% kept`));
  if (kept < 1) bar.append(part("reject", 1 - kept, `${100 - percent}% lost`));
}

// The diagnosis speaks of the largest group's kept frames, or of all where none was kept.
function typicalText() {
  const typical = NIGHT.diagnosis ? NIGHT.diagnosis.typical : [];
  if (!typical.length) return "";
  const largest = NIGHT.groups.reduce((a, b) => (b.frames > a.frames ? b : a), {frames: 0, kept: 0});
  const told = typical.map((q, k) => {
    const again = k > 0 && typical[k - 1].name === q.name; // the same in another unit
    return (again ? " = " : k ? ", " : "") + (again ? "" : `${q.name} `) + short(q.value, q.unit);
  });
  const whose = `${largest.kept ? "kept " : ""}frames${NIGHT.groups.length > 1 ? " of the largest group" : ""}`;
  return `Median of the ${whose}: ${told.join("")}.`;
}

function stackText() {
  const groups = NIGHT.night.groups;
  const stack = groups.length === 1 ? groups[0].stack : null;
  if (!stack || !stack.kept.frames || stack.kept.frames >= stack.all.frames) return "";
  const gain = Math.round(100 * (stack.kept.snr_over_all - 1));
  const noise = gain > 0 ? `and ${gain}% more signal to noise` : gain < 0 ? `but ${-gain}% less signal to noise` : "and the same signal to noise";
  return `Predicted stack of the kept frames, against one of all: FWHM ${number(stack.kept.fwhm_px, 2, "px")} instead of ${number(stack.all.fwhm_px, 2, "px")}, ${noise}.${weightedText(stack)}`;
}

// Dropping frames makes a stack sharper, weighting them may make it deeper: which is wanted is the person's.
function weightedText(stack) {
  const all = stack.all_weighted;
  if (!all || !(all.snr_over_all > 1.03 * stack.kept.snr_over_all)) return "";
  const gain = Math.round(100 * (all.snr_over_all - 1));
  return ` A stack of all frames, each by its weight, is deeper and less sharp: ${number(all.fwhm_px, 2, "px")}, ${gain}% more signal to noise.`;
}

// With several groups each has its own time: a button shows its frames only.
function showGroups() {
  if (NIGHT.groups.length < 2) return;
  const rows = NIGHT.groups.map((group, k) => {
    const told = NIGHT.night.groups[k];
    const width = told && told.fwhm_kept_px ? told.fwhm_kept_px.median : null;
    return make("tr", {}, make("th", {scope: "row"}, make("button", {type: "button", className: "link", textContent: groupName(group), on: {click: () => filterGroup(k)}})),
      make("td", {className: "figure", textContent: `${group.kept} of ${group.frames}`}),
      make("td", {className: "figure", textContent: told ? duration(told.kept_s) : ""}),
      make("td", {className: "figure", textContent: number(width, 2)}));
  });
  byId("groups").append(make("table", {},
    make("thead", {}, make("tr", {}, ...["group", "kept", "time", "FWHM, px"].map((t, k) => make("th", {scope: "col", className: k ? "figure" : "", textContent: t})))),
    make("tbody", {}, ...rows)));
}

function showAdvice() {
  const list = byId("advice");
  const advice = NIGHT.diagnosis ? NIGHT.diagnosis.advice : [];
  for (const item of advice.slice(0, 3)) {
    const saves = item.saves_s > 0 ? ` saves up to ${duration(item.saves_s)}` : "";
    list.append(make("li", {}, make("b", {textContent: item.action}),
      make("span", {className: "faint", textContent: saves}),
      item.caution ? make("span", {className: "caution", textContent: `⚠ ${item.caution}`}) : null));
  }
  if (!advice.length) list.replaceWith(make("p", {className: "faint", textContent: "Nothing in this night asks for a change."}));
  else list.after(make("a", {className: "more", href: "#story", textContent: advice.length > 3 ? `Why, and ${advice.length - 3} more` : "Why"}));
}

function showCauses() {
  const place = byId("causes");
  const most = Math.max(...NIGHT.causes.map((cause) => cause.lost_s), 1);
  for (const cause of NIGHT.causes) {
    const bar = make("i", {className: "bar"});
    bar.style.width = `${Math.max(3, 100 * cause.lost_s / most)}%`;
    place.append(make("button", {type: "button", className: "cause", data: {reason: cause.reason}, ariaPressed: "false",
      title: `${reasonTitle(cause.reason)} Click: show only these frames.`, on: {click: () => filterReason(cause.reason)}},
      make("span", {className: "name", textContent: reasonText(cause.reason)}),
      make("span", {className: "size", textContent: count(cause.frames, "frame")}),
      make("span", {className: "size", textContent: cause.lost_s > 0 ? duration(cause.lost_s) : "–"}),
      make("span", {className: "track"}, bar)));
  }
  if (!NIGHT.causes.length) place.append(make("p", {textContent: "No frame was lost."}));
}

function markCauses() {
  for (const button of byId("causes").querySelectorAll("button")) {
    button.setAttribute("aria-pressed", String(state.reasons.has(button.dataset.reason)));
  }
}
