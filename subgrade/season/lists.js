// Losses by reason, advice, the table of nights, what ties them, and how it is worked out.
const NIGHT_COLUMNS = [
  {key: "order", text: "night", of: (n) => n.index, node: (n) => (n.link ? make("a", {href: n.link, textContent: nightName(n), title: `The page of this night, in ${n.folder}`}) : nightName(n))},
  {key: "what", text: "taken", of: (n) => n.series.map((s) => s.label).join(", "), node: (n) => whatOfNight(n)},
  {key: "frames", text: "kept", figure: true, of: (n) => n.kept, node: (n) => `${n.kept} of ${n.frames}`},
  {key: "kept_s", text: "time kept", figure: true, of: (n) => n.kept_s, node: (n) => timeText(n.kept_s), bar: true},
  {key: "lost_s", text: "lost", figure: true, of: (n) => n.lost_s, node: (n) => timeText(n.lost_s), bar: true},
  {key: "fwhm", text: "FWHM, ″", figure: true, of: (n) => n.fwhm, node: (n) => number(n.fwhm, 2), bar: true},
  {key: "clear", text: "clear level", title: "starlight on clear frames against the clearest night, equal setup and exposure", figure: true, of: (n) => clearOf(n), node: (n) => number(clearOf(n), 2), bar: true},
  {key: "ra", text: "RMS RA, ″", figure: true, of: (n) => n.rms[0], node: (n) => number(n.rms[0], 2)},
  {key: "dec", text: "RMS Dec, ″", figure: true, of: (n) => n.rms[1], node: (n) => number(n.rms[1], 2)},
  {key: "reason", text: "lost most to", of: (n) => (lossesOf(n.index)[0] || {text: null}).text, node: (n) => (lossesOf(n.index)[0] || {text: "–"}).text},
];

const clearOf = (night) => night.series.map((s) => s.clear).filter(known).sort((a, b) => b - a)[0];

function whatOfNight(night) {
  const labels = [...new Set(STACKS.filter((stack) => partOf(stack, night.index)).map((stack) => stack.label))];
  return labels.length > 4 ? `${labels.slice(0, 3).join(", ")} and ${labels.length - 3} more` : labels.join(", ") || "–";
}

function sortedNights() {
  const column = NIGHT_COLUMNS.find((c) => c.key === state.sort), way = state.down ? -1 : 1;
  return [...NIGHTS].sort((a, b) => {
    const p = column.of(a), q = column.of(b);
    if (!known(p) || !known(q)) return known(q) - known(p) || a.index - b.index;
    return way * (typeof p === "string" ? p.localeCompare(q, undefined, {numeric: true}) : p - q) || a.index - b.index;
  });
}

function showNights() {
  const table = byId("table");
  table.tHead.replaceChildren(make("tr", {}, ...NIGHT_COLUMNS.map((column) => make("th", {scope: "col", className: column.figure ? "figure" : "", title: column.title || "", ariaSort: state.sort === column.key ? (state.down ? "descending" : "ascending") : "none"},
    make("button", {type: "button", data: {hold: column.key}, textContent: column.text + (state.sort === column.key ? (state.down ? " ▼" : " ▲") : ""), on: {click: () => sortBy(column.key)}})))));
  const largest = Object.fromEntries(NIGHT_COLUMNS.filter((c) => c.bar).map((c) => [c.key, Math.max(...NIGHTS.map(c.of).filter(known), 0)]));
  table.tBodies[0].replaceChildren(...sortedNights().map((night) => make("tr", {data: {night: night.index}, on: {click: (event) => !event.target.closest("a") && choose(night.index)}}, ...NIGHT_COLUMNS.map((column, k) => {
    const cell = make(k ? "td" : "th", {className: column.figure ? "figure" : ""}, column.node(night));
    if (!k) cell.scope = "row";
    const value = column.bar ? column.of(night) : null;
    if (known(value) && largest[column.key] > 0) {
      cell.classList.add("barred");
      cell.style.setProperty("--part", `${Math.round(100 * value / largest[column.key])}%`);
    }
    return cell;
  }))));
  markRow();
}

function markRow() {
  for (const row of byId("table").tBodies[0].rows) {
    const chosen = Number(row.dataset.night) === state.night;
    row.classList.toggle("chosen", chosen);
    if (chosen) row.setAttribute("aria-current", "true");
    else row.removeAttribute("aria-current");
  }
}

function sortBy(key) {
  state.down = state.sort === key ? !state.down : false;
  state.sort = key;
  showNights();
  byId("table").querySelector(`[data-hold="${key}"]`).focus();
}

function showLosses() {
  if (!SEASON.losses.length) return byId("cost").querySelector(".wide").replaceChildren(make("p", {textContent: NIGHTS.some((n) => n.lost_s > 0) ? "What it was lost to is not known." : "No frame was lost."}));
  const most = Math.max(...SEASON.losses.map((loss) => loss.lost_s), 1), high = Math.max(1, ...SEASON.losses.flatMap((loss) => loss.by_night.map(([, , s]) => s)));
  const heads = [{text: "reason"}, {text: "time", figure: true}, {text: "share", figure: true}, {text: "frames", figure: true}, {text: "nights", figure: true}, {text: "night by night"}];
  const table = tableOf(byId("losses"), heads, SEASON.losses.map((loss) => [make("span", {title: SEASON.reasons[loss.reason] ? `${loss.reason}: ${SEASON.reasons[loss.reason]}` : loss.reason, textContent: loss.text}),
    timeText(loss.lost_s), percent(loss.share), String(loss.frames), String(loss.by_night.length), nightBars(loss, high)]));
  [...table.tBodies[0].rows].forEach((row, k) => {
    row.cells[1].classList.add("barred");
    row.cells[1].style.setProperty("--part", `${Math.round(100 * SEASON.losses[k].lost_s / most)}%`);
  });
  return table;
}

