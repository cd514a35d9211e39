// Draws the time line. Points of one look in a lane are one path, so that a thousand frames stay quick.
const drawn = {plan: null, points: [], view: null, width: 0, tall: 0};
const SIZE = {keep: 3.6, reject: 5.2, unreadable: 4.2};

const SHAPES = {
  circle: (x, y, r) => `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0z`,
  diamond: (x, y, r) => `M${x} ${y - r}l${r} ${r}l${-r} ${r}l${-r} ${-r}z`,
  square: (x, y, r) => `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}z`,
  up: (x, y, r) => `M${x} ${y - r}l${r} ${1.7 * r}h${-2 * r}z`,
  down: (x, y, r) => `M${x} ${y + r}l${r} ${-1.7 * r}h${-2 * r}z`,
};
// What a choice left out was no loss of the night.
const lookOf = (frame) => (isSurplus(frame) ? "surplus" : frame.verdict);
const SHAPE = {keep: "circle", reject: "diamond", unreadable: "square"};

function textAt(x, y, text, name, anchor = "start") {
  const label = draw("text", {x: round(x), y: round(y), class: name, "text-anchor": anchor});
  label.textContent = text;
  return label;
}

function lineThrough(places, name) {
  let open = false, path = "";
  for (const [x, y] of places) {
    if (known(y)) path += `${open ? "L" : "M"}${round(x)} ${round(y)}`;
    open = known(y);
  }
  return draw("path", {d: path, class: name});
}

// Exposure of a frame in px, its number's room among frame numbers; as much of it as is in view.
function spanOf(frame, x) {
  const inside = (px) => Math.min(x.right, Math.max(x.left, px));
  if (state.clock === "order") return [inside(x.at(frame.index + 0.58)), inside(x.at(frame.index + 1.42))];
  const middle = inside(x.at(place(frame)));
  if (!known(frame.start_unix)) return [middle, middle];
  return [inside(x.at(wall(frame.start_unix))), inside(x.at(wall(frame.start_unix + (frame.elapsed_s || 0))))];
}

// Points of the first lane: a strip for what was kept, a point for each rejected, rings for other reasons.
function whyPoints(lane, plan) {
  const found = [], small = FRAMES.length > MANY ? 0.8 : 1;
  const put = (frame, word, more) => {
    const [from, to] = spanOf(frame, plan.x);
    found.push({frame, x: (from + to) / 2, y: lane.top + lane.at.get(word), ...more(from, to)});
  };
  for (const frame of plan.placed) {
    if (frame.verdict === "keep") put(frame, "", (from, to) => ({look: "strip", from, wide: Math.max(1.6, to - from - (to - from > 3 ? 0.8 : 0))}));
    else put(frame, frame.reasons[0], () => ({look: lookOf(frame), shape: SHAPE[frame.verdict], r: SIZE[frame.verdict] * small}));
    for (const word of frame.verdict === "keep" ? frame.reasons : frame.reasons.slice(1)) put(frame, word, () => ({look: "further", shape: "circle", r: 3.4}));
  }
  return found.filter((point) => Number.isFinite(point.y));
}

// A value that the lane does not reach is an arrow at its edge.
function measurePoints(lane, plan) {
  const found = [], {low, high, at} = lane.y, small = FRAMES.length > MANY ? 0.7 : 1;
  for (const frame of plan.placed) {
    const value = frame.values[lane.key];
    if (!known(value)) continue;
    const out = value > high ? "up" : value < low ? "down" : "";
    const y = out === "up" ? lane.top + 6 : out === "down" ? lane.top + lane.size - 6 : at(value);
    found.push({frame, x: alongOf(frame, plan), y, look: lookOf(frame), out, shape: out || SHAPE[frame.verdict], r: (out ? 5 : SIZE[frame.verdict]) * small});
  }
  return found;
}

const alongOf = (frame, plan) => plan.x.at(place(frame));

