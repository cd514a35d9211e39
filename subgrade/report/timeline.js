// The time line: why, how sharp, how round, how clear, how dark, and the guiding, on one clock.
const MEASURES = [
  {key: "fwhm_px", title: "FWHM, px", digits: 2, usual: "fwhm_px"},
  {key: "eccentricity", title: "eccentricity", digits: 2, usual: "eccentricity", from: 0},
  {key: "transparency", title: "transparency", digits: 2, usual: "transparency", from: 0},
  {key: "background_adu", title: "background, ADU", digits: 0, usual: "background_adu"},
];
const ROW = 15;
const LANE = 80;
const GUIDE = 72;
const GAP = 21;
const FOOT = 34;
let lanes = [];

if (FRAMES.every((f) => !known(f.values.fwhm_px) || known(f.values.fwhm_arcsec)) && FRAMES.some((f) => known(f.values.fwhm_px))) {
  Object.assign(MEASURES[0], {key: "fwhm_arcsec", title: "FWHM, ″", usual: "fwhm_arcsec"});
}

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

function reasonRows() {
  const seen = [];
  const order = [...NIGHT.causes.map((c) => c.reason), ...FRAMES.flatMap((f) => f.reasons)];
  for (const word of order) if (!seen.includes(word)) seen.push(word);
  return seen;
}

function layLanes() {
  const rows = reasonRows();
  const parts = [{name: "why", size: ROW * (rows.length + 1), rows}];
  for (const measure of MEASURES) {
    if (FRAMES.some((f) => known(f.values[measure.key]))) parts.push({name: measure.key, size: LANE, measure});
  }
  if (NIGHT.trace && state.clock !== "order") parts.push({name: "guide", of: "ra", size: GUIDE}, {name: "guide", of: "dec", size: GUIDE});
  const height = parts.reduce((sum, part) => sum + part.size + GAP, 0);
  let top = height;
  parts.forEach((part, k) => {
    part.axis = k ? `y${k + 1}` : "y";
    part.layout = k ? `yaxis${k + 1}` : "yaxis";
    part.domain = [Math.max(0, top - GAP - part.size) / height, (top - GAP) / height];
    top -= part.size + GAP;
  });
  return {parts, height};
}

const POINT = {keep: ["circle", "keep", 7], reject: ["diamond", "reject", 9], unreadable: ["square-open", "faint", 9]};

function pointsOf(lane, verdict, value, hollow = false) {
  const [symbol, shade, size] = POINT[verdict];
  const frames = FRAMES.filter((f) => f.verdict === verdict && known(place(f)) && known(value(f)));
  return {type: "scatter", mode: "markers", x: frames.map(place), y: frames.map(value), yaxis: lane.axis,
    customdata: frames.map((f) => f.index), hoverinfo: "none", showlegend: false,
    marker: {symbol: hollow ? `${symbol.replace("-open", "")}-open` : symbol, color: colour(shade), size,
      opacity: frames.map((f) => (fits(f) ? 1 : 0.13)), line: {width: hollow ? 1.5 : 0, color: colour(shade)}}};
}

function whyTraces(lane) {
  const height = (word) => lane.rows.length - lane.rows.indexOf(word);
  const traces = [pointsOf(lane, "keep", () => 0)];
  for (const verdict of ["reject", "unreadable"]) {
    traces.push(pointsOf(lane, verdict, (f) => (f.reasons.length ? height(f.reasons[0]) : null)));
  }
  const further = [];
  for (const frame of FRAMES) {
    const rest = frame.verdict === "keep" ? frame.reasons : frame.reasons.slice(1);
    for (const word of rest) further.push([frame, height(word)]);
  }
  const drawn = further.filter(([frame]) => known(place(frame)));
  if (drawn.length) {
    traces.push({type: "scatter", mode: "markers", x: drawn.map(([f]) => place(f)), y: drawn.map(([, y]) => y),
      yaxis: lane.axis, customdata: drawn.map(([f]) => f.index), hoverinfo: "none", showlegend: false,
      marker: {symbol: "circle-open", size: 7, color: colour("faint"), opacity: drawn.map(([f]) => (fits(f) ? 1 : 0.13))}});
  }
  return traces;
}

