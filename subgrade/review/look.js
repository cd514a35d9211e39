// The view of one sub that fills the window: what is drawn, and when.
const look = {open: false, best: false, wiper: null, view: null, screen: {width: 0, height: 0}, dense: 1, asked: 0, stale: false, from: null,
  box: null, canvas: null, over: null, pen: null, settling: 0, clicked: null};

const announce = (text) => { (look.open ? byId("look-spoken") : byId("spoken")).textContent = text; };

// At a place of the frame, x and y in its pixels, or where it was left.
function openLook(place = null) {
  const frame = FRAMES[state.selected];
  if (!frame || look.open) return;
  look.open = true;
  look.best = false;
  byId("look-best").setAttribute("aria-pressed", "false");
  look.from = document.activeElement;
  document.documentElement.classList.add("looking");
  look.box.showModal();
  look.canvas.focus();
  openQueue();
  look.clicked = place;
  sizeLook();
  showLook();
  showCurve();
}

function closeLook() {
  if (!look.open) return;
  look.open = false;
  document.documentElement.classList.remove("looking");
  if (look.box.open) look.box.close();
  fetchTiles([]);
  forgetSheets([]);
  redrawPage();
  walkTo(state.selected);
  giveBackFocus();
}

// To what opened the view, its successor where the page was drawn anew, or the frame's row.
function giveBackFocus() {
  const {from} = look, held = from && from.dataset && from.dataset.hold, row = rows[state.selected] && rowOf(state.selected);
  const again = held && document.querySelector(`#panel [data-hold="${CSS.escape(held)}"]`);
  const inTable = from && from.closest && from.closest("#frames");
  const button = document.querySelector("#panel [data-hold=look]"), ownRow = row && row.isConnected ? row.querySelector(".link") : null;
  const to = inTable ? ownRow : again || (from && from.isConnected && from !== document.body ? from : button);
  (to || ownRow || button || document.body).focus({preventScroll: true});
}

function sizeLook() {
  const box = byId("stage").getBoundingClientRect();
  look.dense = Math.min(2, devicePixelRatio || 1);
  const width = Math.max(1, Math.round(box.width * look.dense)), height = Math.max(1, Math.round(box.height * look.dense));
  for (const canvas of [look.canvas, look.over]) if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, {width, height});
  look.screen = {width, height};
  askPaint();
}

function askPaint() {
  if (!look.open || look.asked) return;
  look.box.dataset.sharp = "no"; // until what is asked for is drawn
  look.asked = requestAnimationFrame(() => {
    look.asked = 0;
    if (look.open) paint();
  });
}

const usable = (info) => Boolean(info && !info.cause);

// The kept frame of the group that stacks with most weight, as the marks now stand; null without one.
function bestIndex(index) {
  const {group} = FRAMES[index];
  const kept = FRAMES.filter((f) => known(group) && f.group === group && f.verdict === "keep" && known(f.values.weight));
  return kept.length ? kept.reduce((a, b) => (b.values.weight > a.values.weight ? b : a)).index : null;
}

// That frame beside the one looked at; null where there is none, or it is this one.
function bestOf(info) {
  const best = usable(info) ? bestIndex(info.index) : null;
  return known(best) && best !== info.index ? infoOf(best) : null;
}

function paint() {
  const {pen, canvas} = look, info = infoOf(state.selected);
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.fillStyle = colour("sky");
  pen.fillRect(0, 0, canvas.width, canvas.height);
  if (!usable(info)) {
    drawOverlay(null);
    showNotes(info, null, false);
    look.box.dataset.sharp = info ? "never" : "no";
    look.box.dataset.frame = state.selected;
    fetchTiles([]);
    comingNext().forEach(infoOf);
    return;
  }
  const view = viewOf(info);
  if (look.clicked) goToPlace(info, view);
  const best = bestOf(info), comparing = look.best || look.wiper !== null;
  askTiles(info, best, view, comparing);
  const sheet = sheetFor(info, view, curveText(info)), other = comparing && usable(best) ? sheetFor(best, view, curveText(best)) : null;
  if (other && look.wiper !== null) {
    const middle = Math.round(look.wiper * canvas.width);
    drawPart(info, view, sheet, 0, middle);
    drawPart(best, view, other, middle, canvas.width);
  } else drawSheet(pen, ...(other ? [best, view, other] : [info, view, sheet]));
  const shown = other && look.wiper === null ? best : info, loupe = loupeFor(shown, view);
  if (loupe) drawLoupe(shown, loupe);
  forgetSheets([info.index, ...(other ? [best.index] : []), ...(loupe ? ["loupe"] : [])]);
  drawOverlay(shown, view, loupe, other ? (shown === best ? "best of the group" : "this frame") : "");
  const sharp = other ? other.sharp && (look.wiper === null || sheet.sharp) : sheet.sharp;
  look.box.dataset.frame = look.best && other ? best.index : info.index;
  const lone = [null, info.index].includes(bestIndex(info.index));
  look.box.dataset.sharp = sharp && (!comparing || other || lone) ? "yes" : "no";
  showNotes(info, best, (other || sheet).filled);
}