// What a reason cost night by night; in words for who does not see it.
function nightBars(loss, high) {
  const wide = 9, tall = 24, view = draw("svg", {viewBox: `0 0 ${NIGHTS.length * wide} ${tall}`, width: NIGHTS.length * wide, height: tall, class: "nightbars", role: "img", preserveAspectRatio: "none"});
  const sorted = [...loss.by_night].sort((a, b) => b[2] - a[2]), words = sorted.slice(0, 3).map(([n, , s]) => `${nightName(NIGHTS[n])} ${duration(s)}`).join(", ");
  view.setAttribute("aria-label", `most on ${words}`);
  view.append(draw("path", {d: `M0 ${tall - 0.5}H${NIGHTS.length * wide}`, class: "axis"}));
  for (const [night, frames, seconds] of loss.by_night) {
    const size = Math.max(1.5, (tall - 2) * seconds / high), bar = draw("rect", {x: night * wide + 1, y: round(tall - size), width: wide - 2, height: round(size), class: "bar harms"});
    bar.addEventListener("click", () => choose(night));
    view.append(hinted(bar, () => [nightName(NIGHTS[night]), `${loss.text}: ${timeText(seconds)}, ${count(frames, "frame")}`]));
  }
  return view;
}

const FOLLOWED = {yes: "✓ followed", no: "✗ not followed", "not known": "? not known whether followed"};
const HELPED = {yes: "it helped", no: "no difference shown", worse: "it got worse", "not known": ""};

function showAdvice() {
  const place = byId("followed");
  byId("advice").hidden = !SEASON.advice.length;
  const order = [...SEASON.advice].sort((a, b) => (a.followed === "not known") - (b.followed === "not known"));
  place.append(...order.map((item) => {
    const since = item.since >= 0 && NIGHTS[item.since] ? ` since ${nightName(NIGHTS[item.since])}` : "";
    const helped = item.followed === "yes" ? HELPED[item.helped] : "";
    const nights = item.nights.filter((n) => NIGHTS[n]).map((n) => nightName(NIGHTS[n]));
    const given = nights.length > 3 ? `given on ${nights.length} nights, first ${nights[0]}` : nights.length ? `given on ${nights.join(", ")}` : "";
    const facts = [];
    if (item.because) facts.push(plainDates(item.because));
    if (known(item.before) && known(item.after)) facts.push(`lost to it, minutes an hour: ${withError(item.before, item.before_error)} before, ${withError(item.after, item.after_error)} since`);
    return make("article", {className: `advised ${item.followed.replace(" ", "-")}`}, make("h3", {textContent: item.action}),
      make("p", {}, make("b", {textContent: (FOLLOWED[item.followed] || item.followed) + since}), helped ? `, ${helped}` : ""),
      item.sentence ? make("p", {textContent: plainDates(item.sentence)}) : null,
      ...facts.map((fact) => make("p", {className: "faint", textContent: fact})), given ? make("p", {className: "faint", textContent: `${item.topic}; ${given}`}) : null);
  }));
}

function showTies() {
  const heads = [{text: "night"}, {text: "series"}, {text: "setup"}, {text: "stars", figure: true}, {text: "light", figure: true, title: "counts of the same star in a clear frame over those in the reference series, exposure and gain included"},
    {text: "clear level", figure: true}, {text: "FWHM", figure: true}, {text: "ecc.", figure: true}, {text: ""}];
  const rows = NIGHTS.flatMap((night) => night.series.map((s) => [nightName(night), s.label, s.setup, s.stars ? String(s.stars) : "–", withError(s.ratio[0], s.ratio[1]), number(s.clear, 2), number(s.fwhm, 2, s.unit), number(s.eccentricity, 2), s.note]));
  tableOf(byId("ties"), heads, rows);
  byId("ties").className = "list";
}

const EXPLAINED = [
  ["Kept and lost", "Exposure time of the frames as each night's own results have it, with your marks. Frames left out by choice are no loss. A frame graded twice counts once."],
  ["One scale", "The same stars, matched from night to night, give how much light each night's clear frames record. Clear level is that light for equal setup and exposure against the clearest night: haze, extinction and altitude are in it."],
  ["Stack", "Frames are laid on the best one, weighted by light, noise and width. FWHM and eccentricity are those of the mean of the star shapes; S/N is that of a faint star against the best frame alone."],
  ["Depth", "A night's S/N² as a share of that of all nights: shares add up to 100%."],
  ["Better without", "A night is named where the plain mean of the other nights is better than that of all. By weight even a poor night seldom harms, since it weighs little."],
  ["Changes", "A quantity has changed where two levels fit its nights far better than one, errors and the scatter from night to night allowed for. Error bars are one sigma."],
  ["Advice", "Whether it was followed is judged by the numbers that it is about, never by whether the loss went away; whether it helped, by minutes lost an hour before and since."],
];

function showMethod() {
  byId("explained").append(make("dl", {}, ...EXPLAINED.flatMap(([term, text]) => [make("dt", {textContent: term}), make("dd", {textContent: text})])));
  const problems = byId("problems");
  if (SEASON.problems.length) problems.append(make("h2", {textContent: "Not used"}), make("ul", {}, ...SEASON.problems.map(([name, cause]) => make("li", {}, make("b", {textContent: name}), `: ${cause}`))));
  byId("foot").textContent = `subgrade ${SEASON.version}, ${SEASON.made_utc.slice(0, 16).replace("T", " ")} UTC. The numbers are in nights.csv, the weights in weights.csv, all of it in nights.json.`;
}