// One path for all points of a lane that look alike.
function pointPaths(points) {
  const looks = new Map(), leftOut = strictLeavesOut();
  for (const point of points) {
    const faded = !fits(point.frame) ? " faded" : leftOut(point.frame) ? " pale" : "", marked = point.look !== "further" && markOf(point.frame) ? " marked" : "";
    const name = `point ${point.look}${faded}${marked}`;
    if (!looks.has(name)) looks.set(name, []);
    looks.get(name).push(point);
  }
  const order = ["strip", "further", "keep", "unreadable", "surplus", "reject"];
  const sorted = [...looks].sort(([a], [b]) => a.includes("marked") - b.includes("marked") || order.indexOf(a.split(" ")[1]) - order.indexOf(b.split(" ")[1]));
  return sorted.map(([name, alike]) => draw("path", {class: name, "data-frames": alike.map((p) => p.frame.index).join(" "),
    d: alike.map((p) => (p.look === "strip" ? `M${round(p.from)} ${round(p.y - 4)}h${round(p.wide)}v8h${round(-p.wide)}z` : SHAPES[p.shape](round(p.x), round(p.y), p.r))).join("")}));
}

// One line where all were held against the same; else a step for each frame.
function limitLine({frames, values}, lane, plan) {
  const {at, low, high} = lane.y, same = values.every((value) => value === values[0]), parts = [];
  const inView = new Set(plan.placed);
  frames.forEach((frame, k) => {
    if (!inView.has(frame)) return;
    const [from, to] = spanOf(frame, plan.x), y = values[k] >= low && values[k] <= high ? at(values[k]) : null;
    if (parts.length && !same) parts.push([from, null]);
    parts.push([from - 1, y], [to + 1, y]);
  });
  return lineThrough(parts, "limit");
}

function drawMeasure(lane, plan) {
  const parts = [];
  NIGHT.groups.forEach((group, k) => {
    const frames = plan.placed.filter((f) => f.group === k && known(f.values[lane.key]));
    const clipped = (value) => lane.y.at(Math.min(lane.y.high, Math.max(lane.y.low, value)));
    parts.push(lineThrough(frames.map((f) => [alongOf(f, plan), clipped(f.values[lane.key])]), "course"));
    const usual = group.usual[lane.key];
    if (usual && known(usual.centre) && frames.length > 1) {
      const y = lane.y.at(usual.centre);
      parts.push(lineThrough([[alongOf(frames[0], plan), y], [alongOf(frames[frames.length - 1], plan), y]], "typical"));
    }
  });
  parts.push(...lane.limits.map((line) => limitLine(line, lane, plan)));
  return parts;
}

// One ink for both axes: RA is a line, Dec the area between it and zero.
function drawGuide(lane, plan) {
  const {t, e} = NIGHT.trace[lane.of], {x} = plan, foot = lane.top + lane.size, places = [];
  let shade = "";
  for (const frame of TIMED) {
    const [from, to] = spanOf(frame, x);
    if (to > from) shade += `M${round(from)} ${round(lane.top)}H${round(to)}V${round(foot)}H${round(from)}z`;
  }
  const inside = (y) => Math.min(foot, Math.max(lane.top, y));
  for (let k = 0; k < t.length; k++) {
    const ms = wall(t[k]);
    if (ms < x.from || ms > x.to) continue;
    places.push([x.at(ms), known(e[k]) ? inside(lane.y.at(e[k])) : null]);
  }
  const trace = lane.of === "ra" ? [lineThrough(places, "trace ra")] : decArea(places, lane.y.at(0));
  return [draw("path", {d: shade, class: "exposures"}), ...trace];
}

function decArea(places, zero) {
  let path = "", last = null;
  for (const [x, y] of places) {
    if (!known(y)) {
      if (last) path += `V${round(zero)}z`;
      last = null;
    } else if (last) path += `H${round(x)}V${round(y)}`;
    else path += `M${round(x)} ${round(zero)}V${round(y)}`;
    if (known(y)) last = [x, y];
  }
  return [draw("path", {d: path + (last ? `V${round(zero)}z` : ""), class: "trace dec"})];
}
