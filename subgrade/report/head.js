// How the night went, what it cost and why, what to do: read before anything else.
function showHead() {
  const totals = NIGHT.totals;
  const groups = NIGHT.groups.map((group) => group.label);
  byId("what").textContent = [nightSpan(), groups.slice(0, 4).join(" · ") + (groups.length > 4 ? ` · and ${groups.length - 4} more` : "")]
    .filter(Boolean).join(" — ");
  document.title = `Graded night: ${totals.kept} of ${totals.frames} kept`;
  byId("outcome").append(
    make("strong", {className: "keep", textContent: `${SIGN.keep} ${duration(totals.kept_s)} kept`}),
    make("span", {textContent: ` ${totals.kept} of ${count(totals.frames, "file")}`}),
    make("strong", {className: "reject", textContent: `${SIGN.reject} ${duration(totals.lost_s)} lost`}));
  showBalance(totals);
  byId("summary").textContent = typicalText();
  for (const remark of NIGHT.remarks) byId("remarks").append(make("li", {textContent: remark}));
  if (totals.unreadable) {
    byId("remarks").append(make("li", {textContent: `${count(totals.unreadable, "file")} could not be read: ${NIGHT.problems.slice(0, 3).map((p) => `${p.file} (${p.cause})`).join("; ")}${NIGHT.problems.length > 3 ? " …" : ""}`}));
  }
  showAdvice();
  showCauses();
  watchers.push((what) => what === "filter" && markCauses());
}

function nightSpan() {
  if (!TIMED.length) return "no times in the headers";
  const starts = TIMED.map((frame) => frame.start_unix);
  const ends = TIMED.map((frame) => frame.start_unix + (frame.elapsed_s || 0));
  const first = new Date(Math.min(...starts) * 1000).toISOString();
  const last = new Date(Math.max(...ends) * 1000).toISOString();
  const day = first.slice(0, 10) === last.slice(0, 10) ? "" : `${last.slice(0, 10)} `;
  return `${first.slice(0, 10)} ${first.slice(11, 16)} to ${day}${last.slice(11, 16)} UTC`;
}

function showBalance(totals) {
  const whole = totals.kept_s + totals.lost_s;
  const bar = byId("balance");
  // Without exposure times every file counts alike.
  const kept = whole ? totals.kept_s / whole : totals.kept / Math.max(totals.frames, 1);
  bar.setAttribute("aria-label", `${Math.round(100 * kept)} per cent kept`);
  const part = (name, share) => {
    const piece = make("div", {className: name, textContent: share > 0.07 ? `${Math.round(100 * share)}%` : ""});
    piece.style.flexGrow = share;
    return piece;
  };
  if (kept > 0) bar.append(part("keep", kept));
  if (kept < 1) bar.append(part("reject", 1 - kept));
}

function typicalText() {
  const diagnosis = NIGHT.diagnosis;
  const parts = [];
  if (diagnosis && diagnosis.typical.length) {
    const told = diagnosis.typical.map((q, k, all) => {
      const again = k > 0 && all[k - 1].name === q.name; // the same in another unit
      return (again ? " = " : k ? ", " : "") + (again ? "" : `${q.name} `) + short(q.value, q.unit);
    });
    parts.push(`Usual ${told.join("")}.`);
  }
  const stack = NIGHT.night.groups.map((group) => group.stack).find((s) => s && s.kept.frames && s.kept.frames < s.all.frames);
  if (stack && NIGHT.night.groups.length === 1) {
    parts.push(`Stack of the kept, predicted: FWHM ${number(stack.kept.fwhm_px)} px (of all ${number(stack.all.fwhm_px)}), S/N ${number(stack.kept.snr_over_all)} of the stack of all.`);
  }
  return parts.join(" ");
}

function showAdvice() {
  const list = byId("advice");
  const advice = NIGHT.diagnosis ? NIGHT.diagnosis.advice : [];
  for (const item of advice.slice(0, 3)) {
    const saves = item.saves_s > 0 ? `(up to ${duration(item.saves_s)})` : "";
    list.append(make("li", {title: item.because}, make("b", {textContent: item.action}), " ",
      make("span", {className: "faint", textContent: saves}),
      item.caution ? make("span", {className: "caution", textContent: `⚠ ${item.caution}`}) : null));
  }
  if (!advice.length) list.replaceWith(make("p", {className: "faint", textContent: "Nothing in this night asks for a change."}));
  else if (advice.length > 3) list.after(make("a", {href: "#story", textContent: `${advice.length - 3} more below`}));
}

function showCauses() {
  const place = byId("causes");
  const most = Math.max(...NIGHT.causes.map((cause) => cause.lost_s), 1);
  for (const cause of NIGHT.causes) {
    const bar = make("i", {className: "bar"});
    bar.style.width = `${Math.max(3, 100 * cause.lost_s / most)}%`;
    place.append(make("button", {type: "button", className: "cause", data: {reason: cause.reason},
      title: `${cause.text}. ${(NIGHT.reasons[cause.reason] || {}).long || ""}`, on: {click: () => filterReason(cause.reason)}},
      make("span", {className: "name", textContent: cause.reason.replace(/_/g, " ")}),
      make("span", {className: "size", textContent: `${cause.frames} × · ${duration(cause.lost_s)}`}),
      make("span", {className: "track"}, bar)));
  }
  if (!NIGHT.causes.length) place.append(make("p", {textContent: "No frame was lost."}));
}

function markCauses() {
  for (const button of byId("causes").querySelectorAll("button")) {
    button.setAttribute("aria-pressed", String(state.reasons.has(button.dataset.reason)));
  }
}

function filterReason(word) {
  if (state.reasons.has(word)) state.reasons.delete(word);
  else state.reasons.add(word);
  changed("filter");
}
