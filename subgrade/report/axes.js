// Places along the night, and their ticks.
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