function measureTraces(lane) {
  const key = lane.measure.key;
  const traces = [];
  NIGHT.groups.forEach((group, k) => {
    const frames = FRAMES.filter((f) => f.group === k && known(f.values[key]) && known(place(f)));
    traces.push({type: "scatter", mode: "lines", x: frames.map(place), y: frames.map((f) => f.values[key]), yaxis: lane.axis,
      hoverinfo: "skip", showlegend: false, line: {color: colour("line"), width: 1.2}});
    const usual = group.usual[lane.measure.usual];
    if (usual && known(usual.centre) && frames.length > 1) {
      traces.push({type: "scatter", mode: "lines", x: [place(frames[0]), place(frames[frames.length - 1])], y: [usual.centre, usual.centre],
        yaxis: lane.axis, hoverinfo: "skip", showlegend: false, line: {color: colour("faint"), width: 1, dash: "dot"}});
    }
  });
  for (const verdict of ["keep", "reject", "unreadable"]) traces.push(pointsOf(lane, verdict, (f) => f.values[key]));
  const marked = FRAMES.filter((f) => markOf(f) && known(place(f)) && known(f.values[key]));
  traces.push({type: "scatter", mode: "markers", x: marked.map(place), y: marked.map((f) => f.values[key]), yaxis: lane.axis,
    customdata: marked.map((f) => f.index), hoverinfo: "none", showlegend: false,
    marker: {symbol: "circle-open", size: 16, color: colour("mark"), line: {width: 2}}});
  return traces;
}

function guideTraces(lane) {
  const size = guideReach();
  const shade = {x: [], y: []};
  for (const frame of TIMED) {
    const from = wall(frame.start_unix), to = wall(frame.start_unix + (frame.elapsed_s || 0));
    shade.x.push(from, from, to, to, null);
    shade.y.push(-size, size, size, -size, null);
  }
  const {t, e} = NIGHT.trace[lane.of];
  return [
    {type: "scatter", mode: "none", ...shade, yaxis: lane.axis, fill: "toself", fillcolor: colour("band"), hoverinfo: "skip", showlegend: false},
    {type: "scatter", mode: "lines", x: t.map(wall), y: e, yaxis: lane.axis, name: guideName(lane), hoverinfo: "none", showlegend: false,
      connectgaps: false, line: {color: colour(lane.of), width: 1}}];
}

const guideName = (lane) => (NIGHT.trace.axes === "xy" ? {ra: "x", dec: "y"} : {ra: "RA", dec: "Dec"})[lane.of];

// Spikes of a lost star would flatten the rest: the lane opens on what most samples need.
function guideReach() {
  const sizes = [...NIGHT.trace.ra.e, ...NIGHT.trace.dec.e].filter(known).map(Math.abs).sort((a, b) => a - b);
  if (!sizes.length) return 1;
  const most = sizes[sizes.length - 1], usual = sizes[Math.floor(0.98 * (sizes.length - 1))];
  return Math.max(Math.min(most, 2 * usual), 0.1) * 1.05;
}

function axisOf(lane) {
  const base = {domain: lane.domain, zeroline: false, gridcolor: colour("line"), griddash: "dot", nticks: 4, fixedrange: true,
    tickfont: {size: 11}, automargin: false};
  if (lane.name === "why") {
    return {...base, tickmode: "array", range: [-0.6, lane.rows.length + 0.6], showgrid: true, gridcolor: colour("band"), griddash: "solid",
      tickvals: [0, ...lane.rows.map((_, k) => lane.rows.length - k)], ticktext: ["kept", ...lane.rows.map((w) => w.replace(/_/g, " "))]};
  }
  if (lane.name === "guide") return {...base, range: [-guideReach(), guideReach()], zeroline: true, zerolinecolor: colour("line")};
  const values = FRAMES.map((f) => f.values[lane.measure.key]).filter(known);
  const low = Math.min(...values), high = Math.max(...values);
  if (low > 0 && high / low > 8 && lane.measure.from !== 0) return {...base, type: "log", dtick: high / low > 30 ? 1 : "D2"};
  if (lane.measure.from === 0) return {...base, range: [-0.06 * (high || 1), 1.12 * (high || 1)]};
  const room = 0.1 * (high - low || Math.abs(high) || 1);
  return {...base, range: [low - room, high + room]};
}

