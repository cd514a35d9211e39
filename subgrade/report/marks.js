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

const quoted = (cell) => (/[",\r\n]|^\s|\s$/.test(cell) ? `"${cell.replace(/"/g, '""')}"` : cell);

function marksText() {
  const rows = FRAMES.filter(markOf).map((f) => `${quoted(f.name)},${markOf(f)}`);
  return ["frame,verdict", ...rows, ""].join("\n");
}

function showMarked() {
  const n = Object.keys(state.marks).length;
  const against = FRAMES.filter((f) => markOf(f) && markOf(f) !== f.verdict).length;
  byId("marked").textContent = n ? `○ ${count(n, "mark")}, ${against} against the verdict` : "";
  byId("save").disabled = !n;
  byId("save").title = n ? "Key S" : "Mark frames with K and R first";
}

function saveMarks() {
  const text = marksText();
  const address = URL.createObjectURL(new Blob([text], {type: "text/csv"}));
  const link = make("a", {href: address, download: "marks.csv"});
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
  const box = byId("saved");
  const area = make("textarea", {readOnly: true, rows: 8, value: text, ariaLabel: "Marks as text", spellcheck: false});
  const copy = make("button", {type: "button", textContent: "Copy", on: {click: async () => {
    area.select();
    try {
      await navigator.clipboard.writeText(text);
      copy.textContent = "Copied";
    } catch {
      copy.textContent = document.execCommand("copy") ? "Copied" : "Select and copy the text";
    }
  }}});
  box.replaceChildren(make("h2", {textContent: "Your marks"}),
    make("p", {textContent: "Saved as marks.csv in the browser's download folder. If nothing was saved, copy this text into a file of that name."}), area,
    make("p", {className: "faint", textContent: "Then: subgrade grade FRAMES --marks marks.csv overrules these verdicts; with --teach marks.csv the limits are adapted to them."}),
    make("form", {method: "dialog"}, copy, " ", make("button", {textContent: "Close"})),
    make("button", {type: "button", className: "link", textContent: "Clear all marks", on: {click: () => {
      keepMarks({...keptMarks(), ...Object.fromEntries(Object.keys(state.marks).map((name) => [name, null]))});
      state.marks = {};
      changed("marks");
      box.close();
    }}}));
  box.showModal();
}
