// Quantities over the nights, and how sky and seeing go with hour, height and Moon.
const TREND_PX = 150;
const FAR = 3; // ratio of the largest to the least value from which the scale begins at 0

function showTrends() {
  const plotted = SEASON.histories.filter((h) => h.points.length > 1), single = SEASON.histories.filter((h) => h.points.length < 2);
  byId("histories").append(...plotted.sort((a, b) => (b.changes.length > 0) - (a.changes.length > 0)).map(historyPlot));
  if (single.length) byId("histories").after(make("ul", {className: "single"}, ...single.map((h) => make("li", {}, make("b", {textContent: [h.title, h.subject].filter(Boolean).join(", ")}), `: ${plainDates(h.verdict)}`))));
  byId("trends").hidden = !SEASON.histories.length;
  byId("dependences").append(...SEASON.dependences.map(dependencePlot));
  byId("sky").hidden = !SEASON.dependences.length;
}

const headOf = (item) => make("h3", {}, item.title, item.unit ? make("span", {className: "faint", textContent: `, ${item.unit}`}) : null, item.subject ? make("span", {className: "faint", textContent: ` – ${item.subject}`}) : null);

function historyPlot(history) {
  const picture = make("div", {className: "plot", role: "img", ariaLabel: `${history.title} over the nights; the table below it has the numbers`});
  plotIn(picture, (width) => drawHistory(picture, history, width));
  const rows = history.points.map((p) => [nightName(NIGHTS[p.night]), withError(p.value, p.error, history.unit), p.note]);
  const heads = [{text: "night"}, {text: history.title.toLowerCase(), figure: true}, {text: ""}];
  const others = history.changes.filter((change) => !history.verdict.includes(change.sentence));
  return make("article", {className: history.changes.length ? "trend changed" : "trend"}, headOf(history),
    make("p", {textContent: plainDates(history.verdict)}), ...others.map((change) => make("p", {textContent: plainDates(change.sentence)})),
    picture,
    make("details", {}, make("summary", {textContent: `Numbers of ${count(rows.length, "night")}`}), make("div", {className: "wide"}, tableOf(make("table", {className: "list"}), heads, rows))));
}

// Places of the nights: by date where all have one, else one after the other.
function nightPlaces(left, right) {
  if (!DATED) {
    const each = (right - left) / Math.max(NIGHTS.length, 1);
    return (n) => left + (n + 0.5) * each;
  }
  const from = NIGHTS[0].day.ms, span = Math.max(1, NIGHTS[NIGHTS.length - 1].day.ms - from);
  return (n) => left + 10 + (right - left - 20) * (NIGHTS[n].day.ms - from) / span;
}

function drawHistory(place, history, width) {
  const {left, right, top, foot} = EDGES, high = top + TREND_PX + foot, x = nightPlaces(left, width - right);
  const points = history.points.filter((p) => known(p.value)), values = points.map((p) => p.value);
  const ends = points.filter((p) => p.error > 0).flatMap((p) => [p.value - p.error, p.value + p.error]);
  const all = [...values, ...ends], from = Math.min(...values) >= 0 && Math.max(...values) > FAR * Math.min(...values) ? 0 : null;
  const scale = valueScale(laneReach(all, [], from), top, TREND_PX, from);
  const view = draw("svg", {viewBox: `0 0 ${width} ${high}`, width, height: high, "aria-hidden": "true"});
  view.append(chosenBand(x(state.night) - 6, 12, top, high - foot), ...gridOf(scale, left, width - right), ...levels(history, points, x, scale));
  for (const change of history.changes) {
    const at = (x(change.after) + x(change.before)) / 2;
    view.append(draw("path", {d: `M${round(at)} ${top}V${high - foot}`, class: "change"}));
  }
  for (const point of points) {
    const px = x(point.night);
    if (point.error > 0) view.append(draw("path", {d: `M${round(px)} ${round(clampTo(scale, point.value - point.error))}V${round(clampTo(scale, point.value + point.error))}`, class: "error"}));
    const sign = signAt(px, clampTo(scale, point.value), point.value > scale.high || point.value < scale.low ? "outside" : "");
    sign.addEventListener("click", () => choose(point.night));
    view.append(hinted(sign, () => [nightName(NIGHTS[point.night]), withError(point.value, point.error, history.unit), ...(point.note ? [point.note] : [])]));
  }
  view.append(...dateTicks(x, width, high - 4));
  place.replaceChildren(view);
}

