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

// The squares of the star row, and the diagonal it follows.
function thumbnail(frame) {
  const image = picture(frame.thumbnail, `Stretched view of ${frame.name}`);
  if (!image) return figure("Frame, stretched", make("div", {className: "blank tall", textContent: "no picture"}));
  const over = draw("svg", {viewBox: `0 0 ${frame.width} ${frame.height}`, class: "over", "aria-hidden": "true"});
  const crops = frame.crops;
  if (crops.length) {
    const falls = crops.some((crop) => FALLING.has(crop.place));
    over.append(draw("line", {x1: 0, x2: frame.width, y1: falls ? 0 : frame.height, y2: falls ? frame.height : 0, class: "diagonal"}));
  }
  for (const crop of crops) {
    const size = crop.side;
    over.append(draw("rect", {x: crop.x - size / 2, y: frame.height - 1 - crop.y - size / 2, width: size, height: size, class: "place"}));
  }
  return figure("Frame, stretched", make("div", {className: "stack"}, image, over));
}

const FALLING = new Set(["top left", "upper left", "lower right", "bottom right"]);

// Single stars from corner to corner, under each its distance from the middle and its own shape.
function starRow(frame) {
  const crops = frame.crops, scale = frame.scale_arcsec;
  if (!crops.length) return null;
  const row = make("div", {className: "starrow"}, ...crops.map((crop) => {
    const image = picture(crop, `Star at ${crop.place}`);
    image.title = crop.place;
    const lines = [[`${away(crop.away_px, scale)}`, "distance from the field centre"], [known(crop.fwhm_px) ? length(crop.fwhm_px, scale) : "–", "FWHM of this star"],
      [crop.eccentricity_text || "–", "eccentricity of this star"]];
    return make("div", {data: {place: crop.place.replace(/\s+/g, "-")}}, image, ...lines.map(([textContent, title], k) => make("p", {className: k ? "faint" : "", textContent, title})));
  }));
  const side = crops[0].side;
  return figure(`Stars from ${crops[0].place} to ${crops[crops.length - 1].place}`, row,
    `below each star: distance from the field centre, FWHM, eccentricity; crops ${scale ? `${number(side * scale, 0, "″")} (${side} px)` : `${side} px`} wide`);
}

function away(px, scale) {
  if (!known(px)) return "–";
  if (!scale) return number(px, 0, "px");
  const minutes = px * scale / 60;
  return number(minutes, minutes < 9.95 ? 1 : 0, "′");
}

