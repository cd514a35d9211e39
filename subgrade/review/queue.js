// What is looked at next: the most doubtful first, as taken, or the rejects.
const QUEUES = {doubtful: "doubtful first", taken: "in order taken", rejects: "rejects"};
const PINNED = 2; // frames made ready stay next, whatever a mark does to the order
const queue = {kind: "doubtful", of: new Set(), trail: [], at: -1, pinned: [], rejects: []};

function openQueue() {
  queue.of = new Set(FRAMES.filter((f) => fits(f) && f.verdict !== "unreadable").map((f) => f.index));
  if (!queue.of.size) queue.of = new Set(FRAMES.filter((f) => f.verdict !== "unreadable").map((f) => f.index));
  startQueue(queue.kind);
}

function startQueue(kind) {
  Object.assign(queue, {kind, trail: [], at: -1, pinned: []});
  queue.rejects = FRAMES.filter((f) => f.verdict === "reject" && queue.of.has(f.index)).map((f) => f.index);
  visited(state.selected);
}

const onItsWay = (index) => marking.waiting.some((step) => step.index === index);
const unmarked = (index) => !markOf(FRAMES[index]) && !onItsWay(index);

// Not yet looked at, in the server's order, which every mark may change.
function ahead() {
  const passed = new Set(queue.trail);
  const doubtful = marking.answer ? marking.answer.doubtful || [] : [];
  const order = [...queue.pinned, ...doubtful].filter((index) => FRAMES[index] && queue.of.has(index) && unmarked(index) && !passed.has(index));
  return [...new Set(order)];
}

function queueOrder() {
  if (queue.kind === "doubtful") return [...queue.trail, ...ahead()];
  return queue.kind === "rejects" ? queue.rejects : [...queue.of].sort((a, b) => a - b);
}

// Frames passed keep their place, so that going back finds them.
function visited(index) {
  if (index === null || queue.trail[queue.at] === index) return;
  const known = queue.trail.indexOf(index);
  if (known >= 0) queue.at = known;
  else {
    queue.at += 1;
    queue.trail.splice(queue.at, 0, index);
  }
  queue.pinned = ahead().slice(0, PINNED);
}

function whereInQueue() {
  const order = queueOrder();
  const at = order.indexOf(state.selected);
  return {order, at: at < 0 ? order.findLastIndex((index) => index < state.selected) : at};
}

function stepQueue(by) {
  const {order, at} = whereInQueue();
  const to = order[Math.max(0, Math.min(order.length - 1, at + by))];
  if (to === undefined || to === state.selected) announce(by > 0 ? "The last frame of the queue." : "The first frame of the queue.");
  else select(to);
}

function nextUnmarked() {
  const {order, at} = whereInQueue();
  return [...order.slice(at + 1), ...order.slice(0, Math.max(0, at))].find((index) => unmarked(index) && index !== state.selected);
}

// Frames worth having ready: the next in the queue, and the next after a mark.
function comingNext() {
  const {order, at} = whereInQueue();
  const after = nextUnmarked();
  return [...new Set([after, ...order.slice(at + 1, at + 1 + PINNED)])].filter((index) => index !== undefined).slice(0, PINNED);
}

function leftOver() {
  const of = queue.kind === "rejects" ? queue.rejects : [...queue.of];
  return of.filter(unmarked).length;
}

function markAndGo(word) {
  const frame = FRAMES[state.selected];
  if (!sendMark(frame, word)) return;
  const to = nextUnmarked();
  if (to === undefined) announce("Every frame of the queue is marked.");
  else select(to);
}
