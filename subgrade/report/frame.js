// The selected frame: verdict, why, pictures, drawings, evidence.
function showPanel() {
  const panel = byId("panel");
  const frame = FRAMES[state.selected];
  panel.replaceChildren();
  if (!frame) {
    panel.append(make("p", {className: "faint", textContent: "Click a point or a row, or press → to walk through the frames."}));
    return;
  }
  const path = pathInPixels(frame);
  const span = sharedSpan(frame, path);
  panel.append(
    make("div", {className: "walk"},
      make("button", {type: "button", title: "Frame before (←)", ariaLabel: "Frame before", textContent: "←", on: {click: () => step(-1)}}),
      make("span", {className: "faint", textContent: walkText(frame)}),
      make("button", {type: "button", title: "Next frame (→)", ariaLabel: "Next frame", textContent: "→", on: {click: () => step(1)}})),
    make("h2", {id: "name", ariaLive: "polite"}, make("span", {textContent: frame.name})),
    make("p", {className: "facts"}, verdictTag(frame), ` ${frame.reasons.map(reasonText).join(", ")}`,
      make("span", {className: "faint", textContent: ` ${factsText(frame)}`})),
    make("p", {className: "explanation", textContent: frame.values.explanation || ""}),
    markButtons(frame),
    make("div", {className: "views pair"}, thumbnail(frame), cutouts(frame) || whiskers(frame)),
    make("div", {className: "views three"}, starDrawing(frame, span), motionDrawing(frame, span), pathDrawing(frame, span, path)),
    frame.cutouts.length ? make("div", {className: "views"}, whiskers(frame), numbersOf(frame)) : numbersOf(frame),
    evidenceOf(frame),
    notesOf(frame));
}

function walkText(frame) {
  const shown = FRAMES.filter((f) => fits(f));
  const at = shown.indexOf(frame);
  const of = at < 0 ? "outside the filter" : `${at + 1} of ${shown.length}`;
  return [of, known(frame.start_unix) ? `${clockText(frame.start_unix, true)} ${clockName()}` : "no time"].join(" · ");
}

function factsText(frame) {
  const v = frame.values;
  const parts = [v.target, v.filter, known(v.exposure_s) ? `${short(v.exposure_s)} s` : null];
  if (frame.verdict !== "unreadable") parts.push(`confidence ${number(v.confidence)}`, `weight ${number(v.weight)}`);
  return `· ${parts.filter(Boolean).join(" · ")}`;
}

function markButtons(frame) {
  const mark = markOf(frame);
  const button = (word, text, key) => make("button", {type: "button", ariaPressed: String(mark === word), className: "mark", title: `Key ${key}`,
    disabled: frame.verdict === "unreadable", on: {click: () => setMark(frame, mark === word ? null : word)}},
    make("kbd", {textContent: key}), ` ${text}`);
  return make("div", {className: "marks", role: "group", ariaLabel: "Your own verdict"}, make("span", {className: "faint", textContent: "Your verdict: "}),
    button("keep", "keep", "K"), button("reject", "reject", "R"),
    mark ? make("span", {className: "markword", textContent: mark === frame.verdict ? " ○ you agree" : " ○ you overrule"}) : null);
}

function numbersOf(frame) {
  if (frame.width === null) return null;
  const v = frame.values;
  const group = NIGHT.groups[frame.group];
  const usual = (name) => (group && group.usual[name] ? group.usual[name].centre : null);
  const rows = [
    ["FWHM", number(v.fwhm_px, 2, "px"), number(usual("fwhm_px"))],
    ["on the sky", known(v.fwhm_arcsec) ? number(v.fwhm_arcsec, 2, "″") : null, number(usual("fwhm_arcsec"))],
    ["eccentricity", number(v.eccentricity), number(usual("eccentricity"))],
    ["long axis", known(v.angle_deg) ? number(v.angle_deg, 0, "°") : null, ""],
    ["transparency", number(v.transparency), number(usual("transparency"))],
    ["background", number(v.background_adu, 0, "ADU"), number(usual("background_adu"), 0)],
    ["stars", number(v.stars, 0), number(usual("stars"), 0)],
    ["guiding rms RA", known(v.guide_rms_ra_arcsec) ? number(v.guide_rms_ra_arcsec, 2, "″") : null, NIGHT.guiding ? number(NIGHT.guiding.calm_rms_ra) : ""],
    ["guiding rms Dec", known(v.guide_rms_dec_arcsec) ? number(v.guide_rms_dec_arcsec, 2, "″") : null, NIGHT.guiding ? number(NIGHT.guiding.calm_rms_dec) : ""],
    ["guiding peak", known(v.guide_peak_arcsec) ? number(v.guide_peak_arcsec, 2, "″") : null, ""],
  ].filter(([, value]) => value !== null);
  return make("table", {className: "numbers"},
    make("thead", {}, make("tr", {}, ...["", "this frame", "usual"].map((t) => make("th", {scope: "col", textContent: t})))),
    make("tbody", {}, ...rows.map(([name, value, of]) => make("tr", {}, make("th", {scope: "row", textContent: name}), make("td", {textContent: value}), make("td", {className: "faint", textContent: of})))));
}

const MOST_EVIDENCE = 10;

// What decided stands first, then by how much each says.
function evidenceOf(frame) {
  if (!frame.evidence.length) return null;
  const decided = (e) => known(e.limit) && e.points > 0 && frame.reasons.includes(e.reason);
  const rows = [...frame.evidence].sort((a, b) => decided(b) - decided(a) || Math.abs(b.points) - Math.abs(a.points));
  const table = (some) => make("div", {className: "wide"}, make("table", {className: "evidence"},
    make("thead", {}, make("tr", {}, ...["speaks of", "quantity", "value", "usual", "limit", "points"].map((t) => make("th", {scope: "col", textContent: t})))),
    make("tbody", {}, ...some.map(evidenceRow))));
  const rest = rows.slice(MOST_EVIDENCE);
  return make("details", {open: frame.verdict === "reject"},
    make("summary", {textContent: "Evidence: points above 0 speak for the reason"}), table(rows.slice(0, MOST_EVIDENCE)),
    rest.length ? make("details", {}, make("summary", {textContent: `${count(rest.length, "further piece")}`}), table(rest)) : null);
}

function evidenceRow(e) {
  return make("tr", {title: e.text || ""},
    make("td", {textContent: e.reason.replace(/_/g, " ")}), make("td", {textContent: e.quantity.replace(/_/g, " ")}),
    ...["value", "usual", "limit"].map((n) => make("td", {className: "figure", textContent: short(e[n], e.unit)})),
    make("td", {className: "figure", textContent: `${e.points > 0 ? "+" : ""}${e.points.toFixed(1)}`}));
}

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
  select(shown[Math.min(shown.length - 1, Math.max(0, at + by))].index);
}

function walkTo(index) {
  select(index);
  byId("tools").scrollIntoView({block: "start"});
}
