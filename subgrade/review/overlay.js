// Drawn over the picture: measured stars, the frame's star shape, the guide path and the motion, all to scale.
const OVERLAYS = {stars: "measured stars", shape: "star shape", path: "guide path", motion: "inferred motion"};
const overlay = {on: false, shown: new Set(Object.keys(OVERLAYS)), picked: null}; // picked: a place on the reference
const INK = {stars: "#8fd3ff", shape: "#ffffff", path: "#9df09a", motion: "#ffd27a", under: "rgba(0, 0, 0, 0.65)"};

// With a loupe the star's details stand in it; without one the view itself is large enough for them.
// Where two frames are shown the loupe says of whose star it is.
function drawOverlay(info, view, loupe = null, whose = "") {
  const pen = look.over.getContext("2d");
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.clearRect(0, 0, look.over.width, look.over.height);
  if (!usable(info)) return;
  drawRuler(pen, info, view);
  if (!overlay.on) return;
  const frame = FRAMES[info.index], star = chosenStar(info, view);
  if (overlay.shown.has("stars")) drawRings(pen, info, view, frame, star);
  if (!star) return;
  if (!loupe) return drawDetails(pen, info, view, frame, star);
  pen.save();
  pen.beginPath();
  pen.rect(loupe.left, loupe.top, loupe.width, loupe.height);
  pen.clip();
  pen.clearRect(loupe.left, loupe.top, loupe.width, loupe.height);
  drawDetails(pen, info, loupe, frame, star);
  drawRuler(pen, info, loupe);
  pen.restore();
  const edge = new Path2D();
  edge.rect(loupe.left, loupe.top, loupe.width, loupe.height);
  stroke(pen, INK.shape, 1, edge);
  if (whose) drawText(pen, whose, loupe.left + 6 * look.dense, loupe.top + 16 * look.dense);
}

function drawText(pen, text, x, y) {
  pen.font = `${12 * look.dense}px system-ui, sans-serif`;
  pen.lineWidth = 3 * look.dense;
  pen.strokeStyle = INK.under;
  pen.strokeText(text, x, y);
  pen.fillStyle = "#ffffff";
  pen.fillText(text, x, y);
}

function drawDetails(pen, info, view, frame, star) {
  const place = onScreen(info, view, ...star);
  if (overlay.shown.has("motion")) drawMotion(pen, info, view, frame, place);
  if (overlay.shown.has("path")) drawPath(pen, info, view, frame, place);
  if (overlay.shown.has("shape")) drawShape(pen, info, view, frame, place);
}

const CLEAR_PX = 26; // a star so wide on the screen needs no loupe
const LOUPE_PX = 210;

// The chosen star enlarged so far that shape, path and motion are seen apart; null where the view does it.
function loupeFor(info, view) {
  const star = overlay.on && ["shape", "path", "motion"].some((word) => overlay.shown.has(word)) ? chosenStar(info, view) : null;
  const frame = FRAMES[info.index];
  if (!star || view.zoom * (frame.values.fwhm_px || 3) >= CLEAR_PX * look.dense) return null;
  const side = Math.round(Math.min(LOUPE_PX * look.dense, 0.42 * Math.min(view.width, view.height)));
  const [x, y] = onReference(info, ...star), gap = 10 * look.dense;
  return {x, y, zoom: side / Math.max(12, sharedSpan(frame, pathInPixels(frame))), width: side, height: side, left: view.width - side - gap, top: view.height - side - 34 * look.dense};
}

// Stars as pairs from one list of x and y.
function starsOf(info) {
  const flat = info.stars || [];
  return Array.from({length: flat.length >> 1}, (_, k) => [flat[2 * k], flat[2 * k + 1]]);
}

// The star nearest the place picked, or of the brighter half the one nearest the middle of the view
// where that is out of sight: a faint one shows no shape.
function chosenStar(info, view) {
  const picked = overlay.picked && applied(toScreen(info, view), ...imagePlace(info, overlay.picked));
  const seen = picked && picked[0] >= 0 && picked[1] >= 0 && picked[0] <= view.width && picked[1] <= view.height;
  const [x, y] = seen ? picked : [view.width / 2, view.height / 2];
  let best = null, least = Infinity;
  const stars = starsOf(info);
  for (const star of seen ? stars : stars.slice(0, Math.ceil(stars.length / 2))) {
    const [sx, sy] = onScreen(info, view, ...star), away = Math.hypot(sx - x, sy - y);
    if (away < least) [best, least] = [star, away];
  }
  return best;
}

// A place of the reference on the frame's picture.
function imagePlace(info, [x, y]) {
  const [[a, b, c], [d, e, f]] = info.to_reference || UNMOVED, det = a * e - b * d;
  const fx = (e * (x - c) - b * (y - f)) / det, fy = (a * (y - f) - d * (x - c)) / det;
  return [fx + 0.5, info.height - 0.5 - fy];
}

function pickStar(x, y) {
  const info = infoOf(state.selected);
  if (!overlay.on || !info || info.cause) return;
  overlay.picked = onReference(info, ...onFrame(info, viewOf(info), x, y));
  changed("tiles");
}

// A step on the frame as a step on the screen.
function stepOnScreen(info, view, dx, dy) {
  const [[a, b], [d, e]] = info.to_reference || UNMOVED;
  return [view.zoom * (a * dx + b * dy), -view.zoom * (d * dx + e * dy)];
}

