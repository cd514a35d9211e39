// Drawings of one frame. All are seen with columns to the right and rows upward.
const round = (value) => Math.round(value * 100) / 100;

function figure(title, content, below = "") {
  return make("figure", {}, make("figcaption", {textContent: title}),
    content || make("div", {className: "blank", textContent: "not measured"}),
    below ? make("p", {className: "faint", textContent: below}) : null);
}

function picture(image, text) {
  return image ? make("img", {src: image.src, alt: text, width: image.width, height: image.height, draggable: false}) : null;
}

function thumbnail(frame) {
  const image = picture(frame.thumbnail, `Stretched view of ${frame.name}`);
  if (!image) return figure("The frame", make("div", {className: "blank tall", textContent: "no picture"}));
  const over = draw("svg", {viewBox: `0 0 ${frame.width} ${frame.height}`, class: "over", "aria-hidden": "true"});
  for (const cut of frame.cutouts) {
    const size = cut.side;
    over.append(draw("rect", {x: cut.x - size / 2, y: frame.height - 1 - cut.y - size / 2, width: size, height: size, class: "place"}));
  }
  return figure("The frame, stretched", make("div", {className: "stack"}, image, over));
}

function cutouts(frame) {
  if (!frame.cutouts.length) return null;
  const box = make("div", {className: "cuts"});
  for (const cut of frame.cutouts) {
    const image = picture(cut, `Stars at ${cut.place}`);
    image.title = cut.place;
    image.dataset.place = cut.place.replace(/\s+/g, "-");
    box.append(image);
  }
  return figure("Centre and corners", box, `stars in the squares, each ${frame.cutouts[0].side} px wide`);
}

