// The table of frames: sorted by any column, shortened by the filter.
const FILTERS_DIFFER = new Set(FRAMES.map((f) => f.values.filter || "")).size > 1;
const COLUMNS = [
  {key: "order", title: "#", wide: 3, figure: true, of: (f) => f.index + 1, text: (f) => String(f.index + 1)},
  {key: "start", title: "start", wide: 4, of: (f) => f.start_unix, text: (f) => (known(f.start_unix) ? clockText(f.start_unix) : "")},
  {key: "frame", title: "frame", wide: 9.8, of: (f) => f.name, node: nameButton},
  {key: "filter", title: "filter", wide: 5, if: FILTERS_DIFFER, of: (f) => f.values.filter, node: (f) => make("span", {className: "cut", textContent: f.values.filter || "", title: f.values.filter || ""})},
  {key: "verdict", title: "verdict", wide: 12.4, of: (f) => [f.verdict, ...f.reasons].join(" "), node: verdictCell},
  ofTable("confidence", 3.4),
  {...ofTable(MEASURES[0].key, 4.9), key: "fwhm"},
  {...ofTable("eccentricity", 3.2), text: ovalText},
  {key: "guide", title: "RMS tot.\u00a0″", full: "total guiding RMS, both axes together, arcsec", wide: 5.2, if: Boolean(NIGHT.trace), figure: true, of: guideRms, text: (f) => number(guideRms(f))},
  ofTable("transparency", 4.3), {...ofTable("background_adu", 3.6), key: "background"}, ofTable("stars", 3.2), ofTable("weight", 4.2),
].filter((column) => column.if !== false);

// A column that summary.csv has too; its unit stands in the heading.
function ofTable(key, wide) {
  const {heading, full, unit, digits} = LOOK[key];
  const title = unit ? `${heading}${unit === "ADU" ? " " : "\u00a0"}${unit}` : heading;
  return {key, title, full, wide, figure: true, of: (f) => f.values[key], text: (f) => number(f.values[key], digits)};
}

function guideRms(frame) {
  const {guide_rms_ra_arcsec: ra, guide_rms_dec_arcsec: dec} = frame.values;
  return known(ra) && known(dec) ? Math.hypot(ra, dec) : null;
}

function sorted() {
  const column = COLUMNS.find((c) => c.key === state.sort);
  const way = state.down ? -1 : 1;
  return [...FRAMES].sort((a, b) => {
    const p = column.of(a), q = column.of(b);
    if (!known(p) || !known(q)) return known(q) - known(p) || a.index - b.index; // unknown last either way
    return way * (typeof p === "string" ? p.localeCompare(q, undefined, {numeric: true}) : p - q) || a.index - b.index;
  });
}

function nameButton(frame) {
  return make("button", {type: "button", className: "link cut", tabIndex: -1, textContent: shortName(frame.name), title: frame.name});
}

function verdictCell(frame) {
  const texts = frame.reasons.map(reasonText).join(", ");
  const verdict = VERDICT_TEXT[frame.verdict] || frame.verdict;
  const parts = frame.verdict === "keep" || !texts
    ? [verdict, make("span", {className: "faint", textContent: texts ? ` (${texts})` : ""})]
    : [make("span", {className: "unseen", textContent: `${verdict}: `}), texts];
  return make("span", {className: frame.verdict, title: frame.values.explanation || ""},
    make("span", {ariaHidden: "true", textContent: `${SIGN[frame.verdict] || "□"} `}), ...parts, make("span", {className: "mine"}));
}

// Roles are explicit, since the rows are no table's to the eye (see page.css).
let rows = []; // of the table, in the order of the frames; kept, since making them costs most

