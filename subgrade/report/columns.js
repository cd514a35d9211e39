// The columns of the table, which of them are shown, and the bars in their cells.
const FILTERS_DIFFER = new Set(FRAMES.map((f) => f.values.filter || "")).size > 1;
const RMS = {key: "guide", title: "RMS tot.\u00a0″", full: "total guiding RMS, both axes together, arcsec", name: "total guiding RMS", wide: 5.2, if: Boolean(NIGHT.trace), figure: true, bar: true, of: guideRms, text: (f) => number(guideRms(f))};
const COLUMNS = [
  {key: "order", title: "#", name: "number", fixed: true, wide: 3, figure: true, of: (f) => f.index + 1, text: (f) => String(f.index + 1)},
  {key: "start", title: "start", name: "start", wide: 4, of: (f) => f.start_unix, text: (f) => (known(f.start_unix) ? clockText(f.start_unix) : "")},
  {key: "frame", title: "frame", name: "frame", fixed: true, wide: FOLDERS_SHOWN ? 14 : 9.8, of: (f) => f.name, node: nameButton},
  {key: "filter", title: "filter", name: "filter", wide: 5, if: FILTERS_DIFFER, of: (f) => f.values.filter, node: (f) => make("span", {className: "cut", textContent: f.values.filter || "", title: f.values.filter || ""})},
  {key: "verdict", title: "verdict", name: "verdict", fixed: true, wide: 12.4, of: (f) => [f.verdict, ...f.reasons].join(" "), node: verdictCell},
  ofTable("confidence", 3.4),
  {...ofTable(MEASURES[0].key, 4.9, true), key: "fwhm"},
  {...ofTable("eccentricity", 3.6, true), text: ovalText, end: 1},
  RMS,
  {...ofTable("transparency", 4.3, true), end: 1}, {...ofTable("background_adu", 3.9, true), key: "background"}, ofTable("stars", 3.4, true), {...ofTable("weight", 4.2, true), end: 1},
  {key: "place", title: "place", full: "place among the group's frames, the best first, by what How strict prefers", name: "place, best first", wide: 3.6, off: true, if: NIGHT.choice.groups.some((group) => group.depth), figure: true, of: (f) => shareOf(placeAmongBest(f)), text: (f) => (placeAmongBest(f) ? String(placeAmongBest(f).at) : "–")},
  hidden("angle_deg", 4), hidden("guide_rms_ra_arcsec", 4.6, " RA"), hidden("guide_rms_dec_arcsec", 4.6, " Dec"), hidden("guide_peak_arcsec", 4.6),
].filter((column) => column.if !== false);

// A column that summary.csv has too; its unit stands in the heading.
function ofTable(key, wide, bar = false, axis = "") {
  const {heading, label, full, unit, digits} = LOOK[key];
  const title = unit ? `${heading}${axis}${unit === "ADU" ? " " : "\u00a0"}${unit}` : heading;
  return {key, title, full, name: `${label}${axis}`, wide, bar, figure: true, of: (f) => f.values[key], text: (f) => number(f.values[key], digits)};
}

// A column that is not shown until it is chosen; left out where no frame has it.
function hidden(key, wide, axis = "") {
  return {...ofTable(key, wide, key !== "angle_deg", axis), off: true, if: FRAMES.some((f) => known(f.values[key]))};
}

// Groups differ in size: the last of each is as far down.
const shareOf = (place) => (place ? place.at / place.of : null);

function guideRms(frame) {
  const {guide_rms_ra_arcsec: ra, guide_rms_dec_arcsec: dec} = frame.values;
  return known(ra) && known(dec) ? Math.hypot(ra, dec) : null;
}

// Bars begin at 0; one that is far off the others would leave them no length, so it may end early.
const FAR = 2.5;

function barEnd(column) {
  const values = FRAMES.map(column.of).filter((v) => known(v) && v > 0).sort((a, b) => a - b);
  if (!values.length) return column.end || 1;
  const most = values.at(-1), middling = values[values.length >> 1];
  return column.end ? Math.max(column.end, Math.min(most, 1.5 * column.end)) : Math.min(most, FAR * middling);
}

const CHOSEN_KEY = "subgrade columns";

function startColumns() {
  let asked = {};
  try {
    asked = JSON.parse(localStorage.getItem(CHOSEN_KEY)) || {};
  } catch {
    // a page opened from disk may have no storage; the choice then lasts until it is closed
  }
  for (const column of COLUMNS) {
    column.shown = column.fixed || (typeof asked[column.key] === "boolean" ? asked[column.key] : !column.off);
    if (column.bar) column.full_at = barEnd(column);
  }
  const menu = byId("columns");
  menu.append(...COLUMNS.filter((c) => !c.fixed).map((column) => make("label", {}, make("input", {type: "checkbox", checked: column.shown, data: {column: column.key}, on: {change: (event) => {
    column.shown = event.target.checked;
    keepColumns();
    buildTable();
    markCells();
  }}}), ` ${column.name}`)));
  menu.closest("details").addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !event.currentTarget.open) return;
    event.stopPropagation();
    event.currentTarget.open = false;
    event.currentTarget.querySelector("summary").focus();
  });
}

function keepColumns() {
  try {
    localStorage.setItem(CHOSEN_KEY, JSON.stringify(Object.fromEntries(COLUMNS.filter((c) => !c.fixed).map((c) => [c.key, c.shown]))));
  } catch {
    // as above
  }
}

const shownColumns = () => COLUMNS.filter((column) => column.shown);
