// The curve of how strict: S/N, width and roundness of the stack of the n best frames.
const CURVE_MARGIN = {l: 62, r: 26, t: 4, b: 36};
const STACK_KINDS = ["weighted", "mean"];

function curveLanes(group) {
  const scale = scaleOf(FRAMES.filter((f) => f.group === group)) || 0;
  return [
    {key: "snr_over_all", name: "S/N", size: 0.44, of: (v) => v},
    {key: "fwhm_px", name: `FWHM ${scale ? "″" : "px"}`, size: 0.27, of: (v) => v * (scale || 1)},
    {key: "eccentricity", name: LOOK.eccentricity.heading, size: 0.21, of: (v) => v}];
}

// A number of the stack of n frames, between the counts that were worked out.
function alongCurve(curve, kind, key, n) {
  const values = curve[kind][key];
  let k = curve.counts.findIndex((count) => count >= n);
  if (k < 0) k = curve.counts.length - 1;
  if (curve.counts[k] === n || k === 0) return values[k];
  const from = curve.counts[k - 1], to = curve.counts[k];
  return known(values[k - 1]) && known(values[k]) ? values[k - 1] + (values[k] - values[k - 1]) * (n - from) / (to - from) : values[k];
}

function curveTicks(order, narrow) {
  const most = order.length;
  const step = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000].find((s) => most / s <= (narrow ? 4 : 7)) || most;
  const at = [];
  for (let n = step; n <= most; n += step) at.push(n);
  if (!at.length) at.push(most);
  return at.map((n) => [n, timeOf(order.slice(0, n))]);
}

// Where the handle stands; it alone moves while it is dragged.
function placeHandle(n) {
  for (const line of byId("curve").querySelectorAll(".handle")) {
    line.setAttribute("x1", round(shown.x(n)));
    line.setAttribute("x2", round(shown.x(n)));
  }
}

function curveLane(lane, curve, x, sides) {
  const drawnOf = (kind) => curve[kind][lane.key].map((v) => (known(v) ? lane.of(v) : null));
  const values = STACK_KINDS.flatMap(drawnOf).filter(known);
  if (!values.length) return [];
  const y = valueScale([Math.min(...values), Math.max(...values)], lane.top, lane.size, 0);
  const ticks = y.ticks.flatMap((tick) => [draw("path", {class: "grid", d: `M${sides.left} ${round(y.at(tick))}H${sides.right}`}), ...(y.at(tick) > lane.top + 16 ? [textAt(sides.left - 6, y.at(tick) + 4, tickText(tick), "tick", "end")] : [])]); // not into the name
  const lines = STACK_KINDS.flatMap((kind) => {
    const places = curve.counts.map((n, k) => [x(n), known(drawnOf(kind)[k]) ? y.at(drawnOf(kind)[k]) : null]);
    const single = places.length > 1 ? [] : places.filter(([, at]) => known(at)).map(([px, at]) => draw("circle", {cx: round(px), cy: round(at), r: 3.5, class: `dot ${kind}`}));
    return [lineThrough(places, `stack ${kind}`), ...single];
  });
  return [...ticks, ...lines, textAt(0, lane.top + 10, lane.name, "lane-name")];
}

// Behind the lines what no choice of a share would keep; then as graded, and the handle.
function curveMarks(passing, graded, most, x, sides) {
  const parts = [], note = sides.top + 0.44 * sides.size - 4, left = graded > 0.5 * most;
  if (passing < most) parts.push(draw("rect", {class: "left-out", x: round(x(passing + 0.5)), width: round(x(most + 0.5) - x(passing + 0.5)), y: sides.top, height: sides.size}));
  if (most - passing > 0.18 * most) parts.push(textAt(sides.right - 4, note, "rejected frames", "tick", "end"));
  const line = (name, n) => draw("line", {class: name, x1: round(x(n)), x2: round(x(n)), y1: sides.top, y2: sides.top + sides.size});
  parts.push(line("as-graded", graded), textAt(x(graded) + (left ? -4 : 4), note, "as graded", "tick", left ? "end" : "start"), line("handle", graded));
  return parts;
}

const shown = {curve: null, x: null};
const curveWidth = () => (onPaper() ? PAPER_PX / 2 : Math.max(240, byId("curve").clientWidth));

function drawCurve(group, n, graded) {
  const place = byId("curve"), curve = curveOf(group), order = orderOf(group), most = order.length;
  const passing = order.filter(passes).length, width = curveWidth();
  const key = [curve, passing, width, onPaper()];
  if (shown.curve && key.every((part, k) => part === shown.curve[k])) return placeHandle(n);
  shown.curve = key;
  const height = onPaper() ? 170 : Math.max(205, Math.min(280, 0.22 * width)), {l, r, t, b} = CURVE_MARGIN;
  const sides = {left: l, right: width - r, top: t, size: height - t - b};
  const from = Math.min(1, most) - 0.5, x = (value) => l + (width - l - r) * (value - from) / (most + 0.5 - from || 1);
  shown.x = x;
  const view = draw("svg", {viewBox: `0 0 ${width} ${height}`, width, height, "aria-hidden": "true"}, ...curveMarks(passing, graded, most, x, sides));
  let top = 0;
  for (const lane of curveLanes(group)) {
    view.append(...curveLane({...lane, top: t + top * sides.size, size: lane.size * sides.size}, curve, x, sides));
    top += lane.size + 0.04;
  }
  for (const [count, time] of curveTicks(order, width < 460)) {
    view.append(textAt(x(count), height - b + 13, String(count), "tick", "middle"));
    if (time) view.append(textAt(x(count), height - b + 27, duration(time), "tick", "middle"));
  }
  place.replaceChildren(view);
  placeHandle(n);
}