function titleOf(lane) {
  const text = lane.name === "why" ? "verdict and reasons" : lane.name === "guide" ? `guiding error in ${guideName(lane)}, ″; exposures shaded` : lane.measure.title;
  return {text, x: 0, xref: "paper", y: lane.domain[1], yref: "paper", xanchor: "left", yanchor: "bottom", showarrow: false,
    font: {size: 12, color: colour("ink")}, bgcolor: "rgba(0,0,0,0)"};
}

function longGaps() {
  const breaks = [];
  const sorted = [...TIMED].sort((a, b) => a.start_unix - b.start_unix);
  for (let k = 1; k < sorted.length; k++) {
    const from = sorted[k - 1].start_unix + (sorted[k - 1].elapsed_s || 0) + 600, to = sorted[k].start_unix - 600;
    if (to - from > 3 * 3600) breaks.push({values: [wall(from)], dvalue: (to - from) * 1000});
  }
  return breaks;
}

function layoutOf(plan) {
  const dated = state.clock !== "order";
  const layout = {height: plan.height + FOOT, margin: {l: 112, r: 10, t: 0, b: FOOT}, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: {family: "system-ui, sans-serif", size: 12, color: colour("ink")}, hovermode: "closest", hoverdistance: 25, dragmode: "zoom", showlegend: false,
    annotations: plan.parts.map(titleOf), shapes: selectedShapes(),
    xaxis: {type: dated ? "date" : "linear", anchor: plan.parts[plan.parts.length - 1].axis, gridcolor: colour("line"), griddash: "dot", zeroline: false,
      title: {text: dated ? clockName() : "frame number", standoff: 6, font: {size: 12}}, rangebreaks: dated ? longGaps() : [], range: rangeOf()}};
  for (const part of plan.parts) layout[part.layout] = axisOf(part);
  return layout;
}

function rangeOf() {
  const places = FRAMES.filter((f) => known(place(f)));
  if (!places.length) return [0, 1];
  if (state.clock === "order") return [0.3, FRAMES.length + 0.7];
  const from = Math.min(...TIMED.map((f) => f.start_unix)), to = Math.max(...TIMED.map((f) => f.start_unix + (f.elapsed_s || 0)));
  const room = Math.min(600, Math.max(60, 0.015 * (to - from)));
  return [wall(from - room), wall(to + room)];
}

function selectedShapes() {
  const frame = FRAMES[state.selected];
  if (!frame || !known(place(frame)) || document.documentElement.classList.contains("paper")) return [];
  const half = state.clock === "order" ? 0.5 : 0;
  const from = half ? place(frame) - half : wall(frame.start_unix), to = half ? place(frame) + half : wall(frame.start_unix + (frame.elapsed_s || 1));
  return [{type: "rect", xref: "x", yref: "paper", x0: from, x1: to, y0: 0, y1: 1, layer: "below", fillcolor: colour("chosen"), opacity: 0.55,
    line: {width: 1, color: colour("ink")}}];
}

function drawLine() {
  const plan = layLanes();
  lanes = plan.parts;
  const traces = lanes.flatMap((lane) => (lane.name === "why" ? whyTraces(lane) : lane.name === "guide" ? guideTraces(lane) : measureTraces(lane)));
  return Plotly.react(byId("plot"), traces, layoutOf(plan), {displayModeBar: false, responsive: true, doubleClick: "reset", scrollZoom: false});
}
