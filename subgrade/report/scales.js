// Places up a plot, and round steps of its ticks.
function stepOf(span, most, steps = null) {
  const raw = span / Math.max(most, 1);
  if (steps) {
    const found = steps.find((step) => step >= raw);
    return found || Math.ceil(raw / 86400e3) * 86400e3;
  }
  const tens = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((n) => n * tens).find((step) => step >= raw * 0.999);
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