function buildTable() {
  const table = byId("table");
  const sum = COLUMNS.reduce((total, column) => total + column.wide, 0);
  table.querySelector("colgroup").replaceChildren(...COLUMNS.map((column) => {
    const col = make("col");
    col.style.width = `${100 * column.wide / sum}%`;
    return col;
  }));
  table.style.setProperty("--ems", sum);
  table.style.setProperty("--columns", COLUMNS.map((column) => `minmax(0, ${column.wide}fr)`).join(" "));
  fitTable();
  table.tHead.replaceChildren(make("tr", {role: "row"}, ...COLUMNS.map((column) =>
    make("th", {scope: "col", role: "columnheader", className: column.figure ? "figure" : "", data: {key: column.key}},
      make("button", {type: "button", title: column.full || "", on: {click: () => sortBy(column.key)}})))));
  rows = FRAMES.map((frame) => make("tr", {role: "row", data: {index: frame.index}, on: {click: () => pickRow(frame.index)}}, ...COLUMNS.map((column) => cellOf(column, frame))));
  showTable();
}

// The columns share the room there is; letters grow and shrink a little with it.
function fitTable() {
  const table = byId("table"), room = byId("frames").clientWidth / Number(table.style.getPropertyValue("--ems"));
  table.style.setProperty("--fit", `${Math.max(11, Math.min(13, room)).toFixed(2)}px`);
}

function cellOf(column, frame) {
  const cell = column.key === "frame" ? make("th", {scope: "row", role: "rowheader"}) : make("td", {role: "cell", className: column.figure ? "figure" : ""});
  cell.append(column.node ? column.node(frame) : column.text(frame));
  return cell;
}

function pickRow(index) {
  walkTo(index);
  rows[index].querySelector(".link").focus({preventScroll: true});
}

const SETTLED_MS = 700;
let settling = 0;

// At once only the rows in view, the others when the reader has paused: until then a screen reader
// would find them empty.
function hurry(body) {
  body.classList.add("quick");
  clearTimeout(settling);
  settling = setTimeout(() => body.classList.remove("quick"), SETTLED_MS);
}

function showTable() {
  for (const head of byId("table").tHead.rows[0].cells) {
    const column = COLUMNS.find((c) => c.key === head.dataset.key);
    const sortedBy = state.sort === column.key;
    head.setAttribute("aria-sort", sortedBy ? (state.down ? "descending" : "ascending") : "none");
    head.firstChild.textContent = column.title + (sortedBy ? (state.down ? " ▼" : " ▲") : "");
  }
  const shown = sorted().filter((f) => fits(f));
  const body = byId("table").tBodies[0];
  hurry(body);
  body.replaceChildren(...shown.map((frame) => rows[frame.index]));
  byId("shown").textContent = shown.length === FRAMES.length ? `all ${FRAMES.length}` : `${shown.length} of ${FRAMES.length}`;
  if (!shown.length) body.append(make("tr", {role: "row"}, make("td", {role: "cell", colSpan: COLUMNS.length, textContent: "No frame matches the filter."})));
  markRow();
}

// What a mark changes in the table; the other rows need no new layout.
function markCells() {
  for (const frame of FRAMES) {
    const cell = rows[frame.index].querySelector(".mine"), text = markOf(frame) ? ` ○ you: ${markOf(frame)}` : "";
    if (cell.textContent !== text) cell.textContent = text;
  }
}

let chosenRow = null, reached = null;

// One row can be reached by Tab; the arrow keys go on from there.
function markRow() {
  if (chosenRow) {
    chosenRow.classList.remove("chosen");
    chosenRow.removeAttribute("aria-current");
  }
  if (reached) reached.tabIndex = -1;
  chosenRow = rows[state.selected] || null;
  if (chosenRow) {
    chosenRow.classList.add("chosen");
    chosenRow.setAttribute("aria-current", "true");
  }
  const row = chosenRow && chosenRow.isConnected ? chosenRow : byId("table").tBodies[0].rows[0];
  reached = row ? row.querySelector(".link") : null;
  if (reached) reached.tabIndex = 0;
}

function sortBy(key) {
  state.down = state.sort === key ? !state.down : false;
  state.sort = key;
  showTable();
}