// Lines along the stars' long axis; length grows with eccentricity.
function whiskers(frame) {
  if (!frame.whiskers || !frame.whiskers.length) return figure("Elongation over the field", null);
  const wide = 300, high = round(wide * frame.height / frame.width);
  const view = draw("svg", {viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": "Whiskers of elongation over the field", class: "field"});
  view.append(draw("rect", {x: 0.5, y: 0.5, width: wide - 1, height: high - 1, class: "edge"}));
  const reach = 0.5 * 0.95 * wide / 9;
  for (const [x, y, oval, degrees] of frame.whiskers) {
    const angle = degrees * Math.PI / 180;
    const dx = reach * oval * Math.cos(angle), dy = -reach * oval * Math.sin(angle);
    const cx = x * wide, cy = (1 - y) * high;
    view.append(draw("line", {x1: round(cx - dx), y1: round(cy - dy), x2: round(cx + dx), y2: round(cy + dy), class: oval > 0.55 ? "whisker strong" : "whisker"}));
  }
  const ovals = frame.whiskers.map((w) => w[2]);
  return figure("Elongation over the field", view,
    `eccentricity ${number(Math.min(...ovals))} to ${number(Math.max(...ovals))}; a line across its cell would be 1`);
}

// The guide star's path turned into the camera's axes, px, where scale and angle are known.
function pathInPixels(frame) {
  const guiding = NIGHT.guiding;
  if (!frame.path || !frame.scale_arcsec) return null;
  const turned = known(guiding.camera_angle_deg);
  const angle = (guiding.camera_angle_deg || 0) * Math.PI / 180;
  const hand = guiding.handedness || 1;
  const points = frame.path.ra.map((ra, k) => {
    const dec = frame.path.dec[k];
    return [(ra * Math.cos(angle) - hand * dec * Math.sin(angle)) / frame.scale_arcsec,
      (ra * Math.sin(angle) + hand * dec * Math.cos(angle)) / frame.scale_arcsec];
  });
  const middleOf = (axis) => points.reduce((sum, p) => sum + p[axis], 0) / points.length;
  const cx = middleOf(0), cy = middleOf(1);
  return {points: points.map(([x, y]) => [x - cx, y - cy]), turned, handed: Boolean(guiding.handedness)};
}

// One width in pixels for the star, the motion and the path, so that they can be compared.
function sharedSpan(frame, path) {
  const wishes = [4.5 * (frame.values.fwhm_px || 0)];
  if (path) wishes.push(2.3 * Math.max(...path.points.map(([x, y]) => Math.hypot(x, y))));
  if (frame.motion) wishes.push(2.2 * reachOf(frame.motion));
  if (frame.shape_status !== "measured" && frame.star) wishes.push(frame.star.field_px);
  const span = Math.max(...wishes);
  return span > 0 ? span : frame.star ? frame.star.field_px : 20;
}

function reachOf(motion) {
  const most = Math.max(...motion.share);
  return Math.max(...motion.places.filter((_, k) => motion.share[k] > 0.02 * most).map(Math.abs), 1);
}

function sheet(span, text) {
  const half = span / 2;
  const view = draw("svg", {viewBox: `${round(-half)} ${round(-half)} ${round(span)} ${round(span)}`, role: "img", "aria-label": text, class: "scaled"});
  view.append(draw("rect", {x: -half, y: -half, width: span, height: span, class: "ground"}));
  return view;
}

function scaleBar(view, span, frame) {
  const want = span / 4, tens = 10 ** Math.floor(Math.log10(want));
  const length = [5, 2, 1].map((n) => n * tens).find((n) => n <= want) || tens;
  const x = -span / 2 + 0.06 * span, y = span / 2 - 0.06 * span;
  view.append(draw("line", {x1: x, y1: y, x2: x + length, y2: y, class: "ruler"}));
  const label = draw("text", {x, y: y - 0.03 * span, "font-size": 0.085 * span, class: "label"});
  label.textContent = `${Number(length.toPrecision(2))} px` + (frame.scale_arcsec ? ` = ${short(length * frame.scale_arcsec, "″")}` : "");
  view.append(label);
}

function starDrawing(frame, span) {
  if (!frame.star) return figure("Stacked star", null);
  const view = sheet(span, "The frame's stacked star image");
  const size = frame.star.field_px;
  view.append(draw("image", {href: frame.star.src, x: -size / 2, y: -size / 2, width: size, height: size, preserveAspectRatio: "none"}));
  scaleBar(view, span, frame);
  return figure("Stacked star", view, `of ${count(frame.star.stars, "star")}`);
}

function motionDrawing(frame, span) {
  const motion = frame.motion;
  if (!frame.star) return figure("Motion it shows", null);
  if (!motion) return figure("Motion it shows", make("div", {className: "blank", textContent: known(frame.values.eccentricity) && frame.values.eccentricity < 0.3 ? "round: no motion to read off" : "not read off: other frames are more oval"}));
  const view = sheet(span, "Motion recovered from the star image");
  const most = Math.max(...motion.share.map((s, k) => s + motion.error[k]));
  const turn = draw("g", {transform: `rotate(${-motion.angle_deg})`});
  const wide = 0.15 * span / most;
  const ribbon = (sizes, name) => {
    const upper = motion.places.map((p, k) => `${round(p)},${round(-sizes[k] * wide)}`);
    const lower = motion.places.map((p, k) => `${round(p)},${round(sizes[k] * wide)}`).reverse();
    return draw("polygon", {points: [...upper, ...lower].join(" "), class: name});
  };
  turn.append(draw("line", {x1: -span, x2: span, y1: 0, y2: 0, class: "axis"}),
    ribbon(motion.share.map((s, k) => s + motion.error[k]), "doubt"), ribbon(motion.share, "time"));
  view.append(turn);
  scaleBar(view, span, frame);
  return figure("Motion it shows", view, `wide where the star stayed long; rms ${number(motion.rms_px)} ± ${number(motion.rms_error_px)} px at ${Math.round(motion.angle_deg)}°`);
}

function pathDrawing(frame, span, path) {
  if (!frame.path) return figure("Guide path", make("div", {className: "blank", textContent: NIGHT.trace ? "no samples inside" : "no guiding record"}));
  if (!path) return figure("Guide path", make("div", {className: "blank", textContent: "no image scale"}));
  const view = sheet(span, "Recorded path of the guide star");
  view.append(draw("polyline", {points: path.points.map(([x, y]) => `${round(x)},${round(-y)}`).join(" "), class: "track"}));
  path.points.forEach(([x, y], k) => {
    const share = k / Math.max(path.points.length - 1, 1);
    view.append(draw("circle", {cx: round(x), cy: round(-y), r: round(0.009 * span), class: "step", opacity: round(0.25 + 0.75 * share)}));
  });
  const [x, y] = path.points[0];
  view.append(draw("circle", {cx: round(x), cy: round(-y), r: round(0.022 * span), class: "begin"}));
  scaleBar(view, span, frame);
  const note = !path.turned ? "RA across, Dec up: the camera's angle is unknown" : path.handed ? "in the camera's axes, up to a half turn; ring: begin" : "in the camera's axes, perhaps mirrored; ring: begin";
  return figure("Guide path", view, note);
}
