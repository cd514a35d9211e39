// The curve from light to grey: the group's own from the server, moved by the person, kept for the session.
// Each slider is 0 at the group's own value, so that a choice is meant alike for faint and bright groups.
const CURVE = {
  black: {text: "black", from: -1, to: 1, of: (own, at) => own.black + 0.02 * (own.white - own.black) * at * (1 + 4 * Math.abs(at))},
  white: {text: "white", from: -5, to: 5, of: (own, at) => own.white + (2 ** at - 1) * (own.white - own.black)},
  softness: {text: "softness", from: -5, to: 5, of: (own, at) => own.softness * 2 ** at},
};
const CURVES_KEY = "subgrade review curves";
const curves = new Map(readCurves()); // group → {black, white, softness}, each the place of its slider

function readCurves() {
  try {
    return JSON.parse(sessionStorage.getItem(CURVES_KEY)) || [];
  } catch {
    return []; // none kept, or no storage
  }
}

const curveNow = () => curves.get(groupNow()) || {black: 0, white: 0, softness: 0};
const groupNow = () => (FRAMES[state.selected] ? FRAMES[state.selected].group : null);

function setCurve(name, at) {
  const {from, to} = CURVE[name];
  curves.set(groupNow(), {...curveNow(), [name]: Math.max(from, Math.min(to, at))});
  keepCurves();
}

function resetCurve() {
  curves.delete(groupNow());
  keepCurves();
}

function keepCurves() {
  try {
    sessionStorage.setItem(CURVES_KEY, JSON.stringify([...curves]));
  } catch {
    // then it lasts until the page is closed
  }
  showCurve();
  clearTimeout(look.settling);
  look.settling = setTimeout(() => changed("tiles"), 60); // a slider on its way asks for no tiles
}

// As the server takes it.
function curveText(info) {
  const at = curves.get(FRAMES[info.index].group), own = info.stretch;
  const value = (name) => (at ? CURVE[name].of(own, at[name]) : own[name]);
  const black = value("black"), white = Math.max(value("white"), black + 0.001 * (own.white - own.black));
  return new URLSearchParams({black: black.toPrecision(8), white: white.toPrecision(8), softness: value("softness").toPrecision(6)}).toString();
}

function buildCurve() {
  const rows = Object.entries(CURVE).map(([name, {text, from, to}]) => make("label", {},
    make("span", {textContent: text}), make("input", {type: "range", id: `stretch-${name}`, min: from, max: to, step: 0.05, on: {input: (event) => setCurve(name, Number(event.target.value))}})));
  return make("div", {id: "stretch", role: "group", ariaLabel: "Stretch of the group", hidden: true}, ...rows,
    make("button", {type: "button", on: {click: resetCurve}}, make("kbd", {textContent: "0"}), " reset stretch"));
}

function showCurve() {
  const at = curveNow();
  for (const name of Object.keys(CURVE)) {
    const slider = byId(`stretch-${name}`);
    slider.value = at[name];
    slider.setAttribute("aria-valuetext", at[name] ? `${at[name] > 0 ? "+" : "−"}${Math.abs(at[name]).toFixed(2)}` : "the group's own");
  }
}

function toggleCurve() {
  const box = byId("stretch");
  box.hidden = !box.hidden;
  byId("stretch-open").setAttribute("aria-expanded", String(!box.hidden));
  (box.hidden ? look.canvas : byId("stretch-black")).focus();
}