function drawLoupe(info, view) {
  const {left, top, width, height} = view, {pen} = look;
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  pen.fillStyle = colour("sky");
  pen.fillRect(left, top, width, height);
  drawSheet(pen, info, view, sheetFor(info, view, curveText(info), "loupe"));
  pen.restore();
}

function drawPart(info, view, sheet, from, to) {
  look.pen.save();
  look.pen.beginPath();
  look.pen.rect(from, 0, to - from, look.canvas.height);
  look.pen.clip();
  drawSheet(look.pen, info, view, sheet);
  look.pen.restore();
}

// The frame looked at first, then the one beside it, then those that come next.
function askTiles(info, best, view, comparing) {
  const wanted = [];
  const add = (of, later) => {
    if (!usable(of)) return;
    const seen = FRAMES[of.index].group === FRAMES[info.index].group ? view : viewFor(of);
    const {first, fine} = tilesFor(of, seen, curveText(of), later);
    wanted.push(...first, ...fine);
  };
  add(info, false);
  if (best) add(best, !comparing);
  const seen = look.best && best ? best : info, loupe = usable(seen) ? loupeFor(seen, view) : null;
  if (loupe) wanted.push(...tilesFor(seen, loupe, curveText(seen)).fine);
  for (const index of comingNext()) add(infoOf(index), true);
  fetchTiles([...new Map(wanted.map((tile) => [tile.key, tile])).values()].slice(0, MOST_TILES));
}

function goToPlace(info, view) {
  const [x, y] = onReference(info, ...look.clicked);
  look.clicked = null;
  Object.assign(view, {x, y, zoom: Math.max(1, view.zoom)});
}

// What the picture shows, written on it; the reason where there is none.
function showNotes(info, best, filled) {
  const frame = FRAMES[state.selected], none = info && info.cause;
  byId("look-none").textContent = none ? `Cannot be shown: ${none}` : "";
  byId("look-none").hidden = !none;
  const comparing = look.best || look.wiper !== null, lone = bestIndex(state.selected) === null;
  const bestText = best ? `best of the group: ${shortName(FRAMES[best.index].name)}` : lone ? "no frame of the group is kept" : "this is the best of its group";
  const turned = usable(info) && !info.to_reference ? ", not registered: as on the sensor" : "";
  const mine = `this frame${turned}${filled || none ? "" : ", loading…"}`;
  byId("look-left").textContent = look.best && look.wiper === null ? bestText : mine;
  byId("look-left").classList.toggle("other", look.best && look.wiper === null);
  byId("look-right").textContent = look.wiper !== null ? bestText : "";
  byId("look-right").hidden = look.wiper === null;
  const wipe = byId("wiper");
  wipe.hidden = look.wiper === null;
  if (look.wiper !== null) {
    wipe.style.left = `${100 * look.wiper}%`;
    wipe.setAttribute("aria-valuenow", String(Math.round(100 * look.wiper)));
  }
  const zoom = look.view ? look.view.zoom : 0;
  byId("look-zoom").textContent = zoom ? `${Number((100 * zoom).toPrecision(zoom < 1 ? 2 : 3))} %` : "";
  look.canvas.setAttribute("aria-label", [plainName(frame.name), comparing ? bestText : "", byId("look-zoom").textContent].filter(Boolean).join(", "));
}

function showBest(on) {
  look.best = on;
  byId("look-best").setAttribute("aria-pressed", String(on));
  const info = infoOf(state.selected);
  showLook();
  if (on) announce(bestOf(info) ? `best of the group: ${shortName(FRAMES[bestOf(info).index].name)}` : "no other frame to compare with");
  else announce("this frame");
  askPaint();
}

function toggleWiper() {
  look.wiper = look.wiper === null ? 0.5 : null;
  byId("look-wiper").setAttribute("aria-pressed", String(look.wiper !== null));
  paint();
  showLook();
  (look.wiper === null ? look.canvas : byId("wiper")).focus({preventScroll: true});
}

function moveWiper(to) {
  if (look.wiper === null) return;
  look.wiper = Math.max(0, Math.min(1, to));
  askPaint();
}

function toggleOverlay(word = null) {
  if (word === null) overlay.on = !overlay.on;
  else if (overlay.shown.has(word)) overlay.shown.delete(word);
  else overlay.shown.add(word);
  byId("look-overlay").setAttribute("aria-pressed", String(overlay.on));
  byId("layers").hidden = !overlay.on;
  for (const box of byId("layers").querySelectorAll("input")) box.checked = overlay.shown.has(box.value);
  askPaint();
}
