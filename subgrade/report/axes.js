// Scales of the time line: places along the night and up a lane, and their ticks.
const PAUSE_PX = 14; // what a pause that is cut out takes
const LONG_PAUSE_MS = 3 * 3600e3;
const ROOM_MS = 600e3; // left on either side of one that is cut out
const CLOCK_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400].map((s) => s * 1000);

// Pauses without a frame that are long enough to be cut out, as [from, to].
function longPauses() {
  const sorted = [...TIMED].sort((a, b) => a.start_unix - b.start_unix), found = [];
  let end = -Infinity;
  for (const frame of sorted) {
    const start = wall(frame.start_unix);
    if (start - end > LONG_PAUSE_MS + 2 * ROOM_MS) found.push([end + ROOM_MS, start - ROOM_MS]);
    end = Math.max(end, wall(frame.start_unix + (frame.elapsed_s || 0)));
  }
  return found.filter(([from]) => Number.isFinite(from));
}

// The whole night, with a little room.
function nightRange() {
  if (state.clock === "order") return FRAMES.length ? [0.3, FRAMES.length + 0.7] : [0, 1];
  const from = Math.min(...TIMED.map((f) => f.start_unix)), to = Math.max(...TIMED.map((f) => f.start_unix + (f.elapsed_s || 0)));
  const room = Math.min(600, Math.max(60, 0.015 * (to - from)));
  return [wall(from - room), wall(to + room)];
}

// Places along the night in px: at() of a time or frame number, from() back again.
function nightScale([from, to], left, right) {
  const pauses = state.clock === "order" ? [] : longPauses().filter(([a, b]) => b > from && a < to);
  const parts = [];
  let start = from;
  for (const [a, b] of pauses) {
    if (a > start) parts.push({from: start, to: a});
    start = Math.max(start, b);
  }
  if (to > start || !parts.length) parts.push({from: start, to});
  const length = parts.reduce((sum, part) => sum + part.to - part.from, 0) || 1;
  const perUnit = (right - left - PAUSE_PX * (parts.length - 1)) / length;
  let x = left;
  for (const part of parts) {
    part.left = x;
    x += (part.to - part.from) * perUnit;
    part.right = x;
    x += PAUSE_PX;
  }
  const at = (value) => {
    const part = parts.find((p) => value <= p.to) || parts[parts.length - 1];
    return value < part.from && part !== parts[0] ? part.left - PAUSE_PX / 2 : part.left + (value - part.from) * perUnit;
  };
  const back = (px) => {
    const part = parts.find((p) => px <= p.right + PAUSE_PX / 2) || parts[parts.length - 1];
    return Math.min(part.to, Math.max(part.from, part.from + (px - part.left) / perUnit));
  };
  return {at, back, parts, perUnit, left, right, from, to};
}

function stepOf(span, most, steps = null) {
  const raw = span / Math.max(most, 1);
  if (steps) {
    const found = steps.find((step) => step >= raw);
    return found || Math.ceil(raw / 86400e3) * 86400e3;
  }
  const tens = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((n) => n * tens).find((step) => step >= raw * 0.999);
}

// Ticks along the night: [place, label, date where it changes].
function nightTicks(x) {
  const room = state.clock === "order" ? 44 : 62;
  const span = x.parts.reduce((sum, part) => sum + part.to - part.from, 0);
  const most = (x.right - x.left) / room, ticks = [];
  if (state.clock === "order") {
    const step = Math.max(1, stepOf(span, most));
    for (let n = Math.ceil(x.from / step) * step; n <= x.to; n += step) if (n > 0) ticks.push([n, String(n), ""]);
    return ticks;
  }
  const step = stepOf(span, most, CLOCK_STEPS);
  let last = -Infinity, day = "";
  for (const part of x.parts) {
    for (let t = Math.ceil(part.from / step) * step; t <= part.to; t += step) {
      if (x.at(t) - last < room * 0.7) continue;
      last = x.at(t);
      const text = new Date(t).toISOString(), date = text.slice(0, 10);
      ticks.push([t, step < 60e3 ? text.slice(11, 19) : text.slice(11, 16), date === day ? "" : date]);
      day = date;
    }
  }
  return ticks;
}

const quantile = (sorted, share) => sorted[Math.round(share * (sorted.length - 1))];

// What a lane shows: every value, unless single ones far out would flatten all others.
function laneReach(values, anchors, from) {
  const sorted = [...values].sort((a, b) => a - b);
  const usual = [quantile(sorted, 0.1), quantile(sorted, 0.9), ...anchors];
  const low = Math.min(...usual), high = Math.max(...usual), room = 1.6 * (high - low || Math.abs(high) || 1);
  const inside = sorted.filter((value) => value >= low - room && value <= high + room);
  return [from === 0 ? 0 : Math.min(low, ...inside), Math.max(high, ...inside)];
}

// Places up a lane in px, with ticks; far ratios by their logarithm.
function valueScale([low, high], top, size, from) {
  if (low > 0 && high / low > 8 && from !== 0) {
    const foot = Math.log(low / 1.15), head = Math.log(high * 1.15);
    const ticks = [];
    for (let tens = 10 ** Math.floor(Math.log10(low)); tens <= high; tens *= 10) ticks.push(...[1, 2, 5].map((n) => n * tens));
    const inside = ticks.filter((t) => t >= low / 1.15 && t <= high * 1.15);
    return {low, high, ticks: inside.length > 4 ? inside.filter((t) => String(t).replace(/[0.]/g, "") === "1") : inside, at: (v) => top + size * (1 - (Math.log(v) - foot) / (head - foot))};
  }
  const spare = 0.09 * (high - low || Math.abs(high) || 1), foot = low - spare, head = high + spare;
  let ticks = [];
  for (let most = Math.max(2, Math.min(5, size / 26)); ticks.length < 2 && most < 20; most *= 1.6) {
    const step = stepOf(head - foot, most);
    ticks = [];
    for (let k = Math.ceil(foot / step - 1e-9); k * step <= head; k++) ticks.push(Number((k * step).toPrecision(12)));
    if (from === 0) ticks = ticks.filter((tick) => tick >= 0);
  }
  return {low, high, ticks, at: (v) => top + size * (1 - (v - foot) / (head - foot))};
}
