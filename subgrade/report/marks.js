// Marks: the reader's own verdicts, kept in the browser and saved as frame,verdict.
const MARKS_KEY = `subgrade marks ${NIGHT.folder}`;

// What the browser keeps, other nights of the same folder among it; null for a mark that was cleared.
function keptMarks() {
  try {
    return JSON.parse(localStorage.getItem(MARKS_KEY)) || {};
  } catch {
    return {}; // a page opened from disk may have no storage; marks then last until it is closed
  }
}

function keepMarks(marks) {
  try {
    localStorage.setItem(MARKS_KEY, JSON.stringify(marks));
  } catch {
    // as above
  }
}

function loadMarks() {
  const names = new Set(FRAMES.map((f) => f.name));
  for (const [name, word] of Object.entries({...NIGHT.marked, ...keptMarks()})) {
    if (names.has(name) && (word === "keep" || word === "reject")) state.marks[name] = word;
  }
}

let sendMark = null; // where a server stands behind the page, marks go to it

function setMark(frame, word) {
  if (sendMark) return void sendMark(frame, word);
  if (!frame || frame.verdict === "unreadable") return;
  if (word) state.marks[frame.name] = word;
  else delete state.marks[frame.name];
  keepMarks({...keptMarks(), [frame.name]: word});
  changed("marks");
}

const keptWith = (frame, word) => (word || frame.own) === "keep";

// What a mark makes of the night, with all the other marks: frames kept and their time.
function effectText(frame, word) {
  const others = FRAMES.filter((f) => f !== frame && keptWith(f, markOf(f))).length;
  const without = keptWith(frame, null), now = keptWith(frame, word);
  const before = others + without, after = others + now;
  if (before === after) return `kept frames stay ${before}`;
  const seconds = frame.values.exposure_s;
  const time = seconds > 0 ? `, ${now ? "+" : "−"}${duration(seconds)}` : "";
  return `kept frames ${before} → ${after}${time}`;
}

const quoted = (cell) => (/[",\r\n]|^\s|\s$/.test(cell) ? `"${cell.replace(/"/g, '""')}"` : cell);

function marksText() {
  const rows = FRAMES.filter(markOf).map((f) => `${quoted(f.name)},${markOf(f)}`);
  return ["frame,verdict", ...rows, ""].join("\n");
}

function showMarked() {
  const n = Object.keys(state.marks).length;
  const against = FRAMES.filter((f) => markOf(f) && !agrees(f)).length;
  byId("marked").textContent = n ? `○ ${count(n, "mark")}, ${against} against the verdict` : "";
  byId("save").disabled = !n;
  byId("save").title = n ? "Key S" : "Mark frames with K and R first";
}

// Into the browser's download folder.
function saveText(name, text, type = "text/plain") {
  const address = URL.createObjectURL(new Blob([text], {type}));
  const link = make("a", {href: address, download: name});
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}

function saveMarks() {
  const text = marksText();
  saveText("marks.csv", text, "text/csv");
  const box = byId("saved");
  const area = make("textarea", {readOnly: true, rows: Math.min(8, text.split("\n").length), value: text, ariaLabel: "Marks as text", spellcheck: false});
  box.replaceChildren(make("h2", {textContent: "Your marks"}),
    make("p", {textContent: "Saved as marks.csv in the browser's download folder. If nothing was saved, copy this text into a file of that name."}), area, copyButton("Copy the marks", () => text),
    ...commandOf("To let them overrule the verdicts", NIGHT.again.marks, "--marks"), ...commandOf("To teach the limits by them", NIGHT.again.teach, "--teach"),
    make("p", {className: "faint", textContent: NIGHT.again.marks.length ? "The command of this run, with the marks: type it in the folder that marks.csv is in." : "Type it in the folder that marks.csv is in, with what else this run was given."}),
    make("form", {method: "dialog", className: "buttons"}, make("button", {textContent: "Close", autofocus: true}),
      make("button", {type: "button", textContent: "Clear all marks", on: {click: clearMarks}})));
  box.showModal();
}

function clearMarks() {
  keepMarks({...keptMarks(), ...Object.fromEntries(Object.keys(state.marks).map((name) => [name, null]))});
  state.marks = {};
  changed("marks");
  byId("saved").close();
}

// The run's own command, for each shell that its machine may have.
function commandOf(title, commands, option) {
  const known = commands.length ? commands : [{shell: "", text: `subgrade grade FRAMES ${option} marks.csv`}];
  return [make("h3", {textContent: title}), ...known.flatMap(({shell, text}) => [
    known.length > 1 ? make("p", {className: "faint", textContent: `in ${shell}:`}) : null,
    commandText(text), copyButton("Copy the command", () => text)]).filter(Boolean)];
}

// Broken at its spaces only, so that no dash of an option stands alone at the end of a line.
const commandText = (text) => make("pre", {tabIndex: 0, className: "command"},
  ...text.split(" ").flatMap((word, k) => [k ? " " : "", make("span", {textContent: word})]));

function copyButton(label, text) {
  const button = make("button", {type: "button", textContent: label, on: {click: async () => {
    button.textContent = (await copied(text(), button)) ? "Copied" : "Select and copy the text";
  }}});
  return button;
}

// A page from disk may not be let near the clipboard: then by a selection of the text beside it.
async function copied(text, beside) {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    const area = make("textarea", {value: text, className: "unseen", tabIndex: -1});
    beside.after(area);
    area.select();
    const done = document.execCommand("copy");
    area.remove();
    beside.focus();
    return done;
  }
}
