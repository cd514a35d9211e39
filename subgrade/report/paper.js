// On paper: what is printed and in which order, a head on every sheet, and all that matters on one.
const MOST_RUNS = 400; // pieces of the list of rejects before it is made shorter to fit
const SHEET_PX = (297 - 14 - 12) / 25.4 * 96; // height inside the margins of page.css
const LEAST_LINE_PX = 220;

// A text inside a CSS string: everything but plain letters and digits as its code, so that no text can leave it.
function cssString(text) {
  const coded = [...text].map((sign) => (/[A-Za-z0-9]/.test(sign) ? sign : `\\${(/^[\ud800-\udfff]$/.test(sign) ? 0xfffd : sign.codePointAt(0)).toString(16).padStart(6, "0")}`));
  return `"${coded.join("")}"`;
}

// The night and the sheet's number, in the margin of each.
function nameSheets() {
  const style = byId("sheets") || make("style", {id: "sheets"});
  style.textContent = `@page { @top-left { content: ${cssString(nightSpan())}; } @top-right { content: ${cssString(`${NIGHT.totals.kept} of ${NIGHT.totals.frames} kept`)}; } @bottom-right { content: counter(page) " / " counter(pages); } }`;
  document.head.append(style);
}

// Frames of one reason, those in a row as one piece.
function runsOf(frames) {
  const runs = [];
  for (const frame of frames) {
    const last = runs[runs.length - 1];
    if (last && last.to.index + 1 === frame.index) last.to = frame;
    else runs.push({from: frame, to: frame});
  }
  return runs.map(({from, to}) => (from === to ? shortName(from.name) : `${shortName(from.name)} to ${shortName(to.name)}`));
}

function rejectList(most) {
  const words = [...new Set(FRAMES.filter((f) => f.verdict !== "keep").map((f) => f.reasons[0]))];
  const order = reasonRows().filter((word) => words.includes(word));
  return order.map((word) => {
    const frames = FRAMES.filter((f) => f.verdict !== "keep" && f.reasons[0] === word), runs = runsOf(frames);
    const more = runs.length > most ? ` and ${runs.length - most} more, see rejects.txt` : "";
    return make("p", {}, make("b", {textContent: `${reasonText(word)} (${frames.length}): `}), `${runs.slice(0, most).join(", ")}${more}`);
  });
}

const below = () => byId("rejects").getBoundingClientRect().bottom - document.body.getBoundingClientRect().top - SHEET_PX;

// As long as the sheet has room; then the time line gives way.
function showRejects() {
  const place = byId("rejects");
  for (let most = MOST_RUNS; most >= 1; most = Math.floor(most * 0.7)) {
    place.replaceChildren(make("h2", {textContent: "Rejected and unreadable, by reason"}), ...rejectList(most));
    if (below() < 0) return;
  }
  const view = byId("plot").firstChild;
  view.style.height = `${Math.max(LEAST_LINE_PX, view.getBoundingClientRect().height - below() - 4)}px`;
}

// Paper is white and narrow, whatever the screen is; the curve of how strict follows the time line.
function forPaper(on) {
  const root = document.documentElement, rest = byId("story").querySelector(".rest");
  root.classList.toggle("paper", on);
  if (on) {
    nameSheets();
    byId("line").after(byId("choice"));
    rest.dataset.was = rest.open ? "open" : "";
    rest.open = true;
  } else {
    root.classList.remove("onesheet");
    byId("tools").before(byId("choice"));
    rest.open = Boolean(rest.dataset.was);
    byId("rejects").replaceChildren();
  }
  drawLine();
  showChoice();
  layStory();
  if (on && root.classList.contains("onesheet")) showRejects();
}

function printSheets(one) {
  document.documentElement.classList.toggle("onesheet", one);
  print();
}

function startPaper() {
  const menu = byId("printing"), choose = (one) => () => {
    menu.open = false;
    printSheets(one);
  };
  byId("print").addEventListener("click", choose(false));
  byId("onesheet").addEventListener("click", choose(true));
  menu.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !menu.open) return;
    menu.open = false;
    menu.querySelector("summary").focus();
  });
  addEventListener("beforeprint", () => forPaper(true));
  addEventListener("afterprint", () => forPaper(false));
}
