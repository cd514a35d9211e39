// Every frame at its hour: a row a night, so that time lost at the same hour of many nights is seen.
const TONES = 5;
const HOUR_S = 3600, DAY_S = 86400;
const CLOCK_STEPS_S = [300, 600, 900, 1800, 3600, 7200, 10800, 21600];
const hourMap = {rows: [], cut: 0};

function startHours() {
  hourMap.rows = NIGHTS.filter((night) => known(night.start) && night.cells.minute.length);
  byId("map").hidden = !hourMap.rows.length;
  if (!hourMap.rows.length) return;
  hourMap.cut = quietHour();
  plotIn(byId("hourmap"), drawHours);
}

const timeOfDay = (unix) => ((unix % DAY_S) + DAY_S) % DAY_S;

// The time of day from which the nights are drawn: in the middle of the longest time without a frame.
function quietHour() {
  const busy = new Array(96).fill(false);
  for (const night of hourMap.rows) night.cells.minute.forEach((minute) => { busy[Math.floor(timeOfDay(night.start + 60 * minute) / 900)] = true; });
  let best = 0, from = 48, run = 0;
  for (let k = 0; k < 192; k++) {
    run = busy[k % 96] ? 0 : run + 1;
    if (run > best && run <= 96) [best, from] = [run, k - run + 1];
  }
  return ((from + best / 2) * 900) % DAY_S;
}

function drawHours(width) {
  const {rows, cut} = hourMap, left = 78, right = 8, top = 4, foot = 32, tall = rows.length > 30 ? 13 : 20;
  const place = (unix) => (timeOfDay(unix) - cut + DAY_S) % DAY_S;
  let from = Infinity, to = -Infinity;
  for (const night of rows) night.cells.minute.forEach((minute, k) => {
    const at = place(night.start + 60 * minute);
    from = Math.min(from, at);
    to = Math.max(to, at + 60 * (night.cells.length[k] || 1));
  });
  const x = (seconds) => left + (width - left - right) * (seconds - from) / Math.max(to - from, 1), high = top + rows.length * tall + foot;
  const lights = rows.flatMap((night) => night.cells.light.filter((v, k) => known(v) && night.cells.kept[k])).sort((a, b) => a - b);
  const full = lights.length ? quantile(lights, 0.95) : 1;
  const paths = {lost: "", unknown: ""};
  for (let tone = 1; tone <= TONES; tone++) paths[`tone${tone}`] = "";
  rows.forEach((night, row) => night.cells.minute.forEach((minute, k) => {
    const start = place(night.start + 60 * minute), a = x(start), b = x(start + 60 * (night.cells.length[k] || 1));
    paths[nameOfCell(night, k, full)] += `M${round(a)} ${top + row * tall + 1}h${round(Math.max(0.6, b - a - 0.3))}v${tall - 3}h${round(-Math.max(0.6, b - a - 0.3))}z`;
  }));
  const view = draw("svg", {viewBox: `0 0 ${width} ${high}`, width, height: high, "aria-hidden": "true"});
  const chosen = rows.findIndex((night) => night.index === state.night);
  if (chosen >= 0) view.append(draw("rect", {x: 0, y: top + chosen * tall - 1, width, height: tall, class: "chosen-place"}));
  const step = stepOf(to - from, Math.max(2, (width - left) / 60), CLOCK_STEPS_S);
  for (let s = Math.ceil((from + cut) / step) * step; s <= to + cut; s += step) {
    const px = x(s - cut);
    view.append(draw("path", {d: `M${round(px)} ${top}V${high - foot}`, class: "grid"}), textAt(px, high - 18, `${String(Math.floor(timeOfDay(s) / HOUR_S)).padStart(2, "0")}:${String(Math.floor(timeOfDay(s) % HOUR_S / 60)).padStart(2, "0")}`, "tick", "middle"));
  }
  view.append(textAt((left + width - right) / 2, high - 3, "UTC", "tick", "middle"));
  for (const [name, d] of Object.entries(paths)) if (d) view.append(draw("path", {d, class: `time ${name}`}));
  const every = Math.ceil(13 / tall);
  rows.forEach((night, row) => { if (row % every === 0) view.append(textAt(left - 6, top + row * tall + tall / 2 + 4, night.day ? dayText(night.day) : String(night.index + 1), "tick", "end")); });
  const nightAt = (event) => rows[Math.floor((event.clientY - view.getBoundingClientRect().top) * high / view.getBoundingClientRect().height / tall - top / tall)];
  view.addEventListener("click", (event) => nightAt(event) && choose(nightAt(event).index));
  view.addEventListener("pointermove", (event) => hintOfHour(event, nightAt(event), (px) => from + (px - left) / Math.max(width - left - right, 1) * (to - from), place, view, width));
  view.addEventListener("pointerleave", hideHint);
  byId("hourmap").replaceChildren(view);
  byId("hourmap").setAttribute("aria-label", "Every frame at its hour, kept or lost; the table of nights and the table of reasons have the same in numbers");
  showMapLegend(paths);
}

function nameOfCell(night, k, full) {
  if (!night.cells.kept[k]) return "lost";
  const light = night.cells.light[k];
  if (!known(light)) return "unknown";
  return `tone${Math.max(1, Math.min(TONES, Math.ceil(TONES * light / full - 0.5)))}`;
}

function hintOfHour(event, night, timeAt, place, view, width) {
  if (!night) return hideHint();
  const box = view.getBoundingClientRect(), at = timeAt((event.clientX - box.left) * width / box.width), cells = night.cells;
  const k = cells.minute.findIndex((minute, i) => { const start = place(night.start + 60 * minute); return start <= at && at <= start + 60 * (cells.length[i] || 1); });
  if (k < 0) return showHint(event, [nightName(night)]);
  const time = new Date(1000 * (night.start + 60 * cells.minute[k])).toISOString().slice(11, 16), facts = [];
  if (known(cells.light[k])) facts.push(`starlight ${figure(cells.light[k])}`);
  if (known(cells.width[k])) facts.push(`FWHM ${number(cells.width[k], 2, night.series.length && night.series[0].unit === "″" ? "″" : "px")}`);
  return showHint(event, [`${nightName(night)}, ${time} UTC`, cells.kept[k] ? "kept" : `lost: ${reasonText(cells.reason[k])}`, facts.join(", ")]);
}

const reasonText = (word) => (SEASON.losses.find((loss) => loss.reason === word) || {text: word}).text;

function showMapLegend(paths) {
  const parts = [];
  if (Object.keys(paths).some((name) => name.startsWith("tone") && paths[name])) parts.push(make("span", {}, make("i", {className: "swatch ramp"}), " kept: the fuller, the more starlight"));
  if (paths.unknown) parts.push(make("span", {}, make("i", {className: "swatch unknown"}), " kept, starlight not known"));
  if (paths.lost) parts.push(make("span", {}, make("i", {className: "swatch lost"}), " lost"));
  byId("maplegend").replaceChildren(...parts);
}