// Every line twice, dark below light, so that it shows on sky and on stars.
function stroke(pen, ink, width, path) {
  pen.lineJoin = "round";
  for (const [colour, wide] of [[INK.under, width + 1.6], [ink, width]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide * look.dense;
    pen.stroke(path);
  }
}

function drawRings(pen, info, view, frame, chosen) {
  const reach = Math.max(6 * look.dense, 1.3 * (frame.values.fwhm_px || 3) * view.zoom), path = new Path2D();
  for (const star of starsOf(info)) {
    const [x, y] = onScreen(info, view, ...star);
    if (x < -reach || y < -reach || x > view.width + reach || y > view.height + reach) continue;
    path.moveTo(x + reach, y);
    path.arc(x, y, reach, 0, 2 * Math.PI);
  }
  stroke(pen, INK.stars, 1, path);
  if (!chosen) return;
  const [x, y] = onScreen(info, view, ...chosen), mark = new Path2D();
  mark.arc(x, y, reach + 3 * look.dense, 0, 2 * Math.PI);
  stroke(pen, INK.shape, 1.6, mark);
}

// The frame's mean star at half its peak, and its long axis beyond it.
function drawShape(pen, info, view, frame, [x, y]) {
  const {fwhm_px: fwhm, eccentricity: oval, angle_deg: angle} = frame.values;
  if (!known(fwhm) || !known(oval)) return;
  const ratio = Math.sqrt(Math.sqrt(1 - Math.min(oval, 0.999) ** 2)); // FWHM is the geometric mean of both axes
  const long = fwhm / ratio / 2, small = fwhm * ratio / 2, turn = (angle || 0) * Math.PI / 180, path = new Path2D();
  for (let k = 0; k <= 48; k++) {
    const t = k * Math.PI / 24, p = long * Math.cos(t), q = small * Math.sin(t);
    const [dx, dy] = stepOnScreen(info, view, p * Math.cos(turn) - q * Math.sin(turn), p * Math.sin(turn) + q * Math.cos(turn));
    if (k) path.lineTo(x + dx, y + dy);
    else path.moveTo(x + dx, y + dy);
  }
  if (known(angle)) {
    const [dx, dy] = stepOnScreen(info, view, Math.cos(turn), Math.sin(turn)), size = Math.hypot(dx, dy);
    const from = 1.15 * long, to = from + (8 + 30 * oval) * look.dense / size;
    for (const way of [1, -1]) {
      path.moveTo(x + way * from * dx, y + way * from * dy);
      path.lineTo(x + way * to * dx, y + way * to * dy);
    }
  }
  stroke(pen, INK.shape, 1.4, path);
}

function drawPath(pen, info, view, frame, [x, y]) {
  const track = pathInPixels(frame);
  if (!track) return;
  const path = new Path2D();
  track.points.forEach((point, k) => {
    const [dx, dy] = stepOnScreen(info, view, ...point);
    if (k) path.lineTo(x + dx, y + dy);
    else path.moveTo(x + dx, y + dy);
  });
  stroke(pen, INK.path, 1, path);
  const [dx, dy] = stepOnScreen(info, view, ...track.points[0]), start = new Path2D();
  start.arc(x + dx, y + dy, 3 * look.dense, 0, 2 * Math.PI);
  stroke(pen, INK.path, 1.4, start);
}

// A bar beside the star, along the motion: an even trail of its RMS is twice the root of three as long.
function drawMotion(pen, info, view, frame, [x, y]) {
  const {motion} = frame;
  if (!motion) return;
  const turn = motion.angle_deg * Math.PI / 180, half = Math.sqrt(3) * motion.rms_px;
  const [dx, dy] = stepOnScreen(info, view, half * Math.cos(turn), half * Math.sin(turn)), path = new Path2D();
  const size = Math.hypot(dx, dy), [right, down] = [-dy / size, dx / size], end = 5 * look.dense;
  const aside = 0.6 * (frame.values.fwhm_px || 3) * view.zoom + 10 * look.dense, [ox, oy] = [x + aside * right, y + aside * down];
  path.moveTo(ox - dx, oy - dy);
  path.lineTo(ox + dx, oy + dy);
  for (const way of [1, -1]) {
    path.moveTo(ox + way * dx - end * right, oy + way * dy - end * down);
    path.lineTo(ox + way * dx + end * right, oy + way * dy + end * down);
  }
  stroke(pen, INK.motion, 1.8, path);
}

// A round length at the lower left, on the sky where the scale is known.
function drawRuler(pen, info, view) {
  const frame = FRAMES[info.index], scale = frame.scale_arcsec, [dx, dy] = stepOnScreen(info, view, 1, 0), size = Math.hypot(dx, dy);
  const most = Math.min(170 * look.dense, (view.left ? 0.6 : 0.3) * view.width) / size * (scale || 1), minutes = scale && most >= 120;
  const want = minutes ? most / 60 : most, tens = 10 ** Math.floor(Math.log10(want));
  const shown = [5, 2, 1].map((n) => n * tens).find((n) => n <= want) || tens, px = (minutes ? 60 : 1) * shown / (scale || 1);
  const x = (view.left || 0) + 12 * look.dense, y = (view.top || 0) + view.height - 14 * look.dense, path = new Path2D();
  path.moveTo(x, y);
  path.lineTo(x + px * size, y);
  for (const end of [x, x + px * size]) {
    path.moveTo(end, y - 4 * look.dense);
    path.lineTo(end, y + 4 * look.dense);
  }
  stroke(pen, "#ffffff", 1.6, path);
  const rounded = Number(shown.toPrecision(2));
  const text = scale ? `${rounded}${minutes ? "′" : "″"} (${short(px, "px")})` : `${rounded} px`;
  drawText(pen, text, x, y - 9 * look.dense);
}
