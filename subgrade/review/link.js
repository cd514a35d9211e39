// Talking to the server this page came from. Its causes go to whoever asked; its silence is shown to all.
class Refusal extends Error {}
class Silence extends Error {}

const link = {silent: false, running: new Map(), wanted: [], infos: new Map()};

const SILENT = `the review server does not answer; if it has ended, type “${NIGHT.reviewed.command}” again and open the address that it prints then`;
const PATIENCE_MS = 30000;

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, {cache: "no-store", credentials: "same-origin", signal: AbortSignal.timeout(PATIENCE_MS), ...options});
  } catch (error) {
    if (error.name === "AbortError") throw error; // broken off by ourselves
    hearing(false);
    throw new Silence(SILENT);
  }
  if (answer.ok) {
    hearing(true);
    return answer;
  }
  throw new Refusal(await causeIn(answer));
}

async function causeIn(answer) {
  try {
    const {error} = await answer.json();
    if (error && error !== "not found") return String(error);
  } catch {
    // not the server's own words
  }
  return `the review server answers ${answer.status}; it may have been started anew: open the address that it prints`;
}

function hearing(heard) {
  if (link.silent === !heard) return;
  link.silent = !heard;
  changed("link");
}

const post = async (path, what) => (await ask(path, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(what)})).json();

// What the server knows of a frame; asked for once. A refusal is kept too, as `cause`. With it the
// server hears which frames come next, so that it can read them ahead.
function infoOf(index) {
  if (!link.infos.has(index) && !link.silent) { // a silent server is asked again by itself, see begin.js
    link.infos.set(index, null);
    ask(`frame/${index}?ahead=${comingNext()}`).then((answer) => answer.json()).then((info) => link.infos.set(index, {...info, index}), (error) => {
      if (error instanceof Refusal) link.infos.set(index, {index, cause: error.message});
      else link.infos.delete(index);
    }).finally(() => changed("tiles"));
  }
  return link.infos.get(index);
}

const TILES_AT_ONCE = 5; // a browser opens six connections to one server: one stays free for marks
const AHEAD_AT_ONCE = 2; // for frames not yet looked at, so that the one looked at need not wait

// The tiles wanted now, most wanted first; what runs and is no longer wanted is broken off.
function fetchTiles(wanted) {
  link.wanted = wanted;
  const keys = new Set(wanted.map((tile) => tile.key));
  for (const [key, {control}] of link.running) if (!keys.has(key)) control.abort();
  startTiles();
}

function startTiles() {
  if (link.silent) return;
  let ahead = [...link.running.values()].filter((run) => run.ahead).length;
  for (const tile of link.wanted) {
    if (link.running.size >= TILES_AT_ONCE) return;
    if (link.running.has(tile.key) || tiles.has(tile.key) || (tile.ahead && ahead >= AHEAD_AT_ONCE)) continue;
    if (tile.ahead) ahead += 1;
    runTile(tile);
  }
}

async function runTile(tile) {
  const control = new AbortController();
  link.running.set(tile.key, {control, ahead: tile.ahead});
  try {
    const answer = await ask(tile.path, {signal: control.signal});
    if (answer.status === 200) keepTile(tile.key, await createImageBitmap(await answer.blob()));
  } catch (error) {
    if (error instanceof Refusal) link.infos.set(tile.index, {...link.infos.get(tile.index), cause: error.message});
    else if (error.name !== "AbortError" && !(error instanceof Silence)) keepTile(tile.key, null);
  } finally {
    link.running.delete(tile.key);
    changed("tiles");
    startTiles();
  }
}

// Asks again after silence; whoever waits hears of it by the change.
async function listen() {
  try {
    return await (await ask("state")).json();
  } catch (error) {
    if (error instanceof Silence) return null;
    throw error;
  }
}
