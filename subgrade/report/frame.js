// The selected frame: verdict, why, pictures, drawings, evidence.
const panelTools = []; // further buttons of a frame, each made for it

function showPanel() {
  const frame = FRAMES[state.selected];
  if (!frame) {
    renew(byId("panel"), make("p", {className: "faint", textContent: "Click a point or a row, or step through the frames with →."}));
    return;
  }
  renew(byId("panel"),
    make("div", {className: "top"}, walkBar(frame), nameOfFrame(frame),
      make("p", {className: "facts"}, verdictTag(frame), ...frame.reasons.flatMap((word, k) => [k ? ", " : " ", make("span", {title: reasonTitle(word), textContent: reasonText(word)})]))),
    make("p", {className: "facts faint", textContent: factsText(frame), title: "Confidence in the verdict, 0 to 1; relative weight in the stack, 1 for the best frame"}),
    make("p", {className: "explanation", textContent: frame.values.explanation || ""}),
    ...(frame.verdict === "unreadable" ? [] : [markButtons(frame), gaugesOf(frame), ...viewsOf(frame), numbersOf(frame), evidenceOf(frame)]),
    notesOf(frame));
}

function viewsOf(frame) {
  if (frame.drawn === false) return [make("p", {className: "faint", textContent: "A night of so many frames has pictures of those only that were lost or doubtful. To see this frame: subgrade review, with the folder of this page."})];
  const path = pathInPixels(frame);
  const span = sharedSpan(frame, path);
  return [make("div", {className: "views pair"}, thumbnail(frame), whiskers(frame)), starRow(frame),
    make("div", {className: "views drawings"}, typicalDrawing(frame, span), movedDrawing(frame, span), starDrawing(frame, span), pathDrawing(frame, span, path)),
    make("p", {className: "faint below", textContent: [motionText(frame), pathText(path)].filter(Boolean).join(" ")})];
}

function walkBar(frame) {
  const button = (hold, title, textContent, act) => make("button", {type: "button", title, ariaLabel: title, textContent, data: {hold}, on: {click: act}});
  return make("div", {className: "walk"},
    button("before", "Previous frame", "←", () => step(-1)), button("next", "Next frame", "→", () => step(1)),
    button("reject", "Next rejected frame", `${SIGN.reject} →`, () => step(1, FRAMES, rejected)),
    make("span", {className: "faint", textContent: walkText(frame)}),
    make("a", {className: "back", href: "#line", textContent: "↑ time line", on: {click: (event) => {
      event.preventDefault();
      byId("line").scrollIntoView();
      byId("line").focus({preventScroll: true});
    }}}));
}

function nameOfFrame(frame) {
  const plain = plainName(frame.name), folder = frame.name.slice(0, frame.name.length - plain.length);
  return make("h2", {id: "name", className: plain.length > 40 ? "long" : ""}, folder ? make("span", {className: "faint"}, ...breakable(folder)) : null, make("span", {}, ...breakable(plain)));
}

function walkText(frame) {
  const shown = FRAMES.filter((f) => fits(f));
  const at = shown.indexOf(frame);
  const of = at < 0 ? "hidden by the filter" : `${at + 1} of ${shown.length}`;
  return [of, known(frame.start_unix) ? `${clockText(frame.start_unix, true)} ${clockName()}` : "no time"].join(" · ");
}

function factsText(frame) {
  const v = frame.values;
  const parts = [v.target, v.filter, known(v.exposure_s) ? `${short(v.exposure_s)} s` : null];
  if (frame.verdict !== "unreadable") parts.push(`confidence ${number(v.confidence)}`, `weight ${number(v.weight)}`);
  return parts.filter(Boolean).join(" · ");
}

