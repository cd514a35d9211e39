// Wiring: what happens at a key, a click, a change.
const AFTER = {
  night() {
    hideHint();
    byId("night").value = String(state.night);
    byId("before").disabled = !(state.night > 0);
    byId("after").disabled = !(state.night < NIGHTS.length - 1);
    markColumn();
    showCard();
    markRow();
    drawPlots();
  },
  stack() {
    showStrip();
    showCard();
    showParts();
  },
  shade() {
    showStrip();
    showCard();
  },
};

function startTools() {
  const stack = byId("stack"), shade = byId("shade"), night = byId("night");
  stack.append(make("option", {value: "", textContent: "all"}), ...STACKS.map((s) => make("option", {value: String(s.index), textContent: s.label})));
  stack.addEventListener("change", () => chooseStack(stack.value === "" ? null : Number(stack.value)));
  const clear = STACKS.some((s) => NIGHTS.some((_, n) => known((partOf(s, n) || {}).clear)));
  state.shade = clear ? "clear" : "fwhm";
  shade.append(...Object.entries(SHADES).map(([value, {text}]) => make("option", {value, textContent: text, selected: value === state.shade})));
  shade.addEventListener("change", () => {
    state.shade = shade.value;
    changed("shade");
  });
  night.append(...NIGHTS.map((n) => make("option", {value: String(n.index), textContent: nightName(n)})));
  night.addEventListener("change", () => choose(Number(night.value)));
  byId("before").addEventListener("click", () => walk(-1));
  byId("after").addEventListener("click", () => walk(1));
  byId("theme").addEventListener("click", switchTheme);
  byId("print").addEventListener("click", () => print());
  byId("calendar").addEventListener("keydown", onStripKey);
}

// On paper every table is there, and the plots have the width of the sheet.
let opened = [];

function startPaper() {
  addEventListener("beforeprint", () => {
    document.documentElement.classList.add("paper");
    opened = [byId("how")].filter((part) => !part.open);
    opened.forEach((part) => { part.open = true; });
  });
  addEventListener("afterprint", () => {
    document.documentElement.classList.remove("paper");
    opened.forEach((part) => { part.open = false; });
  });
}

function start() {
  showOutcome();
  showHours();
  startTools();
  showTrends();
  startHours();
  showLosses();
  showAdvice();
  showNights();
  showTies();
  showMethod();
  watchers.push((what) => AFTER[what]());
  showStrip();
  showParts();
  if (NIGHTS.length) changed("night");
  const resized = new ResizeObserver(() => drawPlots(false));
  resized.observe(document.querySelector("main"));
  startPaper();
  document.documentElement.dataset.ready = "yes";
  performance.mark("usable");
}

start();
