// On paper: what is printed and in which order, a head on every sheet, and all that matters on one.
const MOST_RUNS = 400; // pieces of the list of rejects before it is made shorter to fit
const SHEET_PX = (297 - 14 - 12) / 25.4 * 96; // height inside the margins of page.css
const SHEET_WIDE_PX = (210 - 2 * 11) / 25.4 * 96;
const SPARE_PX = 12; // what print may lay out higher than it was measured
const LEAST_LINE_PX = 220;
const paper = {grown: 1};

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
  return runs.map(({from, to}) => ({frames: to.index - from.index + 1, text: from === to ? shortName(from.name) : `${shortName(from.name)} to ${shortName(to.name)}`}));
}

function rejectList(most) {
  const words = [...new Set(FRAMES.filter((f) => f.verdict !== "keep").map((f) => f.reasons[0]))];
  const order = reasonRows().filter((word) => words.includes(word));
  return order.map((word) => {
    const frames = FRAMES.filter((f) => f.verdict !== "keep" && f.reasons[0] === word), runs = runsOf(frames);
    const more = runs.length > most ? ` and ${count(sum(runs.slice(most).map((run) => run.frames)), "more frame", "more frames")}, see rejects.txt` : "";
    return make("p", {}, make("b", {textContent: `${reasonText(word)} (${frames.length}): `}), `${runs.slice(0, most).map((run) => run.text).join(", ")}${more}`);
  });
}

const below = () => byId("rejects").getBoundingClientRect().bottom - document.body.getBoundingClientRect().top - SHEET_PX;

// While the browser asks what to print, the screen's rules still hold: what is measured then must be
// laid out as the sheet will be.  Gives back a function that ends it.
function laidAsSheet() {
  const was = [], body = document.body.style.width;
  const turn = (rule) => {
    if (rule instanceof CSSMediaRule) {
      const text = rule.media.mediaText, most = /max-width: (\d+)px/.exec(text);
      const applies = text.includes("print") || (!text.includes("screen") && most && SHEET_WIDE_PX <= Number(most[1]));
      was.push([rule, text]);
      rule.media.mediaText = applies ? "all" : "not all";
    }
  };
  for (const sheet of document.styleSheets) for (const rule of sheet.cssRules) turn(rule);
  document.body.style.width = `${SHEET_WIDE_PX}px`;
  return () => {
    for (const [rule, text] of was) rule.media.mediaText = text;
    document.body.style.width = body;
  };
}

// Room that the lists leave is the time line's.
function growLine() {
  const lanes = sum(drawn.plan.lanes.slice(1).map((lane) => lane.size)), scale = byId("plot").clientWidth / PAPER_PX;
  if (below() > -SPARE_PX || !lanes) return;
  paper.grown = Math.min(MOST_GROWN, 1 + (-below() - SPARE_PX) / scale / lanes);
  drawLine();
}

// As long as the sheet has room; then the time line gives way.
function showRejects() {
  const restore = laidAsSheet();
  fillSheet();
  restore();
}

function fillSheet() {
  const place = byId("rejects");
  for (let most = MOST_RUNS; most >= 1; most = Math.floor(most * 0.7)) {
    place.replaceChildren(make("h2", {textContent: "Rejected and unreadable, by reason"}), ...rejectList(most));
    if (below() < 0) return growLine();
  }
  const view = byId("plot").firstChild;
  view.style.height = `${Math.max(LEAST_LINE_PX, view.getBoundingClientRect().height - below() - 4)}px`;
}

// Paper is white and narrow, whatever the screen is; the curve of how strict follows the time line.
function forPaper(on) {
  paper.grown = 1;
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
