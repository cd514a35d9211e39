// Pointer on the time line: hints, a click for a frame, a drag to zoom.
const NEAR_PX = 25;
const DRAG_PX = 6;

function placeOnPlot(event) {
  const box = byId("plot").getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
}

function nearestPoint(x, y) {
  let best = null, least = NEAR_PX;
  for (const point of drawn.points) {
    const away = Math.hypot(point.x - x, point.y - y);
    if (away < least) [best, least] = [point, away];
  }
  return best;
}

const laneAt = (y) => drawn.plan.lanes.find((lane) => y >= lane.top && y <= lane.top + lane.size);

// The exposure that covers a place.
function frameAt(x) {
  return FRAMES.find((f) => {
    if (!known(place(f))) return false;
    const [from, to] = spanOf(f, drawn.plan.x);
    return from <= x && x <= to;
  });
}

function zoomTo(view) {
  drawn.view = view;
  drawLine();
}

// What is beside the pointer, as lines of a hint; null where there is nothing.
function hintAt(x, y) {
  const event = drawn.plan.events.list.find((e) => Math.abs(e.px - x) < 5 && (y < drawn.plan.head || !nearestPoint(x, y)));
  if (event) return [make("b", {textContent: event.text}), make("span", {textContent: [clockText(event.unix), event.note].filter(Boolean).join(" · ")})];
  const point = nearestPoint(x, y);
  if (point) return hintOf(point.frame);
  const lane = laneAt(y);
  if (!lane || lane.kind !== "guide" || x < drawn.plan.left) return null;
  const {t, e} = NIGHT.trace[lane.of], want = drawn.plan.x.back(x);
  let best = null, least = Infinity;
  for (let k = 0; k < t.length; k++) {
    const away = Math.abs(wall(t[k]) - want);
    if (known(e[k]) && away < least) [best, least] = [e[k], away];
  }
  if (best === null || least * drawn.plan.x.perUnit > NEAR_PX) return null;
  return [make("span", {textContent: `guiding error ${guideName(lane)} ${number(best, 2, "″")}`})];
}

function hintOf(frame) {
  const shown = [...MEASURES.filter(({key}) => known(frame.values[key]))].map(({key}) => `${LOOK[key].label} ${key === "eccentricity" ? ovalText(frame) : written(key, frame.values[key])}`);
  const when = known(frame.start_unix) ? clockText(frame.start_unix) : known(frame.near_unix) ? "no time of its own" : "";
  return [make("b", {textContent: frame.name}), verdictTag(frame),
    make("span", {textContent: [frame.reasons.map(reasonText).join(", "), when].filter(Boolean).join(" · ")}),
    make("span", {className: "faint", textContent: shown.join(", ")})];
}

function showHint(event) {
  const hint = byId("hint"), lines = hintAt(...placeOnPlot(event));
  hint.hidden = !lines;
  byId("plot").classList.toggle("over-point", Boolean(lines));
  if (!lines) return;
  hint.replaceChildren(...lines);
  const x = Math.min(event.clientX + 14, innerWidth - hint.offsetWidth - 8);
  const y = event.clientY + 16 + hint.offsetHeight > innerHeight ? event.clientY - hint.offsetHeight - 12 : event.clientY + 16;
  hint.style.left = `${Math.max(4, x)}px`;
  hint.style.top = `${y}px`;
}

function onPlotClick(event) {
  const [x, y] = placeOnPlot(event), point = nearestPoint(x, y), lane = laneAt(y);
  byId("hint").hidden = true;
  const frame = point ? point.frame : lane && lane.kind === "guide" ? frameAt(x) : null;
  if (frame) walkTo(frame.index);
}

// A mouse may drag over a part of the night; a finger scrolls the page.
function startPointer() {
  const plot = byId("plot");
  let from = null, dragged = false, asked = 0, band = null;
  const inside = (x) => Math.min(drawn.plan.right, Math.max(drawn.plan.left, x));
  plot.addEventListener("pointerdown", (event) => {
    dragged = false;
    if (event.pointerType === "mouse" && event.button === 0) from = inside(placeOnPlot(event)[0]);
  });
  addEventListener("pointermove", (event) => {
    if (from === null) {
      if (!plot.contains(event.target)) return;
      cancelAnimationFrame(asked);
      asked = requestAnimationFrame(() => showHint(event));
      return;
    }
    const to = inside(placeOnPlot(event)[0]);
    if (!dragged && Math.abs(to - from) < DRAG_PX) return;
    dragged = true;
    byId("hint").hidden = true;
    if (!band) plot.firstChild.append(band = draw("rect", {class: "band", y: drawn.plan.head, height: drawn.plan.bottom - drawn.plan.head}));
    band.setAttribute("x", Math.min(from, to));
    band.setAttribute("width", Math.abs(to - from));
  });
  addEventListener("pointerup", (event) => {
    if (from === null) return;
    const to = inside(placeOnPlot(event)[0]), ends = [from, to].sort((a, b) => a - b).map(drawn.plan.x.back);
    from = null;
    if (band) band.remove();
    band = null;
    if (dragged && ends[1] > ends[0]) zoomTo(ends);
  });
  plot.addEventListener("pointerleave", () => {
    cancelAnimationFrame(asked);
    byId("hint").hidden = true;
  });
  plot.addEventListener("click", (event) => dragged || onPlotClick(event));
  plot.addEventListener("dblclick", () => zoomTo(null));
}
