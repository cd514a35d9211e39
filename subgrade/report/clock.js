// Times: UTC, the reader's own zone, or frames one after the other.
const TIMED = FRAMES.filter((frame) => known(frame.start_unix));

function offsetMs(ms) {
  return state.clock === "local" ? -new Date(ms).getTimezoneOffset() * 60000 : 0;
}

// Milliseconds that read as wall-clock time when they are taken for UTC.
const wall = (seconds) => seconds * 1000 + offsetMs(seconds * 1000);

const clockText = (seconds, whole = false) => {
  if (!known(seconds)) return "no time";
  const text = new Date(wall(seconds)).toISOString();
  return whole ? `${text.slice(0, 10)} ${text.slice(11, 19)}` : text.slice(11, 16);
};

// Of the night, not of today: summer time may lie between.
function localName() {
  const minutes = TIMED.length ? -new Date(TIMED[0].start_unix * 1000).getTimezoneOffset() : 0;
  const hours = Math.floor(Math.abs(minutes) / 60), rest = Math.abs(minutes) % 60;
  return `local time (UTC${minutes < 0 ? "−" : "+"}${hours}${rest ? `:${String(rest).padStart(2, "0")}` : ""})`;
}

const CLOCKS = {utc: "UTC clock", local: "local clock", order: "frame numbers"};
const clockName = () => (state.clock === "local" ? localName() : "UTC");

function isoClock(text) {
  return text ? clockText(Date.parse(text) / 1000) : "";
}

const middle = (frame) => frame.start_unix + (frame.elapsed_s || 0) / 2;

// Where a frame stands on the time line; null where it has no place.
function place(frame) {
  if (state.clock === "order") return frame.index + 1;
  if (known(frame.start_unix)) return wall(middle(frame));
  return known(frame.near_unix) ? wall(frame.near_unix) : null;
}

function startClock() {
  if (!TIMED.length) state.clock = "order";
  const choice = byId("clock");
  for (const [word, text] of Object.entries(CLOCKS)) {
    if (word !== "order" && !TIMED.length) continue;
    choice.append(make("option", {value: word, textContent: text}));
  }
  choice.value = state.clock;
  choice.addEventListener("change", () => {
    state.clock = choice.value;
    changed("clock");
  });
}
