// What is looked at next: the most doubtful first, the worst first, the rejects, or as taken.
const QUEUES = {doubtful: "doubtful first", worst: "worst first", rejects: "rejects, worst first", taken: "in order taken"};
const PINNED = 2; // frames made ready stay next, whatever a mark does to the order
const queue = {kind: "doubtful", of: new Set(), trail: [], at: -1, pinned: [], fixed: [], measured: 0};

function openQueue() {
  const measured = FRAMES.filter((f) => f.verdict !== "unreadable"), fitting = measured.filter((f) => fits(f));
  queue.measured = measured.length;
  queue.of = new Set((fitting.length ? fitting : measured).map((f) => f.index));
  startQueue(queue.kind);
}

function startQueue(kind) {
  Object.assign(queue, {kind, trail: [], at: -1, pinned: []});
  queue.fixed = fixedOrder(kind);
  visited(state.selected);
}

// Places stay while a queue is gone through, whatever a mark does to a verdict or to the order.
function fixedOrder(kind) {
  const all = [...queue.of].sort((a, b) => a - b);
  if (kind === "taken" || kind === "doubtful") return all;
  const worth = worths();
  return (kind === "rejects" ? all.filter((index) => FRAMES[index].verdict === "reject") : all).sort((a, b) => worth.get(b) - worth.get(a));
}

// By frame how far down the order of its group's curve it stands, 0 the best. What is rejected
// without a group stands before all, what is kept without one behind.
function worths() {
  const worth = new Map(FRAMES.map((f) => [f.index, f.verdict === "reject" ? 2 : -1]));
  NIGHT.choice.groups.forEach((_, k) => {
    const curve = curveOf(k);
    if (curve) curve.order.forEach((index, place) => worth.set(index, place / curve.order.length));
  });
  return worth;
}

// Chosen by the person: the worst are wanted at once, of the other orders what lies ahead.
function chooseQueue(kind) {
  startQueue(kind);
  const first = queue.fixed.find(unmarked);
  if (first !== undefined && (kind === "worst" || kind === "rejects")) select(first);
  showLook();
  announce(`Queue: ${QUEUES[kind]}, ${count(queueOrder().length, "frame")}, ${leftOver()} left.`);
}

function nextQueue() {
  const kinds = Object.keys(QUEUES);
  chooseQueue(kinds[(kinds.indexOf(queue.kind) + 1) % kinds.length]);
}

// The page's filter off, here and there; the frame looked at stays.
function allInQueue() {
  if (queue.of.size < queue.measured) showAll();
  openQueue();
  showLook();
  announce(`No filter: ${count(queue.measured, "frame")}.`);
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
  return queue.kind === "doubtful" ? [...queue.trail, ...ahead()] : queue.fixed;
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
  return {order, at: at < 0 && queue.kind === "taken" ? order.findLastIndex((index) => index < state.selected) : at, within: at >= 0};
}

function placeText() {
  const {order, at, within} = whereInQueue();
  if (!order.length) return "none in this queue";
  return `${within ? `${at + 1} of ${order.length}` : `not among these ${order.length}`} · ${leftOver()} left`;
}

const filterText = () => (queue.of.size < queue.measured ? `filter on: ${queue.of.size} of ${queue.measured}` : "");

// To the first or the last of the queue.
function endOfQueue(last) {
  const {order} = whereInQueue();
  if (order.length) select(last ? order.at(-1) : order[0]);
}

function stepQueue(by) {
  const {order, at} = whereInQueue();
  const to = order[Math.max(0, Math.min(order.length - 1, at + by))];
  if (to === undefined) announce("No frame in this queue.");
  else if (to === state.selected) announce(by > 0 ? "The last frame of the queue." : "The first frame of the queue.");
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
  return queue.fixed.filter(unmarked).length;
}

function markAndGo(word) {
  const frame = FRAMES[state.selected];
  if (!sendMark(frame, word)) return;
  const to = nextUnmarked();
  if (to === undefined) announce("Every frame of the queue is marked.");
  else select(to);
}
