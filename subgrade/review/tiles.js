// A frame as tiles of several sizes, put together on a sheet and drawn on the group's reference.
const tiles = new Map(); // key → ImageBitmap, the least used first
const MOST_TILES = (navigator.deviceMemory || 8) <= 4 ? 90 : 220; // each 1 MB
const SHEET_TILES = 80;
const sheets = new Map(); // where it is shown: index of the frame, or the loupe → sheet
const UNMOVED = [[1, 0, 0], [0, 1, 0]];

function keepTile(key, bitmap) {
  tiles.set(key, bitmap);
  const needed = new Set(link.wanted.map((tile) => tile.key));
  for (const [old, image] of tiles) {
    if (tiles.size <= MOST_TILES) break;
    if (needed.has(old)) continue;
    tiles.delete(old);
    if (image) image.close();
  }
}

function tileOf(key) {
  const bitmap = tiles.get(key);
  if (bitmap) {
    tiles.delete(key);
    tiles.set(key, bitmap);
  }
  return bitmap;
}

// From a frame's picture (px from its upper left corner) to the screen, as canvas.setTransform takes it.
// A view that fills only a part of the screen has its left and top there.
function toScreen(info, view) {
  const [[a, b, c], [d, e, f]] = info.to_reference || UNMOVED;
  const top = info.height - 0.5, z = view.zoom;
  const x = c - 0.5 * a + b * top, y = f - 0.5 * d + e * top;
  const left = view.width / 2 + (view.left || 0), down = view.height / 2 + (view.top || 0);
  return [z * a, -z * d, -z * b, z * e, z * (x - view.x) + left, z * (view.y - y) + down];
}

const applied = ([a, b, c, d, e, f], x, y) => [a * x + c * y + e, b * x + d * y + f];

function inverse([a, b, c, d, e, f]) {
  const det = a * d - b * c;
  return [d / det, -b / det, -c / det, a / det, (c * f - d * e) / det, (b * e - a * f) / det];
}

// Frame pixel (x to the right, y up, 0 in the middle of the first) to the screen and back.
const onScreen = (info, view, x, y) => applied(toScreen(info, view), x + 0.5, info.height - 0.5 - y);
function onFrame(info, view, x, y) {
  const [u, v] = applied(inverse(toScreen(info, view)), x, y);
  return [u - 0.5, info.height - 0.5 - v];
}

// Halvings at which a picture element is about as large as a screen pixel, never much larger.
function levelFor(info, view) {
  const [[a, b]] = info.to_reference || UNMOVED;
  const level = Math.floor(Math.log2(1 / (view.zoom * Math.hypot(a, b))) + 0.25);
  return Math.max(0, Math.min(info.levels - 1, level));
}

// Where a level's topmost tiles begin: levels are counted from the lowest row, so a halving may reach above the frame.
const topOf = (info, level) => info.height - Math.ceil(info.height / 2 ** level) * 2 ** level;

// Columns and rows of the tiles that the view shows, first and one beyond the last.
function rangeFor(info, view, level) {
  const back = inverse(toScreen(info, view)), side = info.tile * 2 ** level;
  const corners = [[0, 0], [view.width, 0], [0, view.height], [view.width, view.height]].map(([x, y]) => applied(back, x + (view.left || 0), y + (view.top || 0)));
  const span = (axis, start, size) => {
    const places = corners.map((corner) => (corner[axis] - start) / side), last = Math.ceil((size - start) / side);
    return [Math.max(0, Math.floor(Math.min(...places))), Math.min(last, Math.ceil(Math.max(...places)))];
  };
  const [left, right] = span(0, 0, info.width), [top, bottom] = span(1, topOf(info, level), info.height);
  return {level, left, right, top, bottom};
}

function shownRange(info, view) {
  let range = rangeFor(info, view, levelFor(info, view));
  while ((range.right - range.left) * (range.bottom - range.top) > SHEET_TILES && range.level < info.levels - 1) range = rangeFor(info, view, range.level + 1);
  return range;
}

function tileAt(info, level, column, row, look, ahead = false) {
  const path = `tile/${info.index}/${level}/${column}/${row}?${look}`;
  return {key: path, path, index: info.index, column, row, ahead};
}

