// The time line: why, how sharp, how round, how clear, how dark, and the guiding, on one clock.
const MEASURES = [
  {key: "fwhm_px"}, {key: "eccentricity", from: 0}, {key: "transparency", from: 0}, {key: "background_adu"},
];
if (FRAMES.every((f) => !known(f.values.fwhm_px) || known(f.values.fwhm_arcsec)) && FRAMES.some((f) => known(f.values.fwhm_px))) {
  MEASURES[0].key = "fwhm_arcsec";
}
const PAPER_PX = 690;
const NARROW_PX = 600;
const FOOT = 40;
const FADED = 0.13;
const MANY = 120; // frames, from which on the points are drawn smaller

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
const onPaper = () => document.documentElement.classList.contains("paper");
const plotWidth = () => (onPaper() ? PAPER_PX : byId("plot").clientWidth);

// Sizes in px. Names of lanes stand beside them, or above where there is no room beside.
function sizesNow() {
  const narrow = plotWidth() < NARROW_PX;
  return {narrow, row: onPaper() ? 12 : 16, lane: onPaper() ? 50 : 78, guide: onPaper() ? 42 : 70, gap: narrow ? 22 : 10, label: narrow ? 108 : 170};
}

function reasonRows() {
  const seen = [];
  const order = [...NIGHT.causes.map((c) => c.reason), ...FRAMES.flatMap((f) => f.reasons)];
  for (const word of order) if (!seen.includes(word)) seen.push(word);
  return seen;
}

const pen = document.createElement("canvas").getContext("2d");

function textWidth(text) {
  pen.font = "11px system-ui, sans-serif";
  return pen.measureText(text).width;
}

// A label in lines that are no wider than there is room.
function wrapped(text, most) {
  const lines = [];
  for (const word of text.split(" ")) {
    const longer = lines.length ? `${lines[lines.length - 1]} ${word}` : word;
    if (lines.length && textWidth(longer) <= most) lines[lines.length - 1] = longer;
    else lines.push(word);
  }
  return lines;
}

// Rows of the first lane from below: kept, then the reasons, the costliest on top.
function reasonLane(sizes) {
  const lane = {name: "why", at: new Map(), labels: [], size: 0};
  let height = 0;
  for (const [word, text] of [["", "kept"], ...reasonRows().reverse().map((word) => [word, reasonText(word)])]) {
    const lines = wrapped(text, sizes.label);
    const share = 1 + 0.75 * (lines.length - 1);
    lane.at.set(word, height + share / 2);
    lane.labels.push(lines);
    height += share;
  }
  return {...lane, height, size: sizes.row * height};
}

function layLanes(sizes) {
  const parts = [reasonLane(sizes)];
  for (const measure of MEASURES) {
    if (FRAMES.some((f) => known(f.values[measure.key]))) parts.push({name: measure.key, size: sizes.lane, measure});
  }
  if (NIGHT.trace && state.clock !== "order") parts.push({name: "guide", of: "ra", size: sizes.guide}, {name: "guide", of: "dec", size: sizes.guide});
  const height = parts.reduce((sum, part) => sum + part.size + sizes.gap, 0);
  let top = height;
  parts.forEach((part, k) => {
    part.axis = k ? `y${k + 1}` : "y";
    part.layout = k ? `yaxis${k + 1}` : "yaxis";
    part.domain = [Math.max(0, top - sizes.gap - part.size) / height, (top - sizes.gap) / height];
    top -= part.size + sizes.gap;
  });
  return {parts, height, sizes};
}

const POINT = {keep: ["circle", "keep", 7], reject: ["diamond", "reject", 9], unreadable: ["square-open", "faint", 9]};
const shadeOf = (frames) => frames.map((f) => (fits(f) ? 1 : FADED));

// A mark is a thick rim, so that it can change without drawing anew.
const rimOf = (frames) => ({width: frames.map((f) => (markOf(f) ? 2.5 : 0)), color: colour("mark")});

function pointsOf(lane, verdict, value) {
  const [symbol, shade, size] = POINT[verdict];
  const frames = FRAMES.filter((f) => f.verdict === verdict && known(place(f)) && known(value(f)));
  const open = symbol.endsWith("open");
  return {type: "scatter", mode: "markers", x: frames.map(place), y: frames.map(value), yaxis: lane.axis,
    customdata: frames.map((f) => f.index), hoverinfo: "none", showlegend: false, meta: {rim: !open},
    marker: {symbol, color: colour(shade), size: FRAMES.length > MANY ? size - 2 : size, opacity: shadeOf(frames),
      line: open ? {width: 1.5, color: colour(shade)} : rimOf(frames)}};
}

function whyTraces(lane) {
  const traces = [pointsOf(lane, "keep", () => lane.at.get(""))];
  for (const verdict of ["reject", "unreadable"]) {
    traces.push(pointsOf(lane, verdict, (f) => (f.reasons.length ? lane.at.get(f.reasons[0]) : null)));
  }
  const further = FRAMES.filter((f) => known(place(f))).flatMap((frame) =>
    (frame.verdict === "keep" ? frame.reasons : frame.reasons.slice(1)).map((word) => [frame, lane.at.get(word)]));
  if (further.length) {
    const frames = further.map(([f]) => f);
    traces.push({type: "scatter", mode: "markers", x: frames.map(place), y: further.map(([, y]) => y), yaxis: lane.axis,
      customdata: frames.map((f) => f.index), hoverinfo: "none", showlegend: false, meta: {rim: false},
      marker: {symbol: "circle-open", size: 7, color: colour("faint"), opacity: shadeOf(frames)}});
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
    const usual = group.usual[key];
    if (usual && known(usual.centre) && frames.length > 1) {
      const places = frames.map(place);
      traces.push({type: "scatter", mode: "lines", x: [Math.min(...places), Math.max(...places)], y: [usual.centre, usual.centre],
        yaxis: lane.axis, hoverinfo: "skip", showlegend: false, line: {color: colour("faint"), width: 1.2, dash: "dot"}});
    }
  });
  for (const verdict of ["keep", "reject", "unreadable"]) traces.push(pointsOf(lane, verdict, (f) => f.values[key]));
  return traces;
}

