// What each night brings to a stack: its share of the depth, and its width beside that of the whole.
const DEPTH_PX = 84;
const WIDTH_PX = 84;
const EDGES = {left: 44, right: 8, top: 14, foot: 18, between: 22};

function showParts() {
  for (const plot of [...plots]) if (plot.of === "parts") plots.splice(plots.indexOf(plot), 1);
  const stacks = shownStacks().filter((stack) => stack.parts.length);
  const place = byId("parts");
  place.className = stacks.length > 1 ? "plots" : "";
  place.replaceChildren(...stacks.map(partsOfStack));
  if (!stacks.length) place.append(make("p", {className: "faint", textContent: "No stack can be predicted: see How the nights are tied together."}));
  drawPlots(false);
}

function partsOfStack(stack) {
  const picture = make("div", {className: "plot", role: "img", ariaLabel: `What each night brings to ${stack.label}; the table below it has the numbers`});
  plotIn(picture, (width) => drawParts(picture, stack, width)).of = "parts";
  const heads = [{text: "night"}, {text: "frames", figure: true}, {text: "kept", figure: true}, {text: "depth", figure: true, title: "its S/N² as a share of that of the stack of all nights"}, {text: "FWHM alone", figure: true},
    {text: "S/N without", figure: true, title: "S/N of the stack of all other nights, against that of all"}, {text: "FWHM without", figure: true}, {text: "ecc. without", figure: true}, {text: "plain mean"}];
  const rows = stack.parts.map((p) => [nightName(NIGHTS[p.night]), String(p.frames), timeText(p.kept_s), percent(p.depth), number(p.fwhm, 2, stack.unit), known(p.snr_without) ? minus(changeText(p.snr_without - 1)) : "–",
    number(p.fwhm_without, 2, stack.unit), number(p.eccentricity_without, 2), p.better_without ? "better without it" : "better with it"]);
  const whole = [];
  if (known(stack.fwhm)) whole.push(`By weight: FWHM ${number(stack.fwhm, 2, stack.unit)}, eccentricity ${number(stack.eccentricity, 2)}, S/N ×${figure(stack.snr)}.`);
  if (known(stack.plain_fwhm)) whole.push(`Plain mean: FWHM ${number(stack.plain_fwhm, 2, stack.unit)}, S/N ×${figure(stack.plain_snr)}.`);
  if (stack.reference_frame && stack.reference_night >= 0) whole.push(`S/N is over that of its best frame, ${stack.reference_frame} of ${nightName(NIGHTS[stack.reference_night])}.`);
  return make("article", {className: "stack"}, make("h3", {textContent: stack.label}), make("p", {textContent: plainDates(stack.verdict)}), picture,
    make("p", {className: "faint", textContent: whole.join(" ")}), ...stack.notes.map((note) => make("p", {className: "faint", textContent: plainDates(note)})),
    make("details", {}, make("summary", {textContent: "Numbers of each night"}), make("div", {className: "wide"}, tableOf(make("table", {className: "list"}), heads, rows))));
}

function drawParts(place, stack, width) {
  const {left, right, top, foot, between} = EDGES, second = top + DEPTH_PX + between, high = second + WIDTH_PX + foot;
  const each = (width - left - right) / NIGHTS.length, x = (night) => left + (night + 0.5) * each, wide = Math.max(2, Math.min(26, each * 0.7));
  const parts = stack.parts, shares = parts.map((p) => p.depth).filter(known);
  const depth = valueScale([0, Math.max(0.01, ...shares)], top, DEPTH_PX, 0);
  const view = draw("svg", {viewBox: `0 0 ${width} ${high}`, width, height: high, "aria-hidden": "true"});
  view.append(chosenBand(x(state.night) - each / 2, each, top, high - foot));
  view.append(textAt(0, 10, "share of the depth", "lane-name"), ...gridOf(depth, left, width - right, (v) => `${Math.round(v * 1000) / 10}%`));
  for (const part of parts) {
    if (!known(part.depth)) continue;
    const y = depth.at(part.depth);
    view.append(draw("rect", {x: round(x(part.night) - wide / 2), y: round(y), width: round(wide), height: round(Math.max(1, depth.at(0) - y)), class: part.better_without ? "bar harms" : "bar"}));
  }
  const widths = parts.flatMap((p) => [p.fwhm]).filter(known);
  if (widths.length) {
    const lines = [stack.fwhm].filter(known), scale = valueScale(laneReach(widths, lines), second, WIDTH_PX);
    view.append(textAt(0, second - 6, `FWHM of each night's own stack, ${stack.unit}`, "lane-name"), ...gridOf(scale, left, width - right));
    if (known(stack.fwhm)) view.append(draw("path", {d: `M${left} ${round(scale.at(stack.fwhm))}H${width - right}`, class: "typical"}));
    view.append(...parts.filter((p) => known(p.fwhm)).map((p) => signAt(x(p.night), clampTo(scale, p.fwhm), p.better_without ? "harms" : "")));
  }
  view.append(...nightTicks(x, each, high - 4));
  view.append(...hitAreas(x, each, top, high - foot, (night) => {
    const part = parts.find((p) => p.night === night);
    return [nightName(NIGHTS[night]), part ? bringsText(stack, part) : "nothing of this stack"];
  }));
  place.replaceChildren(view);
}

// The night that is chosen, in every plot that has one column a night.
const chosenBand = (x, wide, top, bottom) => draw("rect", {x: round(x), y: top, width: state.night === null ? 0 : round(Math.max(3, wide)), height: bottom - top, class: "chosen-place"});

const gridOf = (scale, left, right, text = tickText) => scale.ticks.flatMap((tick) => [draw("path", {d: `M${left} ${round(scale.at(tick))}H${round(right)}`, class: "grid"}), textAt(left - 5, scale.at(tick) + 4, text(tick), "tick", "end")]);

const tickText = (tick) => minus(Math.abs(tick) >= 1e5 ? tick.toExponential(0) : String(tick));

// A point that would flatten all others stands at the edge.
const clampTo = (scale, value) => scale.at(Math.max(scale.low, Math.min(scale.high, value)));

const signAt = (x, y, name) => (name === "harms"
  ? draw("path", {d: `M${round(x)} ${round(y - 6)}l5.5 6l-5.5 6l-5.5-6z`, class: "point harms"})
  : draw("circle", {cx: round(x), cy: round(y), r: 4, class: `point ${name}`}));

function hitAreas(x, each, top, bottom, lines) {
  return NIGHTS.map((night, n) => {
    const area = draw("rect", {x: round(x(n) - each / 2), y: top, width: round(each), height: bottom - top, class: "hit"});
    area.addEventListener("click", () => choose(n));
    return hinted(area, () => lines(n));
  });
}

// One label a night as far as they have room.
function nightTicks(x, each, y) {
  const every = Math.max(1, Math.ceil(46 / each)), ticks = [];
  for (let n = 0; n < NIGHTS.length; n += every) ticks.push(textAt(x(n), y, NIGHTS[n].day ? dayText(NIGHTS[n].day) : String(n + 1), "tick", "middle"));
  return ticks;
}