function markButtons(frame) {
  const mark = markOf(frame);
  const button = (word, text, key) => make("button", {type: "button", ariaPressed: String(mark === word), className: "mark", title: `Key ${key}: ${effectText(frame, mark === word ? null : word)}`, data: {hold: word}, on: {click: () => setMark(frame, mark === word ? null : word)}},
    make("kbd", {textContent: key}), ` ${text}`);
  return make("div", {className: "marks", role: "group", ariaLabel: "Your own verdict"}, make("span", {className: "faint", textContent: "Your verdict: "}),
    button("keep", "keep", "K"), button("reject", "reject", "R"),
    mark ? make("span", {className: "markword", textContent: agrees(frame) ? "○ you agree" : `○ you overrule: ${effectText(frame, mark)}`}) : null,
    ...frame.by_marks.map((textContent) => make("p", {className: "told", textContent})),
    ...panelTools.map((tool) => tool(frame)));
}

function numbersOf(frame) {
  if (frame.width === null) return null;
  const v = frame.values;
  const group = NIGHT.groups[frame.group];
  const scale = frame.scale_arcsec, axes = axisNames();
  const centre = (name) => (group && group.usual[name] ? group.usual[name].centre : null);
  const typical = (key) => number(centre(key), LOOK[key].digits);
  const row = (key) => [LOOK[key].label, written(key, v[key]), typical(key)];
  const night = (k) => number(NIGHT.guiding_rms[k], 2, "″");
  const inside = (key, axis = "") => [`${LOOK[key].label}${axis}`, known(v[key]) ? written(key, v[key]) : null];
  const rows = [
    [LOOK.fwhm_px.label, bothLengths(v.fwhm_px, scale), bothLengths(centre("fwhm_px"), scale)],
    [LOOK.eccentricity.label, ovalText(frame), typical("eccentricity")],
    [...inside("angle_deg"), ""],
    [...inside("guide_rms_ra_arcsec", ` ${axes[0]}`), night(0), MEDIAN_KEPT],
    [...inside("guide_rms_dec_arcsec", ` ${axes[1]}`), night(1), MEDIAN_KEPT],
    [...inside("guide_peak_arcsec"), ""],
    row("transparency"), row("background_adu"), row("stars"),
  ].filter(([, value]) => value !== null);
  const whose = NIGHT.groups.length > 1 ? "typical of the group" : "typical";
  const robust = `robust mean of ${NIGHT.groups.length > 1 ? "the group's" : "all"} frames, kept and rejected; guiding: ${MEDIAN_KEPT}`;
  const heads = [["", ""], ["this frame", ""], [whose, robust]];
  return make("table", {className: "numbers"},
    make("thead", {}, make("tr", {}, ...heads.map(([textContent, title]) => (textContent ? make("th", {scope: "col", textContent, title}) : make("td"))))),
    make("tbody", {}, ...rows.map(([name, value, of, title]) => make("tr", {}, make("th", {scope: "row", textContent: name}), make("td", {textContent: value}), make("td", {className: "faint", textContent: of, title: title || ""})))));
}

const MEDIAN_KEPT = "median of the kept frames";

// As measured for sorting; shown as an upper bound where it is lost in its noise.
const ovalText = (frame) => frame.eccentricity_text || number(frame.values.eccentricity);

function notesOf(frame) {
  if (!frame.notes.length) return null;
  return make("ul", {className: "notes faint"}, ...frame.notes.map((note) => make("li", {textContent: note})));
}

// Walks through the frames that the filter shows, in the order taken or that of the table.
function step(by, order = FRAMES, wanted = () => true) {
  const shown = order.filter((f) => fits(f) && wanted(f));
  if (!shown.length) return;
  const current = FRAMES[state.selected];
  let at = shown.indexOf(current);
  if (at < 0 && current) {
    const where = order.indexOf(current);
    at = shown.findIndex((f) => order.indexOf(f) > where);
    if (at < 0) at = shown.length;
    if (by > 0) at -= 1;
  } else if (at < 0) at = by > 0 ? -1 : shown.length;
  const to = at + by;
  if (Math.abs(by) === 1 && !shown[to]) return; // nothing further that way
  select(shown[Math.min(shown.length - 1, Math.max(0, to))].index);
}

// Selects a frame and brings it into view if it is not.
function walkTo(index) {
  select(index);
  const box = byId("panel").getBoundingClientRect();
  if (box.top < innerHeight / 2 && box.bottom > 200) return;
  byId("panel").scrollIntoView({block: "start"});
}