// One ink for both axes: RA is a line, Dec the area between it and zero.
const GUIDE_LOOK = {
  ra: () => ({line: {color: colour("trace"), width: 1.1}}),
  dec: () => ({line: {color: colour("trace"), width: 0.7, shape: "hv"}, fill: "tozeroy", fillcolor: colour("trace-fill")}),
};

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
    {type: "scatter", mode: "none", ...shade, yaxis: lane.axis, fill: "toself", fillcolor: colour("shade"), hoverinfo: "skip", showlegend: false},
    {type: "scatter", mode: "lines", x: t.map(wall), y: e, yaxis: lane.axis, name: guideName(lane), hoverinfo: "none", showlegend: false,
      connectgaps: false, ...GUIDE_LOOK[lane.of]()}];
}

const guideName = (lane) => (NIGHT.trace.axes === "xy" ? {ra: "x", dec: "y"} : {ra: "RA", dec: "Dec"})[lane.of];

// Spikes of a lost star would flatten the rest: the lane opens on what most samples need.
function guideReach() {
  const sizes = [...NIGHT.trace.ra.e, ...NIGHT.trace.dec.e].filter(known).map(Math.abs).sort((a, b) => a - b);
  if (!sizes.length) return 1;
  const most = sizes[sizes.length - 1], usual = sizes[Math.floor(0.98 * (sizes.length - 1))];
  return Math.max(Math.min(most, 2 * usual), 0.1) * 1.05;
}

// What is drawn is kept, for what changes of it later.
const drawn = {points: [], lanes: []};

// Filters and marks change looks only.  The library would take a third of a second for 300 frames,
// so the points it has drawn are given their looks directly, and its data too, for when it draws again.
function restyleLine() {
  const plot = byId("plot");
  const looks = new Map();
  for (const k of drawn.points) {
    const trace = plot.data[k], frames = trace.customdata.map((index) => FRAMES[index]);
    trace.marker.opacity = shadeOf(frames);
    if (trace.meta.rim) trace.marker.line = rimOf(frames);
    looks.set(k, trace);
  }
  let found = 0;
  for (const path of plot.querySelectorAll(".scatterlayer .points path.point")) {
    const point = path.__data__, group = path.closest(".trace");
    const of = group && group.__data__ && group.__data__[0] && group.__data__[0].trace;
    const trace = of && looks.get(of.index);
    if (!trace || !point || !known(point.i)) continue;
    found += 1;
    const shade = trace.marker.opacity[point.i];
    if (point.mo !== shade) path.style.opacity = point.mo = shade;
    if (!trace.meta.rim || point.mlw === trace.marker.line.width[point.i]) continue;
    point.mlw = trace.marker.line.width[point.i];
    path.style.stroke = trace.marker.line.color;
    path.style.strokeWidth = `${point.mlw}px`;
  }
  const all = drawn.points.reduce((sum, k) => sum + plot.data[k].customdata.length, 0);
  if (found !== all) drawLine();
}

function drawLine() {
  const plan = layLanes(sizesNow());
  const traces = plan.parts.flatMap((lane) => (lane.name === "why" ? whyTraces(lane) : lane.name === "guide" ? guideTraces(lane) : measureTraces(lane)));
  drawn.points = traces.flatMap((trace, k) => (trace.customdata ? [k] : []));
  drawn.width = plotWidth();
  showLegend();
  return Plotly.react(byId("plot"), traces, layoutOf(plan), {displayModeBar: false, responsive: !onPaper(), doubleClick: "reset", scrollZoom: false});
}

function showLegend() {
  const sign = (word, text, name = word) => make("span", {className: `sign ${name}`}, make("span", {ariaHidden: "true", textContent: `${word} `}), text);
  const untimed = FRAMES.length - TIMED.length;
  const notes = [
    matchMedia("(pointer: coarse)").matches ? "Tap a point to see its frame." : "Click a point to see its frame; drag to zoom, double-click to reset.",
    untimed && TIMED.length && state.clock !== "order" ? `${count(untimed, "file")} without a time: see the table, or set the clock to frame numbers.` : "",
    NIGHT.trace && state.clock === "order" ? "To see the guiding record, choose UTC or local time." : ""];
  byId("legend").replaceChildren(sign(SIGN.keep, "kept", "keep"), sign(SIGN.reject, "rejected", "reject"),
    ...(FRAMES.some((f) => f.verdict === "unreadable") ? [sign(SIGN.unreadable, "unreadable")] : []),
    sign("○", "additional reason or remark"), sign("┄", NIGHT.groups.length > 1 ? "typical of the group" : "typical"),
    ...(NIGHT.trace && state.clock !== "order" ? [make("span", {className: "sign"}, make("i", {className: "swatch"}), " exposure")] : []),
    make("span", {className: "screen", textContent: notes.filter(Boolean).join(" ")}));
}
