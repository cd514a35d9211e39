// The view's frame: what stands above and below the picture, and its keys.
const LOOK_KEYS = [
  ["V Enter", "look at the sub; Esc leaves"],
  ["→ ←", "next, previous frame of the queue"],
  ["Home End", "its first, its last frame"],
  ["K R", "mark keep or reject, saved at once, and on to the next"],
  ["C U", "clear the mark; undo the last mark"],
  ["B", "the best frame of the group at the same place: tap to switch, hold to peek"],
  ["W", "divider between both; , . or its own arrow keys move it"],
  ["Shift + arrows", "move the picture; + − zoom, F fit, 1 one to one"],
  ["O", "stars, star shape, guide path and motion drawn over it"],
  ["S", "stretch: black, white, softness; [ ] white, 0 reset stretch"],
  ["Q", "the next queue: doubtful first, worst first, rejects, in order taken"],
  ["A", "all frames in the queue: the page's filter off"],
  ["E", "the whole explanation, or its first lines"],
];
const PAN_PX = 120;
const HOLD_MS = 280; // longer is a peek
const arrow = (right, down, step) => (event) => (event.shiftKey ? panView(right * PAN_PX * look.dense, down * PAN_PX * look.dense) : step && stepQueue(step));
const LOOK_ACTS = {
  ArrowRight: arrow(1, 0, 1), ArrowLeft: arrow(-1, 0, -1), ArrowUp: arrow(0, -1, 0), ArrowDown: arrow(0, 1, 0),
  Home: () => endOfQueue(false), End: () => endOfQueue(true), a: allInQueue, e: unfoldWhy,
  k: () => markAndGo("keep"), r: () => markAndGo("reject"), c: () => sendMark(FRAMES[state.selected], null), u: undoMark,
  w: toggleWiper, o: () => toggleOverlay(), s: toggleCurve, f: fitView, 1: oneToOne, 0: resetCurve,
  "+": () => zoomView(Math.SQRT2), "=": () => zoomView(Math.SQRT2), "-": () => zoomView(Math.SQRT1_2), "−": () => zoomView(Math.SQRT1_2),
  ",": () => moveWiper(look.wiper - 0.02), ".": () => moveWiper(look.wiper + 0.02),
  "[": () => setCurve("white", curveNow().white - 0.25), "]": () => setCurve("white", curveNow().white + 0.25),
  q: nextQueue, t: switchTheme, "?": () => byId("look-help").showModal(), v: closeLook,
};
let pressed = 0; // when B went down

