// The nights in a row, one column a night and one row a stack; and the one that is chosen.
const LONG_GAP_DAYS = 9;
// The tone is the share of the best, so that a small difference looks small.
const SHADES = {
  clear: {text: "by clear level", of: (part) => part.clear, tone: (value, all) => value / Math.max(...all), word: (part) => `clear level ${figure(part.clear)}`, legend: "the fuller, the clearer"},
  fwhm: {text: "by width of stars", of: (part) => part.fwhm, tone: (value, all) => Math.min(...all) / value, word: (part) => `FWHM ${number(part.fwhm, 2, part.unit)}`, legend: "the fuller, the sharper"},
  none: {text: "kept and lost only", of: () => null, word: () => ""},
};
const PALEST = 0.1;
const NAMES_PX = 140;
const columns = [];

function stripTones(stacks) {
  const shade = SHADES[state.shade];
  const all = stacks.flatMap((stack) => NIGHTS.map((_, n) => partOf(stack, n)).filter((part) => part && part.kept).map(shade.of).filter(known));
  return (part) => {
    const value = shade.of(part);
    return known(value) ? Math.max(PALEST, Math.min(1, shade.tone(value, all))) : null;
  };
}

function partText(stack, part) {
  const word = SHADES[state.shade].word(part);
  return `${shortLabel(stack)}: ${timeText(part.kept_s)} kept${part.lost_s > 0 ? `, ${duration(part.lost_s)} lost` : ""}${word && part.kept ? `, ${word}` : ""}`;
}

function nightLines(night) {
  const parts = shownStacks().map((stack) => [stack, partOf(stack, night.index)]).filter(([, part]) => part);
  return [nightName(night), ...(parts.length ? parts.map(([stack, part]) => partText(stack, part)) : ["nothing of this stack"])];
}

function showStrip() {
  const stacks = shownStacks(), place = byId("calendar"), most = Math.max(1, ...stacks.flatMap((s) => NIGHTS.map((_, n) => partOf(s, n)).filter(Boolean).map((p) => p.kept_s + p.lost_s)));
  const tone = stripTones(stacks), tall = stacks.length > 12 ? 30 : stacks.length > 5 ? 44 : stacks.length > 2 ? 60 : 84;
  const held = columns.length && columns.some((column) => column === document.activeElement);
  const grid = make("div", {className: "grid", role: "group", ariaLabel: "Nights; the arrow keys go from one to the next"});
  grid.style.setProperty("--tall", `${tall}px`);
  grid.style.setProperty("--wide", `${widthOfNight()}px`);
  grid.append(make("div", {className: "names", ariaHidden: "true"}, ...stacks.map((stack) => make("div", {className: "name", title: stack.label}, make("span", {textContent: shortLabel(stack)}), make("span", {className: "faint", textContent: hoursText(stack.kept_s)})))));
  columns.length = 0;
  NIGHTS.forEach((night, n) => columns.push(columnOf(night, stacks, most, tone, NIGHTS[n - 1])));
  grid.append(...columns);
  place.replaceChildren(grid);
  markColumn();
  if (held) columns[state.night].focus({preventScroll: true});
  showLegend(most);
}

// As wide as the room allows, and no narrower than can be hit.
function widthOfNight() {
  const least = matchMedia("(pointer: coarse)").matches ? 32 : 24, room = byId("strip").clientWidth - NAMES_PX;
  return Math.max(least, Math.min(64, Math.floor(room / NIGHTS.length), Math.round(700 / NIGHTS.length)));
}

function columnOf(night, stacks, most, tone, previous) {
  const apart = night.day && previous && previous.day && night.day.ms - previous.day.ms > LONG_GAP_DAYS * DAY_MS;
  const column = make("button", {type: "button", className: `night${apart ? " apart" : ""}`, tabIndex: -1, ariaLabel: nightLines(night).join("; "), on: {click: () => choose(night.index)}});
  for (const stack of stacks) {
    const part = partOf(stack, night.index), cell = make("span", {className: "cell", ariaHidden: "true"});
    if (part) {
      const lost = make("i", {className: "lost"}), kept = make("i", {className: "kept"}), value = tone(part);
      lost.style.height = `${round(100 * part.lost_s / most)}%`;
      kept.style.height = `${round(100 * part.kept_s / most)}%`;
      if (known(value)) kept.style.setProperty("--tone", `${Math.round(100 * value)}%`);
      else if (state.shade !== "none") kept.classList.add("unknown");
      const left = stack.parts.find((p) => p.night === night.index);
      if (left && left.better_without) cell.append(make("b", {textContent: "◆"}));
      cell.append(...(part.lost_s > 0 ? [lost] : []), ...(part.kept_s > 0 ? [kept] : []));
    }
    column.append(cell);
  }
  const newMonth = night.day && !(previous && previous.day && previous.day.month === night.day.month && previous.day.year === night.day.year);
  const newYear = newMonth && !(previous && previous.day && previous.day.year === night.day.year);
  column.append(make("span", {className: "date", ariaHidden: "true", textContent: night.day ? String(night.day.day) : String(night.index + 1)}),
    make("span", {className: "month", ariaHidden: "true", textContent: newMonth ? `${MONTHS[night.day.month - 1]}${newYear ? ` ${night.day.year}` : ""}` : ""}));
  return hinted(column, () => nightLines(night));
}