// Lines along the stars' long axis; length grows with eccentricity.
function whiskers(frame) {
  if (!frame.whiskers || !frame.whiskers.length) return figure("Elongation over the field", null);
  const wide = 300, high = round(wide * frame.height / frame.width);
  const view = draw("svg", {viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": "Direction and size of the elongation over the field", class: "field"});
  view.append(draw("rect", {x: 0.5, y: 0.5, width: wide - 1, height: high - 1, class: "edge"}));
  const reach = 0.5 * 0.95 * wide / 9;
  for (const [x, y, oval, degrees] of frame.whiskers) {
    const angle = degrees * Math.PI / 180;
    const dx = reach * oval * Math.cos(angle), dy = -reach * oval * Math.sin(angle);
    const cx = x * wide, cy = (1 - y) * high;
    view.append(draw("line", {x1: round(cx - dx), y1: round(cy - dy), x2: round(cx + dx), y2: round(cy + dy), class: oval > 0.55 ? "whisker strong" : "whisker"}));
  }
  const ovals = frame.whiskers.map((w) => w[2]);
  const least = number(Math.min(...ovals)), most = number(Math.max(...ovals));
  return figure("Elongation over the field", view,
    `eccentricity ${least === most ? least : `${least} to ${most}`}; at 1 a line would span its cell`);
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
  if (frame.motion) wishes.push(3.6 * frame.motion.rms_px + 3 * (typicalWidth(frame) || 0)); // an even trail is 3.5 RMS long
  if (frame.shape_status !== "measured" && frame.star) wishes.push(frame.star.field_px);
  const span = Math.max(...wishes);
  return span > 0 ? span : frame.star ? frame.star.field_px : 20;
}

function typicalWidth(frame) {
  const group = NIGHT.groups[frame.group];
  return group && group.usual.fwhm_px ? group.usual.fwhm_px.centre : null;
}

// The ground of a star's picture goes on as grey as its sky.
function sheet(span, text, ground = "ground") {
  const half = span / 2;
  const view = draw("svg", {viewBox: `${round(-half)} ${round(-half)} ${round(span)} ${round(span)}`, role: "img", "aria-label": text, class: "scaled"});
  view.append(draw("rect", {x: -half, y: -half, width: span, height: span, class: ground}));
  return view;
}

// A round length: in arcseconds where the scale is known, with its pixels.
function scaleBar(view, span, frame) {
  const scale = frame.scale_arcsec, want = (span / 4) * (scale || 1), tens = 10 ** Math.floor(Math.log10(want));
  const shown = [5, 2, 1].map((n) => n * tens).find((n) => n <= want) || tens;
  const reach = scale ? shown / scale : shown;
  const x = -span / 2 + 0.06 * span, y = span / 2 - 0.06 * span;
  view.append(draw("line", {x1: x, y1: y, x2: x + reach, y2: y, class: "ruler"}));
  const label = draw("text", {x, y: y - 0.03 * span, "font-size": 0.085 * span, class: "label"});
  label.textContent = scale ? `${Number(shown.toPrecision(2))}″ (${short(reach, "px")})` : `${Number(shown.toPrecision(2))} px`;
  view.append(label);
}

// A star's picture at the shared scale.
function starSheet(star, span, frame, text) {
  const view = sheet(span, text, "ground grey"), size = star.field_px;
  view.append(draw("image", {href: star.src, x: -size / 2, y: -size / 2, width: size, height: size, preserveAspectRatio: "none"}));
  scaleBar(view, span, frame);
  return view;
}

function starDrawing(frame, span) {
  const {star} = frame;
  return figure("This frame", star && starSheet(star, span, frame, `The frame's stacked star, mean of ${count(star.stars, "star")}`));
}

const typicalStar = (frame) => (frame.group >= 0 ? NIGHT.typical_stars[frame.group] : null);

function typicalDrawing(frame, span) {
  const star = typicalStar(frame);
  const text = star && star.stars ? "The typical star, mean of round, kept frames" : "A round star of the typical width";
  return figure("Typical star", star && starSheet(star, span, frame, text));
}

// The typical star smeared by the inferred motion: like the frame's own where the inference is right.
function movedDrawing(frame, span) {
  const {motion} = frame, title = "With motion";
  const blank = (textContent) => figure(title, make("div", {className: "blank", textContent}));
  if (motion) return motion.src ? figure(title, starSheet(motion, span, frame, `The typical star smeared by the motion inferred. ${motionText(frame)}`)) : blank("no typical star");
  if (!frame.star) return figure(title, null);
  return blank(known(frame.values.eccentricity) && frame.values.eccentricity < 0.3 ? "round star: no motion to infer" : "not worked out: other frames are more elongated");
}

// A poor likeness shows to the eye as well (a choice).
const ALIKE = 0.97;

function motionText({motion, scale_arcsec: scale}) {
  if (!motion) return "";
  const found = `Motion inferred from the star shape: RMS ${motionSize(motion, scale)} at ${Math.round(motion.angle_deg)}°`;
  if (!motion.src) return `${found}.`;
  const {likeness: r} = motion;
  return `${found}; with it the typical star is ${r < ALIKE ? "unlike" : "like"} this frame's (correlation ${r > 0.99 ? "over 0.99" : number(r, 2)}).`;
}

function motionSize({rms_px: rms, rms_error_px: error}, scale) {
  return `${number(rms * (scale || 1))} ± ${length(error, scale)}`;
}

function pathDrawing(frame, span, path) {
  if (!frame.path) return figure("Guide path", make("div", {className: "blank", textContent: NIGHT.trace ? "no samples in this exposure" : NIGHT.guiding || NIGHT.unused_records.length ? "guiding record not used" : "no guiding record"}));
  if (!path) return figure("Guide path", make("div", {className: "blank", textContent: "no image scale"}));
  const view = sheet(span, "Recorded path of the guide star");
  view.append(draw("polyline", {points: path.points.map(([x, y]) => `${round(x)},${round(-y)}`).join(" "), class: "track"}));
  path.points.forEach(([x, y], k) => {
    const share = k / Math.max(path.points.length - 1, 1);
    view.append(draw("circle", {cx: round(x), cy: round(-y), r: round(0.009 * span), class: "step", opacity: round(0.25 + 0.75 * share)}));
  });
  const [x, y] = path.points[0];
  view.append(draw("circle", {cx: round(x), cy: round(-y), r: round(0.022 * span), class: "start"}));
  scaleBar(view, span, frame);
  return figure("Guide path", view);
}

function pathText(path) {
  if (!path) return "";
  const [first, second] = axisNames();
  const way = !path.turned ? `${first} across, ${second} up: the camera angle is unknown` : path.handed ? "turned to the camera's axes, or 180° from them" : "turned to the camera's axes, may be mirrored";
  return `Guide path: ${way}; ring: start.`;
}
