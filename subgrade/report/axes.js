// Axes, names and marks of the time line.
function axisOf(lane, sizes) {
  const base = {domain: lane.domain, zeroline: false, gridcolor: colour("line"), griddash: "dot", nticks: 4, fixedrange: true,
    tickfont: {size: 11}, automargin: false};
  if (lane.name === "why") {
    return {...base, tickmode: "array", range: [0, lane.height], showgrid: true, gridcolor: colour("shade"), griddash: "solid",
      tickvals: [...lane.at.values()], ticktext: lane.labels.map((lines) => lines.join("<br>"))};
  }
  if (lane.name === "guide") return {...base, range: [-guideReach(), guideReach()], zeroline: true, zerolinecolor: colour("line"), nticks: 3};
  const values = FRAMES.map((f) => f.values[lane.measure.key]).filter(known);
  const low = Math.min(...values), high = Math.max(...values);
  if (low > 0 && high / low > 8 && lane.measure.from !== 0) return {...base, type: "log", dtick: high / low > 30 ? 1 : "D2"};
  if (lane.measure.from === 0) return {...base, range: [-0.06 * (high || 1), 1.12 * (high || 1)]};
  const room = 0.1 * (high - low || Math.abs(high) || 1);
  return {...base, range: [low - room, high + room], tickformat: LOOK[lane.measure.key].digits ? "" : "d"};
}

// What a lane shows, its unit and the typical value; built from our own words and numbers only.
function nameOf(lane) {
  const rms = NIGHT.guiding_rms[lane.of === "ra" ? 0 : 1];
  if (lane.name === "guide") return {title: `guiding ${guideName(lane)}`, unit: "″", more: known(rms) ? `RMS ${number(rms)}` : ""};
  const {key} = lane.measure;
  const {label: title, unit, digits} = LOOK[key];
  const usual = NIGHT.groups.length === 1 ? NIGHT.groups[0].usual[key] : null;
  const more = usual && known(usual.centre) ? `typical ${usual.centre.toFixed(digits)}` : "";
  return {title, unit, more};
}

const CLOSE = new Set(["", "″"]); // units written without a space

function labelOf(lane, sizes, margin) {
  const {title, unit, more} = nameOf(lane);
  const base = {xref: "paper", yref: "paper", showarrow: false, align: "left", font: {size: 12, color: colour("ink")}};
  const head = `<b>${title}</b>${unit ? `, ${unit}` : ""}`;
  if (sizes.narrow) return {...base, text: more ? `<b>${title}</b>, ${more}${CLOSE.has(unit) ? "" : " "}${unit}` : head, x: 0, xanchor: "left", xshift: -margin, y: lane.domain[1], yanchor: "bottom"};
  return {...base, text: more ? `${head}<br>${more}` : head, x: 0, xanchor: "left", xshift: -margin, y: (lane.domain[0] + lane.domain[1]) / 2, yanchor: "middle"};
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

const DATE = "%Y-%m-%d";
const DATE_TICKS = [
  {dtickrange: [null, 59999], value: `%H:%M:%S\n${DATE}`},
  {dtickrange: [60000, 86399999], value: `%H:%M\n${DATE}`},
  {dtickrange: [86400000, null], value: DATE},
];

function layoutOf(plan) {
  const dated = state.clock !== "order";
  const {sizes, parts} = plan;
  const left = Math.ceil(Math.max(...parts[0].labels.flat().map(textWidth), sizes.narrow ? 40 : 155)) + 10;
  const coarse = matchMedia("(pointer: coarse)").matches;
  const layout = {height: plan.height + FOOT, width: onPaper() ? PAPER_PX : undefined, autosize: !onPaper(),
    margin: {l: left, r: 12, t: 0, b: FOOT}, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: {family: "system-ui, sans-serif", size: 12, color: colour("ink")}, hovermode: "closest", hoverdistance: 25,
    dragmode: coarse ? false : "zoom", // a finger scrolls the page
    showlegend: false, annotations: parts.slice(1).map((lane) => labelOf(lane, sizes, left)), shapes: selectedShapes(),
    xaxis: {type: dated ? "date" : "linear", anchor: parts[parts.length - 1].axis, gridcolor: colour("line"), griddash: "dot", zeroline: false,
      title: {text: dated ? clockName() : "frame number", standoff: 4, font: {size: 12}}, nticks: Math.max(3, Math.floor((plotWidth() - left) / 70)),
      ...(dated ? {tickformatstops: DATE_TICKS, rangebreaks: longGaps()} : {}), range: rangeOf()}};
  for (const part of parts) layout[part.layout] = axisOf(part, sizes);
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
  if (!frame || !known(place(frame)) || onPaper()) return [];
  const half = state.clock === "order" ? 0.5 : 0;
  const from = half ? place(frame) - half : wall(frame.start_unix), to = half ? place(frame) + half : wall(frame.start_unix + (frame.elapsed_s || 1));
  return [{type: "rect", xref: "x", yref: "paper", x0: from, x1: to, y0: 0, y1: 1, layer: "below", fillcolor: colour("chosen"), opacity: 0.55,
    line: {width: 1, color: colour("ink")}}];
}