function markColumn() {
  columns.forEach((column, n) => {
    const chosen = n === state.night;
    column.tabIndex = chosen ? 0 : -1;
    column.setAttribute("aria-pressed", String(chosen));
  });
  const column = columns[state.night], place = byId("calendar");
  if (!column || place.scrollWidth <= place.clientWidth) return;
  const ends = column.offsetLeft + column.offsetWidth;
  if (column.offsetLeft - NAMES_PX < place.scrollLeft || ends > place.scrollLeft + place.clientWidth) place.scrollLeft = ends - place.clientWidth + column.offsetWidth;
}

function showLegend(most) {
  const shade = SHADES[state.shade], parts = [make("span", {}, make("i", {className: "swatch kept"}), " kept")];
  if (shade.legend) parts.push(make("span", {}, make("i", {className: "swatch ramp"}), ` ${shade.legend}`));
  if (columns.some((c) => c.querySelector(".unknown"))) parts.push(make("span", {}, make("i", {className: "swatch unknown"}), " not known"));
  parts.push(make("span", {}, make("i", {className: "swatch lost"}), " lost"));
  if (columns.some((c) => c.querySelector("b"))) parts.push(make("span", {}, make("b", {className: "reject", ariaHidden: "true", textContent: "◆"}), " the plain mean is better without it"));
  parts.push(make("span", {textContent: `a full column is ${duration(most)}`}));
  byId("legend").replaceChildren(...parts);
}

function onStripKey(event) {
  const by = {ArrowLeft: -1, ArrowRight: 1, Home: -NIGHTS.length, End: NIGHTS.length}[event.key];
  if (!by || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  walk(by);
  columns[state.night].focus();
}

function walk(by) {
  choose(Math.max(0, Math.min(NIGHTS.length - 1, (state.night || 0) + by)));
}

// The chosen night: what it gave to each stack, what it cost, where its own page is.
function showCard() {
  const night = NIGHTS[state.night], card = byId("card");
  if (!night) return card.replaceChildren();
  const facts = [];
  if (known(night.fwhm)) facts.push(`median FWHM ${number(night.fwhm, 2, "″")}`);
  if (night.rms.some(known)) facts.push(`guiding RMS RA ${number(night.rms[0], 2, "″")}, Dec ${number(night.rms[1], 2, "″")}`);
  const lost = lossesOf(night.index);
  const title = make("h3", {}, nightName(night), " ");
  if (night.link) title.append(make("a", {href: night.link, textContent: "its own page"}));
  const items = shownStacks().map((stack) => {
    const part = partOf(stack, night.index), brings = stack.parts.find((p) => p.night === night.index);
    return part && make("li", {}, make("b", {textContent: partText(stack, part)}), brings ? ` – ${bringsText(stack, brings)}` : "");
  });
  return renew(card, title,
    make("p", {textContent: [`${night.kept} of ${count(night.frames, "frame")} kept, ${timeText(night.kept_s)}`, ...facts].join("; ")}),
    make("ul", {}, ...items.filter(Boolean)),
    lost.length ? make("p", {}, make("span", {className: "reject", textContent: "lost: "}), lost.map((row) => `${row.text} ${duration(row.seconds)}`).join(", ")) : null,
    ...night.notes.map((note) => make("p", {className: "faint", textContent: plainDates(note)})));
}

const lossesOf = (night) => SEASON.losses.flatMap((loss) => loss.by_night.filter(([n, , s]) => n === night && s > 0).map(([, , seconds]) => ({text: loss.text, seconds}))).sort((a, b) => b.seconds - a.seconds);

function bringsText(stack, part) {
  const found = [];
  if (known(part.depth)) found.push(`${percent(part.depth)} of the depth`);
  if (known(part.fwhm)) found.push(`FWHM ${number(part.fwhm, 2, stack.unit)} by itself`);
  if (known(part.snr_without) && stack.parts.length > 1) found.push(`without it S/N ${minus(changeText(part.snr_without - 1))} and ${number(part.fwhm_without, 2, stack.unit)}`);
  if (part.better_without) found.push("the plain mean is better without it");
  return found.join(", ");
}

const changeText = (share) => `${share < 0 ? "-" : "+"}${Math.abs(100 * share).toFixed(Math.abs(share) < 0.0995 ? 1 : 0)}%`;
