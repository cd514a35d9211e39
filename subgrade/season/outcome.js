// The season at a glance: what was kept, what the stacks give, what to leave out.
const MOST_VERDICTS = 6;

function showOutcome() {
  const kept = sum(NIGHTS.map((n) => n.kept_s)), lost = sum(NIGHTS.map((n) => n.lost_s));
  const frames = sum(NIGHTS.map((n) => n.frames)), good = sum(NIGHTS.map((n) => n.kept));
  byId("what").textContent = whatText(frames);
  document.title = `${count(evenings(), "graded night")}: ${duration(kept)} kept`;
  const line = (name, text, word, more) => make("span", {className: "line"}, make("strong", {className: name}, make("span", {ariaHidden: "true", textContent: `${SIGN[name]} `}), `${text} ${word}`), " ", make("span", {textContent: more}));
  byId("outcome").append(line("keep", duration(kept), "kept", `${good} of ${count(frames, "frame")}`), ...(lost > 0 ? [" ", line("reject", duration(lost), "lost", "")] : []));
  showBalance(kept, lost);
  const [first, ...rest] = SEASON.summary;
  byId("lead").textContent = plainDates(first);
  byId("summary").append(...rest.map((text) => make("p", {textContent: plainDates(text)})));
  if (SEASON.problems.length) byId("left-out").append(make("a", {href: "#problems", textContent: `${count(SEASON.problems.length, "folder or frame", "folders and frames")} not used, and why`}));
}

function whatText(frames) {
  const targets = new Set(STACKS.map((s) => s.target)), filters = new Set(STACKS.map((s) => s.filter).filter(known));
  const days = NIGHTS.filter((n) => n.day), names = days.length ? [dateName(days[0].day), dateName(days[days.length - 1].day)] : [];
  const span = names.length && names[0] !== names[1] ? `${names[0]} to ${names[1]}` : names[0] || "no dates in the headers";
  const what = targets.size === 1 ? STACKS[0].target || "no target" : count(targets.size, "target");
  return [count(evenings(), "night"), span, what, filters.size > 1 ? count(filters.size, "filter") : "", frames ? "" : "no frames"].filter(Boolean).join(" · ");
}

function showBalance(kept, lost) {
  const whole = kept + lost, place = byId("balance");
  if (!whole) {
    place.hidden = true;
    return;
  }
  place.setAttribute("aria-label", `${percent(kept / whole)} of the time kept`);
  for (const [name, part, word] of [["keep", kept, "kept"], ["reject", lost, "lost"]]) {
    if (!part) continue;
    const piece = make("div", {className: name, textContent: part / whole > 0.12 ? `${percent(part / whole)} ${word}` : ""});
    piece.style.flexGrow = part / whole;
    place.append(piece);
  }
}

function showHours() {
  const heads = [{text: "target, filter"}, {text: "kept", figure: true}, {text: "lost", figure: true},
    {text: "stack's FWHM", figure: true, title: "expected of the weighted stack of all nights"}, {text: "S/N", figure: true, title: "of a faint star, over that of the best frame alone"},
    {text: "nights", figure: true}, {text: "exposures", figure: true}];
  tableOf(byId("hours"), heads, STACKS.map((stack) => [
    make("button", {type: "button", className: "link", title: "Show only this stack", textContent: stack.label, on: {click: () => chooseStack(stack.index)}}),
    timeText(stack.kept_s), timeText(stack.lost_s), number(stack.fwhm, 2, stack.unit), known(stack.snr) ? `×${figure(stack.snr)}` : "–", String(stack.nights), exposures(stack)]));
  const order = [...STACKS].sort((a, b) => (b.poorest >= 0) - (a.poorest >= 0));
  const items = order.filter((stack) => stack.verdict).map((stack) => make("li", {className: stack.poorest >= 0 ? "leave" : ""}, make("b", {textContent: `${stack.label}: `}), plainDates(stack.verdict)));
  byId("verdicts").append(...items.slice(0, MOST_VERDICTS));
  if (items.length > MOST_VERDICTS) byId("verdicts").after(make("details", {}, make("summary", {textContent: count(items.length - MOST_VERDICTS, "more stack")}), make("ul", {className: "verdicts"}, ...items.slice(MOST_VERDICTS))));
}

function chooseStack(index) {
  state.stack = index;
  byId("stack").value = index === null ? "" : String(index);
  changed("stack");
}
