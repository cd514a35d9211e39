// The curve of how strict: S/N, width and roundness of the stack of the n best frames.
const CURVE_MARGIN = {l: 62, r: 14, t: 4, b: 36};
const STACK_LINES = [["weighted", "solid", "weighted"], ["mean", "dash", "plain mean"]];

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

function curveTicks(order) {
  const most = order.length, narrow = byId("curve").clientWidth < 460;
  const step = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000].find((s) => most / s <= (narrow ? 4 : 7)) || most;
  const times = order.map((f) => f.values.exposure_s || 0), at = [];
  for (let n = step; n <= most; n += step) at.push(n);
  if (!at.length) at.push(most);
  return {vals: at, text: at.map((n) => { const t = sum(times.slice(0, n)); return t ? `${n}<br>${duration(t)}` : String(n); })};
}

// As graded, and where the handle stands; behind it what no choice of a share would keep.
function curveShapes(n, passing, graded, most) {
  const line = (x, look) => ({type: "line", xref: "x", yref: "paper", x0: x, x1: x, y0: 0, y1: 1, line: look});
  return [
    ...(passing < most ? [{type: "rect", xref: "x", yref: "paper", x0: passing + 0.5, x1: most + 0.5, y0: 0, y1: 1, layer: "below", line: {width: 0}, fillcolor: colour("shade")}] : []),
    line(graded, {width: 1.5, color: colour("faint"), dash: "dot"}), line(n, {width: 2.5, color: colour("mark")})];
}

function curveNotes(lanes, passing, graded, most) {
  const base = {showarrow: false, font: {size: 11, color: colour("faint")}};
  const names = lanes.map((lane) => ({...base, font: {size: 12, color: colour("ink")}, text: `<b>${lane.name}</b>`, xref: "paper", yref: "paper", x: 0, xanchor: "left", xshift: -CURVE_MARGIN.l, y: lane.domain[1], yanchor: "top"}));
  const left = graded > 0.5 * most;
  return [...names,
    {...base, text: "as graded", xref: "x", yref: "paper", x: graded, xanchor: left ? "right" : "left", xshift: left ? -4 : 4, y: 0.585, yanchor: "bottom"},
    ...(most - passing > 0.18 * most ? [{...base, text: "rejected frames", xref: "x", yref: "paper", x: most + 0.5, xanchor: "right", xshift: -4, y: 0.585, yanchor: "bottom"}] : [])];
}

const shown = {curve: null, paper: false};

function drawCurve(group, n, graded) {
  const place = byId("curve"), curve = curveOf(group), order = orderOf(group), most = order.length;
  const passing = order.filter(passes).length;
  const shapes = curveShapes(n, passing, graded, most);
  const key = [curve, colour("ink"), place.clientWidth, onPaper()];
  if (shown.curve && key.every((part, k) => part === shown.curve[k])) return Plotly.relayout(place, {shapes});
  shown.curve = key;
  const lanes = curveLanes(group);
  let top = 1;
  lanes.forEach((lane, k) => {
    lane.axis = k ? `y${k + 1}` : "y";
    lane.domain = [Math.max(0, top - lane.size), top];
    top -= lane.size + 0.04;
  });
  const traces = lanes.flatMap((lane) => STACK_LINES.map(([kind, dash, name]) => ({type: "scatter", mode: curve.counts.length > 1 ? "lines" : "markers", name, x: curve.counts, y: curve[kind][lane.key].map((v) => (known(v) ? lane.of(v) : null)),
    yaxis: lane.axis, hoverinfo: "skip", showlegend: false, line: {color: colour(kind === "weighted" ? "keep" : "ink"), width: kind === "weighted" ? 2 : 1.5, dash}})));
  const ticks = curveTicks(order);
  const layout = {height: onPaper() ? 170 : 205, width: onPaper() ? PAPER_PX / 2 : undefined, autosize: !onPaper(), margin: CURVE_MARGIN, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: {family: "system-ui, sans-serif", size: 11, color: colour("ink")}, hovermode: false, dragmode: false, showlegend: false, shapes, annotations: curveNotes(lanes, passing, graded, most),
    xaxis: {range: [Math.min(1, most) - 0.5, most + 0.5], anchor: lanes[2].axis, gridcolor: colour("line"), griddash: "dot", zeroline: false, fixedrange: true, tickvals: ticks.vals, ticktext: ticks.text}};
  lanes.forEach((lane, k) => {
    layout[k ? `yaxis${k + 1}` : "yaxis"] = {domain: lane.domain, gridcolor: colour("line"), griddash: "dot", zeroline: false, nticks: k ? 3 : 4, fixedrange: true, tickfont: {size: 11}};
  });
  return Plotly.react(place, traces, layout, {displayModeBar: false, responsive: !onPaper(), staticPlot: true});
}