function buildLook() {
  const tool = (id, key, text, act, options = {}) => make("button", {type: "button", id, title: `Key ${key}`, ...options, on: act ? {click: act} : {}}, make("kbd", {textContent: key}), ` ${text}`);
  const canvas = make("canvas", {id: "sub", tabIndex: 0, role: "img"}), over = make("canvas", {id: "over", ariaHidden: "true"});
  const layers = Object.entries(OVERLAYS).map(([word, text]) => make("label", {className: `layer ${word}`}, make("input", {type: "checkbox", value: word, checked: true, on: {change: () => toggleOverlay(word)}}), ` ${text}`));
  const order = make("select", {id: "queue", ariaLabel: "Queue", on: {change: () => { chooseQueue(order.value); look.canvas.focus(); }}}, ...Object.entries(QUEUES).map(([value, textContent]) => make("option", {value, textContent})));
  look.box = make("dialog", {id: "look", ariaLabel: "Look at the sub", on: {close: closeLook, keydown: onLookKey, keyup: onLookKeyUp}},
    make("header", {}, make("div", {id: "look-frame"}), make("div", {className: "queue"}, order, make("span", {id: "look-left-over"}), make("span", {id: "look-filter", hidden: true}, make("span"), " ", make("button", {type: "button", id: "look-all", title: "Key A", textContent: "show all", on: {click: () => { allInQueue(); look.canvas.focus(); }}})), make("span", {id: "look-kept"}), make("button", {type: "button", id: "look-close", title: "Key Esc", ariaLabel: "Leave the view", textContent: "✕", on: {click: closeLook}}))),
    make("div", {id: "look-trouble", role: "alert", hidden: true}),
    make("div", {id: "stage"}, canvas, over,
      make("span", {id: "look-left", className: "note"}), make("span", {id: "look-right", className: "note", hidden: true}), make("span", {id: "look-zoom", className: "note"}), make("p", {id: "look-none", hidden: true}),
      make("div", {id: "wiper", role: "slider", tabIndex: 0, ariaLabel: "Divider: this frame left, the best of the group right", ariaValuemin: "0", ariaValuemax: "100", hidden: true, on: {pointerdown: dragWiper, keydown: onWiperKey}}),
      make("div", {id: "layers", role: "group", ariaLabel: "Drawn over the picture", hidden: true}, ...layers), buildCurve()),
    make("footer", {},
      make("div", {className: "group"}, tool("look-before", "←", "", () => stepQueue(-1), {ariaLabel: "Previous frame"}), tool("look-keep", "K", `${SIGN.keep} keep`, LOOK_ACTS.k, {className: "mark keep"}), tool("look-reject", "R", `${SIGN.reject} reject`, LOOK_ACTS.r, {className: "mark reject"}), tool("look-next", "→", "", () => stepQueue(1), {ariaLabel: "Next frame"}), tool("look-clear", "C", "clear", LOOK_ACTS.c), tool("look-undo", "U", "undo", undoMark)),
      make("div", {className: "group"}, tool("look-best", "B", "best", null, {ariaPressed: "false"}), tool("look-wiper", "W", "divider", toggleWiper, {ariaPressed: "false"}), tool("look-overlay", "O", "overlay", () => toggleOverlay(), {ariaPressed: "false"}), tool("stretch-open", "S", "stretch", toggleCurve, {ariaExpanded: "false"})),
      make("div", {className: "group"}, tool("look-fit", "F", "fit", fitView), tool("look-one", "1", "1:1", oneToOne), tool("look-out", "−", "", LOOK_ACTS["-"], {ariaLabel: "Smaller"}), tool("look-in", "+", "", LOOK_ACTS["+"], {ariaLabel: "Larger"}), tool("look-keys", "?", "", LOOK_ACTS["?"], {ariaLabel: "Keys"}))),
    make("p", {id: "look-spoken", className: "unseen", role: "status"}));
  const help = make("dialog", {id: "look-help", ariaLabel: "Keys of the view"}, make("h2", {textContent: "Looking at the subs"}), make("table", {}, keyRows("Keys")),
    make("form", {method: "dialog"}, make("button", {textContent: "Close", autofocus: true})));
  document.body.append(look.box, help);
  Object.assign(look, {canvas, over, pen: canvas.getContext("2d", {alpha: false})});
  for (const kind of ["pointerdown", "pointermove", "pointerup", "pointercancel"]) canvas.addEventListener(kind, onPointer);
  canvas.addEventListener("wheel", onWheel, {passive: false});
  canvas.addEventListener("dblclick", onDoubleClick);
  const best = byId("look-best");
  best.addEventListener("pointerdown", () => pressBest());
  for (const kind of ["pointerup", "pointerleave", "pointercancel"]) best.addEventListener(kind, releaseBest);
  best.addEventListener("click", (event) => { if (!event.detail) showBest(!look.best); }); // by keyboard
  new ResizeObserver(() => look.open && sizeLook()).observe(byId("stage"));
}

const keyRows = (head) => make("tbody", {}, keyHead(head), ...LOOK_KEYS.map(([key, text]) => make("tr", {}, make("th", {scope: "row"}, make("kbd", {textContent: key})), make("td", {textContent: text}))));

const keyHead = (textContent) => make("tr", {className: "keyhead"}, make("th", {scope: "rowgroup", colSpan: 2, textContent}));

function pressBest() {
  pressed = performance.now();
  showBest(!look.best);
}

// A tap leaves the other picture, a longer press was a peek.
function releaseBest() {
  if (!pressed) return;
  if (performance.now() - pressed > HOLD_MS) showBest(!look.best);
  pressed = 0;
}

function onLookKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const letter = event.key.length === 1, {target} = event, slider = target.matches("input[type=range], select");
  if (target.matches("select") && event.key !== "Escape") return;
  if (slider && (event.key.startsWith("Arrow") || ["Home", "End"].includes(event.key))) return;
  if (letter && !singleKeys) return;
  const key = letter ? event.key.toLowerCase() : event.key;
  if (key === "b") {
    if (!event.repeat) pressBest();
  } else if (LOOK_ACTS[key]) LOOK_ACTS[key](event);
  else return;
  event.preventDefault();
}

function onLookKeyUp(event) {
  if (event.key.toLowerCase() === "b") releaseBest();
}

function onWiperKey(event) {
  const to = {ArrowLeft: look.wiper - 0.02, ArrowRight: look.wiper + 0.02, Home: 0, End: 1}[event.key];
  if (to === undefined || event.shiftKey) return;
  event.preventDefault();
  event.stopPropagation();
  moveWiper(to);
}

