// The page with a server behind it: ways into the view, marks that go to the server.
const CHECK_MS = 4000;

watchers.push((what) => {
  if (what === "tiles") askPaint();
  if (what === "selected" && look.open) {
    visited(state.selected);
    showLook();
    showCurve();
    askPaint();
    const frame = FRAMES[state.selected];
    announce([plainName(frame.name), VERDICT_TEXT[frame.verdict], ...frame.reasons.map(reasonText)].join(", "));
  }
  if (what === "marking" || what === "link") {
    showLook();
    showTrouble();
    showServed();
    askPaint();
  }
});

Object.assign(AFTER, {tiles() {}, marking() {}, link() {}});

// While the view is open the page below it waits: drawing it anew would take longer than the picture.
const selectedOnPage = AFTER.selected;
AFTER.selected = () => {
  if (!look.open) selectedOnPage();
};

panelTools.push((frame) => make("button", {type: "button", className: "lookat", title: "Key V, or Enter", data: {hold: "look"}, on: {click: () => openLook()}}, make("kbd", {textContent: "V"}), " Look at the sub"));

// A click on a small picture opens the view at that place.
function onPanelClick(event) {
  const frame = FRAMES[state.selected], whole = event.target.closest(".stack"), star = event.target.closest(".starrow img");
  if (!frame || frame.verdict === "unreadable") return;
  if (whole) {
    const box = whole.getBoundingClientRect();
    openLook([frame.width * (event.clientX - box.left) / box.width - 0.5, frame.height * (1 - (event.clientY - box.top) / box.height) - 0.5]);
  }
  if (star) {
    const crop = frame.crops[[...star.closest(".starrow").querySelectorAll("img")].indexOf(star)];
    if (crop) openLook([crop.x, crop.y]);
  }
}

// Below the page's tools: what became of a mark made on the page itself.
function showServed() {
  const text = keptText(), over = FRAMES.filter((f) => markOf(f) && !agrees(f)).length;
  const saved = !marking.stuck && !marking.waiting.length && over ? `, ${over} against the program's verdict` : "";
  byId("served").textContent = marking.stuck ? `${text}: ${marking.stuck}` : text === NO_MARKS ? "" : `○ ${text}${saved}`;
  byId("served").classList.toggle("reject", Boolean(marking.stuck));
  byId("served-again").hidden = !marking.stuck;
}

function onEnter(event) {
  if (event.key !== "Enter" || event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
  if (document.querySelector("dialog[open]") || event.target.closest("button, a, input, select, textarea, summary, [role=slider]")) return;
  event.preventDefault();
  openLook();
}

// Silence is asked about until it ends; with a failed mark the person decides.
setInterval(async () => {
  if (!link.silent || marking.stuck || marking.busy) return;
  const answer = await listen().catch(() => null);
  if (answer) followState(answer);
}, CHECK_MS);

document.head.append(make("link", {rel: "icon", href: "data:,"})); // none is asked for
buildLook();
ACTS.v = () => openLook();
delete ACTS.s; // there is nothing left to save
[...byId("help").querySelectorAll("tr")].find((row) => row.querySelector("kbd").textContent === "S").remove();
byId("help").querySelector("tbody").prepend(keyHead("Page"));
byId("help").querySelector("table").append(keyRows("View"));
byId("save").hidden = true; // every mark is saved by the server,
byId("marked").hidden = true; // and one text says so
byId("save").after(make("span", {id: "served", role: "status"}), make("button", {type: "button", id: "served-again", textContent: "Try again", hidden: true, on: {click: tryAgain}}));
byId("panel").addEventListener("click", onPanelClick);
document.addEventListener("keydown", onEnter);
addEventListener("blur", releaseBest); // the key may come up elsewhere
followState(NIGHT.review || {});
