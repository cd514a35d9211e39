// Which part of the sky is looked at, and how large: the same for every frame of a group.
const views = new Map(); // group → {x, y, zoom, width, height}; x, y in px of its reference, the rest in screen pixels
const LARGEST = 24; // screen pixels a frame pixel
const finger = {down: new Map(), moved: 0, from: null};

// A group met first takes over the place looked at, where its frames are of the same size.
function viewFor(info) {
  const size = `${info.width} ${info.height}`, last = look.view && look.view.size === size ? look.view : null;
  return {...(views.get(FRAMES[info.index].group) || last || fitted(info, {...look.screen})), ...look.screen, size};
}

function viewOf(info) {
  look.view = viewFor(info);
  views.set(FRAMES[info.index].group, look.view);
  return look.view;
}

function fitted(info, view) {
  const corners = [[-0.5, -0.5], [info.width - 0.5, -0.5], [-0.5, info.height - 0.5], [info.width - 0.5, info.height - 0.5]].map(([x, y]) => onReference(info, x, y));
  const [left, right] = ends(corners.map(([x]) => x)), [low, high] = ends(corners.map(([, y]) => y));
  return Object.assign(view, {x: (left + right) / 2, y: (low + high) / 2, zoom: Math.min(view.width / (right - left), view.height / (high - low))});
}

const ends = (values) => [Math.min(...values), Math.max(...values)];

function onReference(info, x, y) {
  const [[a, b, c], [d, e, f]] = info.to_reference || UNMOVED;
  return [a * x + b * y + c, d * x + e * y + f];
}

const fitView = () => moveView((view, info) => fitted(info, view));
const oneToOne = () => moveView((view) => Object.assign(view, {zoom: 1}));
const panView = (right, down) => moveView((view) => Object.assign(view, {x: view.x + right / view.zoom, y: view.y - down / view.zoom}));

// The place under the point of the screen stays there.
function zoomView(factor, x = look.screen.width / 2, y = look.screen.height / 2) {
  moveView((view, info) => {
    const least = 0.5 * fitted(info, {...view}).zoom;
    const zoom = Math.max(Math.min(least, view.zoom), Math.min(LARGEST, view.zoom * factor));
    const right = x - view.width / 2, up = view.height / 2 - y;
    Object.assign(view, {x: view.x + right / view.zoom - right / zoom, y: view.y + up / view.zoom - up / zoom, zoom});
  });
}

function moveView(act) {
  const info = infoOf(state.selected);
  if (!info || info.cause || !look.screen.width) return;
  const view = viewOf(info);
  act(view, info);
  const corners = [[0, 0], [info.width, info.height], [0, info.height], [info.width, 0]].map(([x, y]) => onReference(info, x, y));
  const within = (value, [low, high]) => Math.max(low, Math.min(high, value)); // the middle stays on the frame
  view.x = within(view.x, ends(corners.map(([x]) => x)));
  view.y = within(view.y, ends(corners.map(([, y]) => y)));
  changed("tiles");
}

// Places of the pointer in screen pixels of the picture.
function placeOn(event) {
  const box = look.canvas.getBoundingClientRect();
  return [(event.clientX - box.left) * look.dense, (event.clientY - box.top) * look.dense];
}

const CLICK_PX = 5;

function onPointer(event) {
  if (event.type === "pointerdown") {
    if (event.button) return;
    look.canvas.setPointerCapture(event.pointerId);
    if (!finger.down.size) finger.moved = 0;
    finger.down.set(event.pointerId, placeOn(event));
    return;
  }
  if (!finger.down.has(event.pointerId)) return;
  if (event.type !== "pointermove") {
    if (event.type === "pointerup" && finger.moved < CLICK_PX * look.dense) pickStar(...placeOn(event));
    finger.down.delete(event.pointerId);
    return;
  }
  const before = gathered();
  finger.down.set(event.pointerId, placeOn(event));
  const now = gathered();
  finger.moved += Math.hypot(now.x - before.x, now.y - before.y) + Math.abs(now.apart - before.apart);
  panView(before.x - now.x, before.y - now.y);
  if (before.apart && now.apart) zoomView(now.apart / before.apart, now.x, now.y);
}

// The middle of the fingers and how far they are apart.
function gathered() {
  const places = [...finger.down.values()], n = places.length;
  const x = places.reduce((sum, p) => sum + p[0], 0) / n, y = places.reduce((sum, p) => sum + p[1], 0) / n;
  return {x, y, apart: n > 1 ? Math.hypot(places[0][0] - places[1][0], places[0][1] - places[1][1]) : 0};
}

function onWheel(event) {
  event.preventDefault();
  const lines = event.deltaMode === 1 ? 30 : 1;
  zoomView(2 ** (-Math.max(-240, Math.min(240, event.deltaY * lines)) / 240), ...placeOn(event));
}

function onDoubleClick(event) {
  const [x, y] = placeOn(event);
  zoomView(look.view && look.view.zoom < 0.99 ? 1 / look.view.zoom : 2, x, y);
}
