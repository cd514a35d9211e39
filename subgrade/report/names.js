// Names of frames as the table shows them: folders only where file names repeat.
const LABELS = new Map();

// The least of the folders behind a name that tells it from its namesakes.
function labelFrames() {
  const byPlain = new Map();
  for (const {name} of FRAMES) byPlain.set(plainName(name), [...(byPlain.get(plainName(name)) || []), name]);
  for (const [plain, names] of byPlain) {
    if (names.length === 1) LABELS.set(names[0], {folder: "", name: plain});
    else labelNamesakes(plain, names);
  }
}

function labelNamesakes(plain, names) {
  const folders = names.map((name) => name.split("/").slice(0, -1));
  const alone = (tails) => new Set(tails).size === names.length;
  const tail = (parts, depth) => parts.slice(-depth).join("/");
  const deepest = Math.max(...folders.map((parts) => parts.length), 1);
  let depth = 1;
  while (depth < deepest && !alone(folders.map((parts) => tail(parts, depth)))) depth += 1;
  const brief = folders.map((parts) => (parts.length < depth || depth === 1 ? tail(parts, depth) : `${parts.at(-depth)}/…`));
  const shown = alone(brief) ? brief : folders.map((parts) => tail(parts, depth));
  names.forEach((name, k) => LABELS.set(name, {folder: shown[k] ? `${shown[k]}/` : "", name: plain}));
}

labelFrames();

const FOLDERS_SHOWN = [...LABELS.values()].some((label) => label.folder);
const frameLabel = (frame) => LABELS.get(frame.name);
const spokenName = (frame) => `${frameLabel(frame).folder}${frameLabel(frame).name}`;
