// Marks on their way to the server, one after the other. A mark counts when the server has it.
const marking = {answer: null, waiting: [], busy: false, stuck: ""};

sendMark = (frame, word) => {
  if (!frame || frame.verdict === "unreadable") {
    announce("A file that was not measured cannot be marked.");
    return false;
  }
  if (marking.stuck) {
    announce(`Marks pause: ${marking.stuck}.`);
    return false;
  }
  if (!marking.waiting.length && markOf(frame) === word) return true; // the server has it so
  marking.waiting.push({index: frame.index, word});
  sendWaiting();
  return true;
};

function undoMark() {
  if (marking.stuck || !marking.answer || !(marking.answer.undo > 0)) {
    announce(marking.stuck ? `Marks pause: ${marking.stuck}.` : "Nothing to undo.");
    return;
  }
  marking.waiting.push({undo: true});
  sendWaiting();
}

async function sendWaiting() {
  if (marking.busy) return;
  marking.busy = true;
  changed("marking");
  while (marking.waiting.length && !marking.stuck) {
    const step = marking.waiting[0];
    step.from = marking.answer ? marking.answer.undo : 0;
    try {
      const answer = await (step.undo ? post("undo", {}) : post("mark", {frame: step.index, word: step.word}));
      marking.waiting.shift();
      accepted(step, answer);
    } catch (error) {
      marking.stuck = error.message;
    }
  }
  marking.busy = false;
  changed("marking");
}

function accepted(step, answer) {
  const before = {...state.marks};
  followState(answer);
  if (!step.undo) {
    announce(`${shortName(FRAMES[step.index].name)}: ${step.word ? `marked ${step.word}` : "mark cleared"}, saved.`);
    return;
  }
  const back = FRAMES.find((frame) => before[frame.name] !== state.marks[frame.name]);
  if (!back) return;
  announce(`Undone: ${shortName(back.name)} is ${markOf(back) ? `marked ${markOf(back)}` : "not marked"}.`);
  if (look.open) select(back.index);
}

// The answer may have been lost on its way while the mark had arrived: it must not be made twice.
function arrived(step, answer) {
  if (step.undo) return answer.undo < step.from;
  return ((answer.marks || {})[step.index] || null) === step.word;
}

async function tryAgain() {
  try {
    const answer = await (await ask("state")).json();
    if (marking.waiting.length && arrived(marking.waiting[0], answer)) accepted(marking.waiting.shift(), answer);
    else followState(answer);
    marking.stuck = "";
  } catch (error) {
    if (marking.waiting.length) marking.stuck = error.message;
    announce(`Not yet: ${error.message}.`);
  }
  await sendWaiting();
  changed("tiles");
}

function dropWaiting() {
  marking.waiting = [];
  marking.stuck = "";
  changed("marking");
}

// One line on the state of the marks, for the head of the view.
function keptText() {
  const waiting = marking.waiting.filter((step) => !step.undo).map((step) => shortName(FRAMES[step.index].name));
  if (marking.stuck) return waiting.length ? `not saved: ${waiting.join(", ")}` : "not saved";
  if (marking.waiting.length) return "saving…";
  if (marking.answer && marking.answer.problem) return "saved; the files do not follow";
  const n = Object.keys(state.marks).length;
  return n ? `${count(n, "mark")} saved` : "no marks yet";
}