function dragWiper(event) {
  const wipe = byId("wiper"), box = byId("stage").getBoundingClientRect();
  event.preventDefault();
  wipe.focus();
  wipe.setPointerCapture(event.pointerId);
  const move = (e) => moveWiper((e.clientX - box.left) / box.width);
  const end = () => {
    wipe.removeEventListener("pointermove", move);
    for (const kind of ["pointerup", "pointercancel"]) wipe.removeEventListener(kind, end);
  };
  wipe.addEventListener("pointermove", move);
  for (const kind of ["pointerup", "pointercancel"]) wipe.addEventListener(kind, end);
}

// Verdict, numbers and the person's mark of the frame looked at, and what is left.
function showLook() {
  const frame = FRAMES[state.selected];
  if (!frame || !look.open) return;
  const v = frame.values, mark = markOf(frame), reasons = frame.reasons.map(reasonText).join(", ");
  const other = beside(), sure = frame.verdict !== "unreadable" ? `, confidence ${number(v.confidence)}` : "";
  byId("look-frame").replaceChildren(
    make("h2", {}, ...breakable(plainName(frame.name)), other && look.wiper === null ? make("span", {className: "behind", textContent: " (the picture is the best's)"}) : null),
    make("p", {className: "facts"}, verdictTag(frame), sure, reasons ? ` · ${reasons}` : "", mark ? make("span", {className: "markword", textContent: ` ○ you: ${mark}`}) : null, make("span", {className: "faint", textContent: ` · ${comparedText(frame, other)}`})),
    make("p", {className: "why", textContent: v.explanation || "", on: {click: unfoldWhy}}));
  byId("look-left-over").textContent = placeText();
  byId("look-filter").firstChild.textContent = filterText();
  byId("look-filter").hidden = !filterText();
  byId("look-kept").textContent = keptText();
  byId("look-kept").classList.toggle("reject", Boolean(marking.stuck));
  byId("queue").value = queue.kind;
  for (const [id, word] of [["look-keep", "keep"], ["look-reject", "reject"]]) Object.assign(byId(id), {ariaPressed: String(mark === word), disabled: frame.verdict === "unreadable"});
  byId("look-clear").disabled = !mark;
  byId("look-undo").disabled = !(marking.answer && marking.answer.undo > 0);
}

// The best, where its picture stands instead of the frame's or beside it.
function beside() {
  const best = look.best || look.wiper !== null ? bestIndex(state.selected) : null;
  return known(best) && best !== state.selected ? FRAMES[best] : null;
}

// The numbers that a person compares; those of the best behind the frame's own where it is shown.
function comparedText(frame, best) {
  const v = frame.values, shown = [
    [LOOK.fwhm_px.label, (f) => (best ? length : bothLengths)(f.values.fwhm_px, f.scale_arcsec)],
    [LOOK.eccentricity.label, ovalText],
    [LOOK.transparency.label, (f) => (known(f.values.transparency) ? written("transparency", f.values.transparency) : "")]];
  return [...shown.filter(([, text]) => text(frame)).map(([label, text]) => `${label} ${text(frame)}${best ? ` (best ${text(best) || "–"})` : ""}`), v.filter].filter(Boolean).join(" · ");
}

// Its height is the same for every frame, or the picture would jump; the whole of it when asked for.
function unfoldWhy() {
  const whole = look.box.classList.toggle("unfolded");
  announce(whole ? FRAMES[state.selected].values.explanation || "" : "");
}

// Marks that did not arrive, or a server that is gone.
function showTrouble() {
  const box = byId("look-trouble"), problem = marking.answer ? marking.answer.problem : "";
  const text = marking.stuck || (link.silent ? SILENT : problem);
  box.hidden = !text;
  if (!text) return;
  const names = marking.waiting.filter((s) => !s.undo).map((s) => `${shortName(FRAMES[s.index].name)} (${s.word || "cleared"})`).join(", ");
  const undo = marking.waiting.some((s) => s.undo) ? "The undo was not done. " : "";
  const lost = names ? `Not saved: ${names}. ` : undo;
  const pause = marking.stuck || link.silent ? " Marks pause until this is settled; those saved before stay saved." : "";
  box.replaceChildren(make("span", {textContent: `${lost}${text[0].toUpperCase()}${text.slice(1).replace(/\.$/, "")}.${pause} `}),
    make("button", {type: "button", id: "look-again", textContent: "Try again", on: {click: tryAgain}}), " ",
    marking.waiting.length && !link.silent ? make("button", {type: "button", textContent: "Leave it out", on: {click: dropWaiting}}) : "");
}
