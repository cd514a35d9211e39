// What happened in the night, each as a thin labelled line through the time line.
const EVENT_PX = 15; // a row of labels
const EVENT_ROWS = 2;
const MOST_LINES = 8; // changes of filter; more are ticks above the lanes only
const MOST_LETTERS = 18;

// Among frame numbers: after the frames that were taken before it.
function eventPlace(event) {
  if (state.clock !== "order") return wall(event.unix);
  return FRAMES.filter((f) => known(f.start_unix) && middle(f) < event.unix).length + 0.5;
}

// Lines with their labels, each in the first row that has room for it; without one the hint names it.
function placeEvents(x) {
  const ends = Array(EVENT_ROWS).fill(-Infinity), list = [];
  let rows = 0;
  for (const event of NIGHT.events) {
    const value = eventPlace(event);
    if (value < x.from || value > x.to) continue;
    const label = event.text.length > MOST_LETTERS ? `${event.text.slice(0, MOST_LETTERS - 1)}…` : event.text;
    const px = x.at(value), wide = textWidth(label) + 10;
    const start = Math.min(px - 2, x.right - wide);
    const row = ends.findIndex((end) => end <= start);
    if (row >= 0) {
      ends[row] = start + wide;
      rows = Math.max(rows, row + 1);
    }
    list.push({...event, label, px, row, start: Math.max(start, x.left)});
  }
  return {list, rows: list.length ? Math.max(rows, 1) : 0};
}

function drawEvents(plan) {
  const {list, rows} = plan.events, often = list.filter((event) => event.kind === "filter").length > MOST_LINES;
  return list.map((event) => {
    const line = draw("line", {x1: round(event.px), x2: round(event.px), y1: event.row < 0 ? EVENT_PX * rows + 2 : EVENT_PX * event.row + 3, y2: often && event.kind === "filter" ? plan.head + 3 : plan.bottom, class: `event ${event.kind}`});
    const parts = [line];
    if (event.row >= 0) parts.push(textAt(event.start + 2, EVENT_PX * event.row + 12, event.label, "event-name"));
    return draw("g", {"data-event": event.kind}, ...parts);
  });
}