// The whole frame coarsely, then what the view shows, from its middle outward.
function tilesFor(info, view, look, ahead = false) {
  const range = shownRange(info, view), coarse = info.levels - 1;
  const side = info.tile * 2 ** coarse, first = [];
  for (let row = 0; topOf(info, coarse) + row * side < info.height; row++) {
    for (let column = 0; column * side < info.width; column++) first.push(tileAt(info, coarse, column, row, look, ahead));
  }
  if (range.level === coarse) return {range, first, fine: first};
  const fine = [], away = new Map();
  const x = (range.left + range.right - 1) / 2, y = (range.top + range.bottom - 1) / 2;
  for (let row = range.top; row < range.bottom; row++) {
    for (let column = range.left; column < range.right; column++) {
      const tile = tileAt(info, range.level, column, row, look, ahead);
      away.set(tile, Math.hypot(column - x, row - y));
      fine.push(tile);
    }
  }
  return {range, first, fine: fine.sort((p, q) => away.get(p) - away.get(q))};
}

// The tiles of the view side by side: seams vanish, and moving about draws one picture only.
function sheetFor(info, view, look, place = info.index) {
  const {range, first, fine} = tilesFor(info, view, look);
  const name = `${info.index} ${look} ${Object.values(range).join(" ")}`;
  const before = sheets.get(place);
  const sheet = before && before.name === name ? before : newSheet(info, range, name, before && before.index === info.index ? before : null);
  // what the earlier one showed sharply need not be put again
  if (sheet !== before && before && before.range.level === range.level) for (const {key, column, row} of fine) if (before.put.has(key) && holds(before.range, column, row)) sheet.put.add(key);
  sheets.set(place, sheet);
  for (const tile of fine) if (!sheet.put.has(tile.key)) putTile(sheet, info, range.level, tile, "source-over");
  for (const tile of first) if (!sheet.put.has(tile.key)) putTile(sheet, info, info.levels - 1, tile, "destination-over");
  sheet.sharp = fine.every((tile) => sheet.put.has(tile.key));
  return sheet;
}

const holds = ({left, right, top, bottom}, column, row) => column >= left && column < right && row >= top && row < bottom;

// What an earlier sheet of the frame showed stays until finer or newer tiles cover it.
function newSheet(info, range, name, before) {
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, (range.right - range.left) * info.tile);
  canvas.height = Math.max(1, (range.bottom - range.top) * info.tile);
  const sheet = {name, index: info.index, range, canvas, pen: canvas.getContext("2d"), put: new Set(), sharp: false, filled: Boolean(before && before.filled)};
  if (before) {
    drawOnSheet(sheet, info, before.range.level, before.canvas, before.range.left, before.range.top);
    before.canvas.width = 0; // its memory is free at once
  }
  return sheet;
}

function putTile(sheet, info, level, {key, column, row}, how) {
  const bitmap = tileOf(key);
  if (!bitmap) return;
  sheet.pen.globalCompositeOperation = how;
  drawOnSheet(sheet, info, level, bitmap, column, row);
  sheet.put.add(key);
  sheet.filled = true;
}

function drawOnSheet({pen, range}, info, level, image, column, row) {
  const ratio = 2 ** (level - range.level), side = info.tile, up = (topOf(info, level) - topOf(info, range.level)) / 2 ** range.level;
  pen.drawImage(image, (column * ratio - range.left) * side, (row * ratio - range.top) * side + up, image.width * ratio, image.height * ratio);
}

function forgetSheets(but) {
  for (const [place, sheet] of sheets) {
    if (but.includes(place)) continue;
    sheet.canvas.width = 0;
    sheets.delete(place);
  }
}

function drawSheet(pen, info, view, sheet) {
  const {level, left, top} = sheet.range, size = 2 ** level, side = info.tile * size;
  const [a, b, c, d, e, f] = toScreen(info, view);
  pen.save();
  pen.setTransform(a, b, c, d, e, f);
  pen.imageSmoothingEnabled = view.zoom * size < 3; // seen as squares when much enlarged
  pen.imageSmoothingQuality = "low";
  pen.drawImage(sheet.canvas, left * side, topOf(info, level) + top * side, sheet.canvas.width * size, sheet.canvas.height * size);
  pen.restore();
}
