// What stands around the lanes: names, grid, ticks; and the drawing put together.
function laneNames(lane, plan) {
  if (lane.kind === "why") {
    return lane.labels.flatMap(({lines, y}) => lines.map((text, k) =>
      textAt(plan.left - 8, lane.top + y + 4 + 12 * (k - (lines.length - 1) / 2), text, "tick", "end")));
  }
  const {title, unit, notes} = nameOf(lane), head = unit ? `${title}, ${unit}` : title;
  if (plan.sizes.narrow) {
    const label = textAt(2, lane.top - 5, head, "lane-name");
    const more = draw("tspan", {class: "lane-note", dx: 8});
    more.textContent = notes.join(", ");
    label.append(more);
    return [label];
  }
  const middle = lane.top + lane.size / 2, first = middle + 4 - 7.5 * notes.length;
  return [textAt(2, first, head, "lane-name"), ...notes.map((text, k) => textAt(2, first + 15 * (k + 1), text, "lane-note"))];
}

function laneGrid(lane, plan) {
  const ys = lane.kind === "why" ? lane.labels.map((label) => lane.top + label.y) : lane.y.ticks.map(lane.y.at);
  const lines = ys.map((y) => `M${plan.left} ${round(y)}H${plan.right}`).join("");
  const parts = [draw("path", {d: lines, class: lane.kind === "why" ? "rows" : "grid"})];
  if (lane.kind === "guide") parts.push(draw("path", {d: `M${plan.left} ${round(lane.y.at(0))}H${plan.right}`, class: "zero"}));
  if (lane.kind !== "why") parts.push(...lane.y.ticks.map((tick) => textAt(plan.left - 6, lane.y.at(tick) + 4, tickText(tick), "tick", "end")));
  return parts;
}

const tickText = (tick) => (Math.abs(tick) >= 1e5 ? tick.toExponential(0).replace("e+", "e") : String(tick).replace("-", "−"));

function clockAxis(plan) {
  const {x, bottom} = plan, ticks = nightTicks(x), parts = [];
  const top = plan.lanes[0].top;
  parts.push(draw("path", {d: ticks.map(([value]) => `M${round(x.at(value))} ${top}V${round(bottom)}`).join(""), class: "grid"}));
  let end = -Infinity;
  for (const [value, label, date] of ticks) {
    const px = Math.max(x.at(value), x.left + 10);
    parts.push(textAt(px, bottom + 13, label, "tick", "middle"));
    if (date && px - 34 > end) {
      parts.push(textAt(px, bottom + 27, date, "tick", "middle"));
      end = px + 34;
    }
  }
  for (const part of x.parts.slice(1)) {
    parts.push(draw("path", {d: `M${round(part.left - PAUSE_PX + 4)} ${top}V${round(bottom)}M${round(part.left - 4)} ${top}V${round(bottom)}`, class: "pause"}));
  }
  parts.push(textAt((x.left + x.right) / 2, bottom + plan.sizes.foot - 4, state.clock === "order" ? "frame number" : clockName(), "tick", "middle"));
  return parts;
}

// The exposure of the selected frame, over all lanes.
function chosenPlace() {
  const {plan} = drawn, frame = FRAMES[state.selected];
  if (!frame || !known(place(frame)) || onPaper()) return {width: 0};
  const [from, to] = spanOf(frame, plan.x), wide = Math.max(3, to - from);
  const start = (from + to - wide) / 2;
  if (place(frame) < plan.x.from || place(frame) > plan.x.to) return {width: 0};
  return {x: round(start), width: round(wide), y: plan.lanes[0].top, height: round(plan.bottom - plan.lanes[0].top)};
}

function selectOnLine() {
  const box = byId("plot").querySelector(".chosen-place");
  if (box) for (const [name, value] of Object.entries(chosenPlace())) box.setAttribute(name, value);
}

function drawLine() {
  const plan = layLanes();
  Object.assign(drawn, {plan, width: plotWidth(), tall: innerHeight, points: []});
  const view = draw("svg", {viewBox: `0 0 ${plan.width} ${round(plan.height)}`, width: plan.width, height: round(plan.height), "aria-hidden": "true"});
  view.append(draw("rect", {class: "chosen-place", width: 0}), ...plan.lanes.flatMap((lane) => laneGrid(lane, plan)), ...clockAxis(plan));
  for (const lane of plan.lanes) {
    const points = lane.kind === "why" ? whyPoints(lane, plan) : lane.kind === "measure" ? measurePoints(lane, plan) : [];
    drawn.points.push(...points);
    const under = lane.kind === "measure" ? drawMeasure(lane, plan) : lane.kind === "guide" ? drawGuide(lane, plan) : [];
    lane.holder = draw("g", {class: "points"}, ...pointPaths(points));
    lane.points = points;
    view.append(draw("g", {class: `lane ${lane.kind}`, "data-lane": lane.key || lane.of || "why"}, ...under, lane.holder, ...laneNames(lane, plan)));
  }
  view.append(...drawEvents(plan));
  byId("plot").replaceChildren(view);
  selectOnLine();
  showLegend();
}

// Filters and marks change looks only.
function restyleLine() {
  if (!drawn.plan) return;
  for (const lane of drawn.plan.lanes) lane.holder.replaceChildren(...pointPaths(lane.points));
}

// A handle that is dragged asks more often than can be seen.
let restyling = 0;

function restyleSoon() {
  cancelAnimationFrame(restyling);
  restyling = requestAnimationFrame(restyleLine);
}

function showLegend() {
  const sign = (word, text, name = word) => make("span", {className: `sign ${name}`}, make("span", {ariaHidden: "true", textContent: `${word} `}), text);
  const lanes = drawn.plan.lanes, homeless = FRAMES.filter((f) => !known(place(f))).length;
  const notes = [
    matchMedia("(pointer: coarse)").matches ? "Tap a point to see its frame." : "Click a point to see its frame; drag to zoom, double-click for the whole night.",
    homeless && TIMED.length && state.clock !== "order" ? `${count(homeless, "file")} without a time: see the table, or set the clock to frame numbers.` : "",
    NIGHT.trace && state.clock === "order" ? "To see the guiding record, choose UTC or local time." : ""];
  const parts = [sign(SIGN.keep, "kept", "keep"), sign(SIGN.reject, "rejected", "reject")];
  if (FRAMES.some(isSurplus)) parts.push(sign(SIGN.reject, reasonText("surplus"), "surplus"));
  if (FRAMES.some((f) => f.verdict === "unreadable")) parts.push(sign(SIGN.unreadable, "unreadable"));
  if (drawn.points.some((p) => p.look === "further")) parts.push(sign("○", "additional reason or remark"));
  parts.push(sign("┄", NIGHT.groups.length > 1 ? "typical of the group" : "typical"));
  if (lanes.some((lane) => lane.limits.length)) parts.push(sign("━", "limit", "limit-sign"));
  if (drawn.points.some((p) => p.out)) parts.push(sign("▲", "outside the lane"));
  if (lanes.some((lane) => lane.kind === "guide")) parts.push(make("span", {className: "sign"}, make("i", {className: "swatch"}), " exposure"));
  if (drawn.view) parts.push(make("button", {type: "button", id: "whole", textContent: "Whole night", on: {click: () => zoomTo(null)}}));
  byId("legend").replaceChildren(...parts, make("span", {className: "screen", textContent: notes.filter(Boolean).join(" ")}));
}
