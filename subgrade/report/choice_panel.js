// What is seen of how strict: the stacks to choose among, the curve with its handle, the lists, the command.
function startChoice() {
  const groups = NIGHT.choice.groups;
  const first = NIGHT.groups.map((g, k) => k).filter((k) => groups[k] && groups[k].depth).sort((a, b) => NIGHT.groups[b].frames - NIGHT.groups[a].frames)[0];
  byId("choice").hidden = first === undefined;
  if (first === undefined) return;
  Object.assign(strict, {group: first, ...AS_ASKED});
  const handle = byId("strict"), prefer = byId("prefer"), group = byId("strictgroup");
  handle.addEventListener("input", () => setKept(Number(handle.value)));
  prefer.append(...[["depth", "depth"], ["sharpness", "sharpness"]].map(([value, textContent]) => make("option", {value, textContent})));
  prefer.addEventListener("change", () => { strict.prefer = prefer.value; strict.extra = 0; changed("choice"); });
  group.append(...NIGHT.groups.map((g, k) => [g, k]).filter(([, k]) => groups[k].depth).map(([g, k]) => make("option", {value: String(k), textContent: groupName(g)})));
  group.parentElement.hidden = group.options.length < 2;
  group.addEventListener("change", () => { strict.group = Number(group.value); strict.extra = 0; changed("choice"); });
  byId("asgraded").addEventListener("click", resetStrict);
  byId("keeptext").addEventListener("click", () => saveText("keeps.txt", listText(keptNow(), true)));
  byId("rejecttext").addEventListener("click", () => saveText("rejects.txt", listText(keptNow(), false)));
  byId("curve").addEventListener("click", (event) => {
    const box = byId("curve").getBoundingClientRect(), wide = box.width - CURVE_MARGIN.l - CURVE_MARGIN.r;
    const n = Math.round(0.5 + orderOf(strict.group).length * (event.clientX - box.left - CURVE_MARGIN.l) / wide);
    setKept(Math.min(Number(handle.max), Math.max(1, n)));
  });
}

function showChoice() {
  if (byId("choice").hidden) return;
  const k = strict.group, curve = curveOf(k), kept = keptOf(k), order = orderOf(k), handle = byId("strict");
  const graded = NIGHT.choice.groups[k].kept;
  handle.max = order.filter((f) => passes(f) || takeable(f)).length; // none that a mark rejects
  handle.style.setProperty("--reach", handle.max / order.length);
  handle.disabled = handle.max < 1;
  handle.value = kept.length;
  const time = timeOf(kept);
  handle.setAttribute("aria-valuetext", `${kept.length} of ${count(order.length, "frame")}${time ? `, ${duration(time)}` : ""}`);
  byId("prefer").value = strict.prefer;
  byId("strictgroup").value = String(k);
  byId("asgraded").disabled = !differs();
  byId("stacks").replaceChildren(...stackRows(k, curve, kept.length, graded));
  byId("chosen").replaceChildren(...chosenText());
  showCommand();
  drawCurve(k, kept.length, graded);
}

// S/N is over that of a plain mean of all frames.
function stackRows(k, curve, n, graded) {
  const scale = scaleOf(FRAMES.filter((f) => f.group === k)), most = curve.counts.at(-1), order = orderOf(k);
  const row = (name, kind, m, className = "") => make("tr", {className}, make("th", {scope: "row", textContent: name}), make("td", {className: "figure", textContent: String(m)}),
    make("td", {className: "figure", textContent: timeOf(order) ? duration(timeOf(order.slice(0, m))) : ""}),
    ...[["snr_over_all", (v) => `×${v.toFixed(2)}`], ["fwhm_px", (v) => length(v, scale)], ["eccentricity", (v) => number(v)]].map(([key, text]) => {
      const value = alongCurve(curve, kind, key, m);
      return make("td", {className: "figure", textContent: known(value) ? text(value) : "–"});
    }));
  const heads = ["stack", "frames", "time", "S/N", "FWHM", LOOK.eccentricity.heading];
  const mine = differs() || n !== graded;
  return [make("thead", {}, make("tr", {}, ...heads.map((textContent, j) => make("th", {scope: "col", className: j ? "figure" : "", textContent, title: j === 3 ? "of a faint star, over that of a plain mean of all frames; predicted" : ""})))),
    make("tbody", {}, row("all, weighted", "weighted", most), row("keeps, plain mean", "mean", graded), row("keeps, weighted", "weighted", graded),
      ...(mine ? [row("chosen, plain mean", "mean", n, "mine"), row("chosen, weighted", "weighted", n, "mine")] : []))];
}

function chosenText() {
  const all = keptNow(), night = FRAMES.filter((f) => f.verdict !== "unreadable");
  const time = (frames) => (timeOf(frames) ? ` (${duration(timeOf(frames))})` : "");
  const stay = night.filter((f) => all.has(f)), go = night.filter((f) => !all.has(f));
  const good = go.filter(passes), back = takenBack().length;
  const parts = [make("b", {textContent: `Keeps ${stay.length}${time(stay)}, leaves out ${go.length || "none"}${time(go)}`}),
    good.length ? `, ${count(good.length, "good frame", "good frames")} among them${time(good)}` : "",
    back ? `; ${count(back, "rejected frame", "rejected frames")} taken back` : "", ".",
    night.some(strictLeavesOut()) ? " What this choice leaves out is pale in the time line." : ""];
  const moved = FRAMES.filter((f) => markOf(f) && f.group === strict.group && (markOf(f) === "keep") !== (f.verdict === "keep" || isSurplus(f))).length;
  if (moved && !NIGHT.followed) parts.push(` The curve does not know of ${count(moved, "mark")} yet.`);
  return parts.filter(Boolean);
}

function showCommand() {
  const place = byId("strictcommand"), opened = takenBack();
  const take = opened.length ? [make("p", {textContent: `A share keeps only what passes. To have ${opened.length === 1 ? "this one" : "these"} as well, mark ${opened.length === 1 ? "it" : "them"}: `},
    make("button", {type: "button", data: {hold: "take"}, textContent: `Mark ${count(opened.length, "frame")} keep`, on: {click: () => { strict.extra = 0; opened.forEach((f) => setMark(f, "keep")); }}}))] : [];
  const marks = Object.keys(state.marks).length && !NIGHT.reviewed ? [make("p", {className: "faint", textContent: "With the marks saved as marks.csv (key S), typed in its folder:"})] : [];
  renew(place, ...take, ...marks, ...strictCommands().flatMap(({shell, text}) => [
    shell && NIGHT.again.keep.length > 1 ? make("p", {className: "faint", textContent: `in ${shell}:`}) : null, commandText(text), copyButton("Copy the command", () => text)]));
}