// The mean of the nights between two changes.
function levels(history, points, x, scale) {
  if (!history.changes.length) return known(history.mean) ? [draw("path", {d: `M${round(x(points[0].night))} ${round(clampTo(scale, history.mean))}H${round(x(points[points.length - 1].night))}`, class: "typical"})] : [];
  const edges = [points[0].night, ...history.changes.flatMap((c) => [c.after, c.before]), points[points.length - 1].night];
  const means = [history.changes[0].old, ...history.changes.map((c) => c.new)];
  return means.map((mean, k) => draw("path", {d: `M${round(x(edges[2 * k]) - 4)} ${round(clampTo(scale, mean))}H${round(x(edges[2 * k + 1]) + 4)}`, class: "level"}));
}

function dateTicks(x, width, y) {
  const ticks = [];
  let end = -Infinity, year = null;
  NIGHTS.forEach((night, n) => {
    const long = night.day && night.day.year !== year, half = long ? 32 : 18, px = Math.min(width - half, Math.max(half, x(n)));
    if (px - half < end + 6) return;
    const text = night.day ? `${dayText(night.day)}${long ? ` ${night.day.year}` : ""}` : String(n + 1);
    ticks.push(textAt(px, y, text, "tick", "middle"));
    end = px + half;
    year = night.day ? night.day.year : year;
  });
  return ticks;
}

function dependencePlot(one) {
  const picture = make("div", {className: "plot", role: "img", ariaLabel: `${one.title} by ${one.x_title.toLowerCase()}; the table below it has the numbers`});
  if (one.x.length > 1) plotIn(picture, (width) => drawDependence(picture, one, width));
  const heads = [{text: [one.x_title, one.x_unit].filter(Boolean).join(", ")}, {text: [one.title.toLowerCase(), one.unit].filter(Boolean).join(", "), figure: true}, {text: "frames", figure: true}];
  const rows = one.x.map((x, k) => [figure(x), withError(one.value[k], one.error[k]), known(one.frames[k]) ? String(one.frames[k]) : "–"]);
  return make("article", {className: "trend"}, headOf(one), make("p", {textContent: plainDates(one.verdict)}), one.x.length > 1 ? picture : null,
    make("details", {}, make("summary", {textContent: "Numbers"}), make("div", {className: "wide"}, tableOf(make("table", {className: "list"}), heads, rows))));
}

function drawDependence(place, one, width) {
  const {left, right, top, foot} = EDGES, low = foot + 14, high = top + TREND_PX + low;
  const points = one.x.map((x, k) => ({x, value: one.value[k], error: one.error[k], frames: one.frames[k]})).filter((p) => known(p.x) && known(p.value));
  const view = draw("svg", {viewBox: `0 0 ${width} ${high}`, width, height: high, "aria-hidden": "true"});
  if (!points.length) return place.replaceChildren();
  const ends = points.flatMap((p) => (p.error > 0 ? [p.value - p.error, p.value + p.error] : [p.value]));
  const scale = valueScale(laneReach(ends, []), top, TREND_PX);
  const xs = points.map((p) => p.x), from = Math.min(...xs), span = Math.max(...xs) - from || 1, at = (v) => left + 12 + (width - left - right - 24) * (v - from) / span;
  view.append(...gridOf(scale, left, width - right));
  if (known(one.slope)) {
    const middle = points[points.length >> 1], line = (v) => middle.value + one.slope * (v - middle.x);
    view.append(draw("path", {d: `M${round(at(from))} ${round(clampTo(scale, line(from)))}L${round(at(from + span))} ${round(clampTo(scale, line(from + span)))}`, class: "typical"}));
  }
  for (const p of points) {
    if (p.error > 0) view.append(draw("path", {d: `M${round(at(p.x))} ${round(clampTo(scale, p.value - p.error))}V${round(clampTo(scale, p.value + p.error))}`, class: "error"}));
    view.append(hinted(signAt(at(p.x), clampTo(scale, p.value), ""), () => [`${figure(p.x, one.x_unit)}: ${withError(p.value, p.error, one.unit)}`, known(p.frames) ? count(p.frames, "frame") : ""]));
  }
  const step = stepOf(span, Math.max(2, (width - left) / 70));
  for (let k = Math.ceil(from / step - 1e-9); k * step <= from + span * 1.0001; k++) view.append(textAt(at(k * step), high - 20, tickText(Number((k * step).toPrecision(12))), "tick", "middle"));
  view.append(textAt((left + width - right) / 2, high - 4, [one.x_title, one.x_unit].filter(Boolean).join(", "), "tick", "middle"));
  return place.replaceChildren(view);
}
