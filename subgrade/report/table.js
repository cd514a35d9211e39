// The table of frames: sorted by any column, shortened by the filter.
const COLUMNS = [
  {key: "order", title: "#", of: (f) => f.index + 1, text: (f) => String(f.index + 1)},
  {key: "start", title: "begin", of: (f) => f.start_unix, text: (f) => (known(f.start_unix) ? clockText(f.start_unix) : "")},
  {key: "frame", title: "frame", of: (f) => f.name, text: (f) => f.name},
  {key: "verdict", title: "verdict", of: (f) => f.verdict, node: verdictTag},
  {key: "reasons", title: "reasons", of: (f) => f.values.reasons, text: (f) => f.reasons.map((r) => r.replace(/_/g, " ")).join(", ")},
  {key: "group", title: "filter", of: (f) => f.values.filter, text: (f) => f.values.filter || ""},
  {key: "fwhm", title: "FWHM px", figure: true, of: (f) => f.values.fwhm_px, text: (f) => number(f.values.fwhm_px)},
  {key: "eccentricity", title: "ecc.", figure: true, of: (f) => f.values.eccentricity, text: (f) => number(f.values.eccentricity)},
  {key: "transparency", title: "transp.", figure: true, of: (f) => f.values.transparency, text: (f) => number(f.values.transparency)},
  {key: "background", title: "backgr. ADU", figure: true, of: (f) => f.values.background_adu, text: (f) => number(f.values.background_adu, 0)},
  {key: "stars", title: "stars", figure: true, of: (f) => f.values.stars, text: (f) => number(f.values.stars, 0)},
  {key: "guide", title: "guide rms ″", figure: true, of: guideRms, text: (f) => number(guideRms(f))},
  {key: "weight", title: "weight", figure: true, of: (f) => f.values.weight, text: (f) => number(f.values.weight)},
  {key: "confidence", title: "sure", figure: true, of: (f) => f.values.confidence, text: (f) => number(f.values.confidence)},
  {key: "mark", title: "your mark", of: (f) => markOf(f), text: (f) => (markOf(f) ? `○ ${markOf(f)}` : "")},
];

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

function showTable() {
  const head = byId("table").tHead, body = byId("table").tBodies[0];
  head.replaceChildren(make("tr", {}, ...COLUMNS.map((column) => {
    const sortedBy = state.sort === column.key;
    const arrow = sortedBy ? (state.down ? " ▼" : " ▲") : "";
    return make("th", {scope: "col", className: column.figure ? "figure" : "", ariaSort: sortedBy ? (state.down ? "descending" : "ascending") : "none"},
      make("button", {type: "button", textContent: column.title + arrow, on: {click: () => sortBy(column.key)}}));
  })));
  const rows = sorted().filter((f) => fits(f));
  body.replaceChildren(...rows.map(rowOf));
  byId("shown").textContent = rows.length === FRAMES.length ? `all ${FRAMES.length}` : `${rows.length} of ${FRAMES.length}`;
  if (!rows.length) body.append(make("tr", {}, make("td", {colSpan: COLUMNS.length, textContent: "No frame fits the filter."})));
  markRow();
}

function rowOf(frame) {
  return make("tr", {data: {index: frame.index}, on: {click: () => select(frame.index)}},
    ...COLUMNS.map((column) => {
      if (column.node) return make("td", {}, column.node(frame));
      if (column.key === "frame") {
        return make("td", {}, make("button", {type: "button", className: "link", textContent: frame.name, title: frame.values.explanation || "", on: {click: (event) => {
          event.stopPropagation();
          walkTo(frame.index);
        }}}));
      }
      return make("td", {className: column.figure ? "figure" : "", textContent: column.text(frame)});
    }));
}

function markRow() {
  for (const row of byId("table").tBodies[0].rows) {
    const chosen = Number(row.dataset.index) === state.selected;
    row.classList.toggle("chosen", chosen);
    if (chosen) row.setAttribute("aria-current", "true");
    else row.removeAttribute("aria-current");
  }
}

function sortBy(key) {
  state.down = state.sort === key ? !state.down : false;
  state.sort = key;
  showTable();
}

function showFilters() {
  const place = byId("filters");
  place.replaceChildren();
  const chip = (text, pressed, act, name = "") => make("button", {type: "button", className: `chip ${name}`, ariaPressed: String(pressed), on: {click: act}, textContent: text});
  const filter = (name, value) => () => {
    state[name] = state[name] === value ? null : value;
    changed("filter");
  };
  for (const verdict of ["keep", "reject", "unreadable"]) {
    const n = FRAMES.filter((f) => f.verdict === verdict && fits(f, "verdict")).length;
    if (n || state.verdict === verdict) place.append(chip(`${SIGN[verdict]} ${SAID[verdict]} ${n}`, state.verdict === verdict, filter("verdict", verdict), verdict));
  }
  for (const word of reasonRows()) {
    const n = FRAMES.filter((f) => f.reasons.includes(word) && fits(f, "reasons")).length;
    if (n || state.reasons.has(word)) place.append(chip(`${word.replace(/_/g, " ")} ${n}`, state.reasons.has(word), () => filterReason(word)));
  }
  if (NIGHT.groups.length > 1) NIGHT.groups.forEach((group, k) => place.append(chip(group.label, state.group === k, filter("group", k), "group")));
  if (state.verdict || state.reasons.size || state.group !== null || state.find) place.append(chip("show all ✕", false, showAll, "clear"));
}

function showAll() {
  Object.assign(state, {verdict: null, group: null, find: ""});
  state.reasons.clear();
  byId("find").value = "";
  changed("filter");
}
