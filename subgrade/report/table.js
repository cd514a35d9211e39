// The table of frames: sorted by any column, shortened by the filter.
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
  const {folder, name} = frameLabel(frame);
  return make("button", {type: "button", className: "link cut", tabIndex: -1, title: frame.name}, folder ? make("span", {className: "faint", textContent: folder}) : null, shortName(name));
}

// What was kept is told by its sign alone: most frames are.
function verdictCell(frame) {
  const texts = frame.reasons.map(reasonText).join(", ");
  const verdict = VERDICT_TEXT[frame.verdict] || frame.verdict, quiet = frame.verdict === "keep" || texts;
  return make("span", {className: frame.verdict, title: frame.values.explanation || ""},
    make("span", {ariaHidden: "true", textContent: `${SIGN[frame.verdict] || "□"} `}), make("span", {className: quiet ? "unseen" : "", textContent: quiet && texts ? `${verdict}: ` : verdict}),
    texts && frame.verdict === "keep" ? make("span", {className: "faint", textContent: texts}) : texts, make("span", {className: "mine"}));
}

// Roles are explicit, since the rows are no table's to the eye (see page.css).
let rows = []; // of the table, in the order of the frames; kept, since making them costs most
const unfilled = new Set(); // frames whose row has no cells yet
const ROWS_AT_ONCE = 60; // rows that are filled before the page is usable, more than a window shows
const ROWS_IN_ONE_GO = 80;
let filling = 0;

function fillRow(frame, kept) {
  if (!unfilled.delete(frame.index)) return;
  rows[frame.index].append(...shownColumns().map((column) => cellOf(column, frame)));
  markCell(frame, kept);
}

// The row of a frame, with its cells.
function rowOf(index) {
  if (unfilled.has(index)) fillRow(FRAMES[index], keptNow());
  return rows[index];
}

// The other rows follow while the page can be used.
function fillOn() {
  clearTimeout(filling);
  if (!unfilled.size) return;
  filling = setTimeout(() => {
    const kept = keptNow();
    for (const index of [...unfilled].slice(0, ROWS_IN_ONE_GO)) fillRow(FRAMES[index], kept);
    fillOn();
  });
}

function buildTable() {
  const table = byId("table"), columns = shownColumns();
  const sum = columns.reduce((total, column) => total + column.wide, 0);
  table.querySelector("colgroup").replaceChildren(...columns.map((column) => {
    const col = make("col");
    col.style.width = `${100 * column.wide / sum}%`;
    return col;
  }));
  table.style.setProperty("--ems", sum);
  table.style.setProperty("--columns", columns.map((column) => `minmax(0, ${column.wide}fr)`).join(" "));
  fitTable();
  placedBy = strict.prefer;
  table.tHead.replaceChildren(make("tr", {role: "row"}, ...columns.map((column) =>
    make("th", {scope: "col", role: "columnheader", className: column.figure ? "figure" : "", data: {key: column.key}},
      make("button", {type: "button", title: column.full || "", on: {click: () => sortBy(column.key)}})))));
  rows = FRAMES.map((frame) => make("tr", {role: "row", data: {index: frame.index}, on: {click: () => pickRow(frame.index)}}));
  for (const frame of sorted()) unfilled.add(frame.index);
  showTable();
}

// The columns share the room there is; letters grow and shrink a little with it.
function fitTable() {
  const table = byId("table"), room = byId("frames").clientWidth / Number(table.style.getPropertyValue("--ems"));
  const fit = `${Math.max(11, Math.min(13, room)).toFixed(2)}px`;
  if (table.style.getPropertyValue("--fit") !== fit) table.style.setProperty("--fit", fit);
}

function cellOf(column, frame) {
  const cell = column.key === "frame" ? make("th", {scope: "row", role: "rowheader"}) : make("td", {role: "cell", className: column.figure ? "figure" : ""});
  if (column.node) cell.append(column.node(frame));
  else cell.textContent = column.text(frame);
  if (column.bar) drawBar(cell, column.of(frame) / column.full_at);
  return cell;
}

// A thin bar under the figure, as the cell's own background: no element more.
function drawBar(cell, share) {
  if (!(share > 0)) return;
  cell.classList.add("barred");
  cell.style.setProperty("--part", `${Math.round(100 * Math.min(1, share))}%`);
}

function pickRow(index) {
  walkTo(index);
  rowOf(index).querySelector(".link").focus({preventScroll: true});
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
  showSorted();
  const shown = sorted().filter((f) => fits(f));
  const body = byId("table").tBodies[0];
  hurry(body);
  body.replaceChildren(...shown.map((frame) => rows[frame.index]));
  if (unfilled.size) {
    const kept = keptNow();
    for (const frame of shown.slice(0, ROWS_AT_ONCE)) fillRow(frame, kept);
    fillOn();
  }
  byId("shown").textContent = shown.length === FRAMES.length ? `all ${FRAMES.length}` : `${shown.length} of ${FRAMES.length}`;
  if (!shown.length) body.append(make("tr", {role: "row"}, make("td", {role: "cell", colSpan: shownColumns().length, textContent: "No frame matches the filter."})));
  markRow();
}

// What a mark changes in the table; the other rows need no new layout.
function markCells() {
  const kept = keptNow();
  for (const frame of FRAMES) if (!unfilled.has(frame.index)) markCell(frame, kept);
}

function markCell(frame, kept) {
  const cell = rows[frame.index].querySelector(".mine"), text = (markOf(frame) ? ` ○ you: ${markOf(frame)}` : "") + strictText(frame, kept);
  if (cell.textContent !== text) cell.textContent = text;
}

let chosenRow = null, reached = null;

// One row can be reached by Tab; the arrow keys go on from there.
function markRow() {
  if (chosenRow) {
    chosenRow.classList.remove("chosen");
    chosenRow.removeAttribute("aria-current");
  }
  if (reached) reached.tabIndex = -1;
  chosenRow = rows[state.selected] ? rowOf(state.selected) : null;
  if (chosenRow) {
    chosenRow.classList.add("chosen");
    chosenRow.setAttribute("aria-current", "true");
  }
  const row = chosenRow && chosenRow.isConnected ? chosenRow : byId("table").tBodies[0].rows[0];
  reached = row ? row.querySelector(".link") : null;
  if (reached) reached.tabIndex = 0;
}

// The preference of How strict makes the places.
let placedBy = null;

function showPlaces() {
  const by = strict.prefer;
  if (by === placedBy) return;
  placedBy = by;
  if (shownColumns().some((column) => column.key === "place")) {
    buildTable();
    markCells();
  } else if (state.sort === "place") showTable();
}

function sortBy(key) {
  state.down = state.sort === key ? !state.down : false;
  state.sort = key;
  showTable();
}
