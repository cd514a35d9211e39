// The filter: verdict, doubt, reason, group and words; the table and the time line follow it.
const VERDICTS = ["keep", "reject", "unreadable"];

function startFilters() {
  const place = byId("filters");
  for (const verdict of VERDICTS) {
    if (!FRAMES.some((f) => f.verdict === verdict)) continue;
    place.append(make("button", {type: "button", className: `chip ${verdict}`, data: {verdict}, on: {click: () => {
      state.verdict = state.verdict === verdict ? null : verdict;
      changed("filter");
    }}}));
  }
  if (FRAMES.some(doubtful)) {
    place.append(make("button", {type: "button", className: "chip", id: "doubtful", title: `Verdicts of a confidence below ${NIGHT.doubtful}, the least certain first`, on: {click: filterDoubtful}}));
  }
  if (COLUMNS.some((column) => column.key === "place")) {
    place.append(make("button", {type: "button", className: "chip", id: "worst", title: "Table in the order of How strict, the worst frame first", textContent: "worst first", on: {click: sortWorst}}));
  }
  if (reasonRows().length) {
    place.append(choice("reason", "Reason", (word) => {
      state.reasons.clear();
      if (word) state.reasons.add(word);
    }));
  }
  if (NIGHT.groups.length > 1) {
    place.append(choice("group", "Group", (k) => { state.group = k === "" ? null : Number(k); }));
  }
  place.append(make("button", {type: "button", className: "chip", id: "all", textContent: "Show all", on: {click: showAll}}));
  showFilters();
}

function choice(id, label, act) {
  const select = make("select", {id, ariaLabel: label, on: {change: () => {
    if (select.value === SEVERAL) return;
    act(select.value);
    changed("filter");
  }}});
  return select;
}

const SEVERAL = "several";

// Counts say what a choice would show, the other filters as they are.
function showFilters() {
  for (const chip of byId("filters").querySelectorAll("[data-verdict]")) {
    const verdict = chip.dataset.verdict;
    const n = FRAMES.filter((f) => f.verdict === verdict && fits(f, "verdict")).length;
    chip.textContent = `${SIGN[verdict]} ${VERDICT_TEXT[verdict]} ${n}`;
    chip.setAttribute("aria-pressed", String(state.verdict === verdict));
  }
  const unsure = byId("doubtful");
  if (unsure) {
    unsure.textContent = `? doubtful ${FRAMES.filter((f) => doubtful(f) && fits(f, "doubtful")).length}`;
    unsure.setAttribute("aria-pressed", String(state.doubtful));
  }
  showSorted();
  showFound();
  const option = (value, textContent) => make("option", {value, textContent});
  const reason = byId("reason"), group = byId("group");
  if (reason) {
    const words = reasonRows().map((word) => option(word, `${reasonText(word)} (${FRAMES.filter((f) => f.reasons.includes(word) && fits(f, "reasons")).length})`));
    const several = state.reasons.size > 1 ? [option(SEVERAL, [...state.reasons].map(reasonText).join(", "))] : [];
    reason.replaceChildren(option("", "any reason"), ...several, ...words);
    reason.value = several.length ? SEVERAL : [...state.reasons][0] || "";
  }
  if (group) {
    group.replaceChildren(option("", "any group"), ...NIGHT.groups.map((g, k) => option(String(k), groupName(g))));
    group.value = state.group === null ? "" : String(state.group);
  }
  byId("all").disabled = !(state.verdict || state.reasons.size || state.group !== null || state.find.length || state.doubtful);
}

function filterReason(word) {
  if (state.reasons.has(word)) state.reasons.delete(word);
  else state.reasons.add(word);
  changed("filter");
}

// The least certain stand first; the order before comes back with the others.
function filterDoubtful() {
  state.doubtful = !state.doubtful;
  const {sort, down} = state;
  if (state.doubtful) Object.assign(state, {sort: "confidence", down: false, before: {sort, down}});
  else orderBefore();
  changed("filter");
}

// With "rejected" it walks the rejects from the least worth on.
const worstFirst = () => state.sort === "place" && state.down;

function sortWorst() {
  if (worstFirst()) Object.assign(state, {sort: "order", down: false});
  else Object.assign(state, {sort: "place", down: true});
  showTable();
}

function showSorted() {
  const worst = byId("worst");
  if (worst) worst.setAttribute("aria-pressed", String(worstFirst()));
}

function orderBefore() {
  if (state.before && state.sort === "confidence") Object.assign(state, state.before);
  state.before = null;
}

function filterGroup(k) {
  state.group = state.group === k ? null : k;
  changed("filter");
}

function showAll() {
  if (state.doubtful) orderBefore();
  Object.assign(state, {verdict: null, group: null, find: [], doubtful: false});
  state.reasons.clear();
  byId("find").value = "";
  changed("filter");
}
