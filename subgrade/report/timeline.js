// The time line: why, how sharp, how round, how clear, how dark, and the guiding, on one clock.
const MEASURES = [
  {key: "fwhm_px"}, {key: "eccentricity", from: 0}, {key: "transparency", from: 0}, {key: "background_adu"},
];
if (FRAMES.every((f) => !known(f.values.fwhm_px) || known(f.values.fwhm_arcsec)) && FRAMES.some((f) => known(f.values.fwhm_px))) {
  MEASURES[0].key = "fwhm_arcsec";
}
const PAPER_PX = 690;
const NARROW_PX = 600;
const MANY = 120; // frames, from which on the points are drawn smaller
const MOST_GROWN = 2.4; // lanes grow with the window up to so many times their least height

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
const onPaper = () => document.documentElement.classList.contains("paper");
const plotWidth = () => (onPaper() ? PAPER_PX : Math.max(240, byId("plot").clientWidth));

const SIZES = {
  wide: {row: 16, lane: 78, guide: 70, above: 0, below: 10, label: 170, foot: 46},
  narrow: {row: 19, lane: 78, guide: 70, above: 17, below: 7, label: 108, foot: 46}, // names stand above the lanes
  paper: {row: 11.5, lane: 46, guide: 36, above: 0, below: 8, label: 170, foot: 34},
  onesheet: {row: 11, lane: 40, guide: 30, above: 0, below: 7, label: 170, foot: 34},
};

function sizesNow() {
  const one = document.documentElement.classList.contains("onesheet");
  const kind = onPaper() ? (one ? "onesheet" : "paper") : plotWidth() < NARROW_PX ? "narrow" : "wide";
  return {...SIZES[kind], narrow: kind === "narrow"};
}

function reasonRows() {
  const seen = [];
  const order = [...NIGHT.causes.map((c) => c.reason), ...FRAMES.flatMap((f) => f.reasons)];
  for (const word of order) if (!seen.includes(word)) seen.push(word);
  return seen;
}

const pen = document.createElement("canvas").getContext("2d");

function textWidth(text, font = "11px system-ui, sans-serif") {
  pen.font = font;
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

// Rows of the first lane, the costliest reason on top, the kept as a strip below.
function reasonLane(sizes) {
  const lane = {kind: "why", at: new Map(), labels: [], size: 0};
  for (const [word, text] of [...reasonRows().map((word) => [word, reasonText(word)]), ["", "kept"]]) {
    const lines = wrapped(text, sizes.label);
    const height = sizes.row * (1 + 0.75 * (lines.length - 1));
    lane.at.set(word, lane.size + height / 2);
    lane.labels.push({lines, y: lane.size + height / 2});
    lane.size += height;
  }
  return lane;
}

// How much higher than their least the lanes may be, for the window to be filled.
function growth(fixed, lanes) {
  if (onPaper()) return paper.grown;
  const bar = byId("tools").offsetHeight, room = innerHeight - bar - 90 - fixed;
  return Math.min(MOST_GROWN, Math.max(1, room / lanes));
}

// Every lane with its place; all in px of the drawing.
function layLanes() {
  const sizes = sizesNow(), width = plotWidth();
  const lanes = [reasonLane(sizes)];
  for (const measure of MEASURES) {
    if (FRAMES.some((f) => known(f.values[measure.key]))) lanes.push({kind: "measure", key: measure.key, from: measure.from, size: sizes.lane});
  }
  if (NIGHT.trace && state.clock !== "order") lanes.push({kind: "guide", of: "ra", size: sizes.guide}, {kind: "guide", of: "dec", size: sizes.guide});
  const labels = lanes[0].labels.flatMap((label) => label.lines);
  const left = Math.ceil(Math.max(...labels.map((text) => textWidth(text)), sizes.narrow ? 44 : 155)) + 12;
  const x = nightScale(drawn.view || nightRange(), left, width - 12);
  const events = placeEvents(x);
  const placed = FRAMES.filter((f) => known(place(f)) && place(f) >= x.from && place(f) <= x.to);
  const head = 4 + EVENT_PX * events.rows;
  const grown = growth(head + sizes.foot + lanes[0].size + (sizes.above + sizes.below) * lanes.length, lanes.slice(1).reduce((sum, lane) => sum + lane.size, 0) || 1);
  let top = head;
  lanes.forEach((lane, k) => {
    if (k) lane.size *= grown;
    lane.top = top + (k ? sizes.above : 0);
    top = lane.top + lane.size + sizes.below;
    lane.limits = lane.kind === "measure" ? laneLimits(lane) : [];
    if (k) lane.y = laneScale(lane);
  });
  return {lanes, sizes, events, placed, width, left, right: width - 12, head, bottom: top, height: top + sizes.foot, x};
}

function laneScale(lane) {
  if (lane.kind === "guide") {
    const reach = guideReach();
    return valueScale([-reach, reach], lane.top, lane.size);
  }
  const values = FRAMES.map((f) => f.values[lane.key]).filter(known);
  const anchors = [...NIGHT.groups.map((group) => (group.usual[lane.key] || {}).centre), ...lane.limits.flatMap((line) => line.usual)].filter(known);
  return valueScale(laneReach(values, anchors, lane.from), lane.top, lane.size, lane.from);
}

const guideName = (lane) => (NIGHT.trace.axes === "xy" ? {ra: "x", dec: "y"} : {ra: "RA", dec: "Dec"})[lane.of];

// Spikes of a lost star would flatten the rest: the lane opens on what most samples need.
function guideReach() {
  const sizes = [...NIGHT.trace.ra.e, ...NIGHT.trace.dec.e].filter(known).map(Math.abs).sort((a, b) => a - b);
  if (!sizes.length) return 1;
  const most = sizes[sizes.length - 1], usual = quantile(sizes, 0.98);
  return Math.max(Math.min(most, 2 * usual), 0.1) * 1.05;
}

// The limit that each frame of a group was held against: one line, stepped where it differs.
function laneLimits(lane) {
  return NIGHT.groups.flatMap((group, k) => {
    const frames = FRAMES.filter((f) => f.group === k && known(f.limits[lane.key]) && known(place(f))).sort((a, b) => place(a) - place(b));
    if (!frames.length) return [];
    const values = frames.map((f) => f.limits[lane.key]), sorted = [...values].sort((a, b) => a - b);
    return [{frames, values, usual: [quantile(sorted, 0.5)]}];
  });
}

// What a lane shows, its unit and what is typical of it.
function nameOf(lane) {
  if (lane.kind === "guide") {
    const rms = NIGHT.guiding_rms[lane.of === "ra" ? 0 : 1];
    return {title: `guiding ${guideName(lane)}`, unit: "″", notes: known(rms) ? [`RMS ${number(rms)}`] : []};
  }
  const {label: title, unit, digits} = LOOK[lane.key];
  const usual = NIGHT.groups.length === 1 ? NIGHT.groups[0].usual[lane.key] : null;
  const lines = lane.limits, limit = lines.length === 1 ? new Set(lines[0].values) : new Set();
  return {title, unit, notes: [
    usual && known(usual.centre) ? `typical ${usual.centre.toFixed(digits)}` : "",
    limit.size === 1 ? `limit ${[...limit][0].toFixed(digits)}` : ""].filter(Boolean)};
}
