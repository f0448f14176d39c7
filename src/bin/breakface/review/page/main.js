// The review page: wiring of keys, buttons and views.

import { get, picture, post, ServerError } from "/page/server.js";
import { arrange, current, goTo, load, pictureOf, store, take, tipOf, WORDS } from "/page/store.js";
import { fillGlyphs } from "/page/marks.js";
import * as close from "/page/close.js";
import * as viewer from "/page/viewer.js";
import * as panel from "/page/panel.js";
import * as dialogs from "/page/dialogs.js";

const by = (id) => document.getElementById(id);
/** Ends whose crops are fetched ahead. */
const AHEAD = 4;
let marksOn = true;

const labeller = () => by("labeller").value.trim();

function complain(error) {
  by("alert").textContent = error.message;
  by("alert").hidden = false;
  if (!(error instanceof ServerError)) throw error;
}

function fine(said) {
  by("alert").hidden = true;
  if (said) by("said").textContent = said;
}

async function loadState(name, stayAt) {
  const state = await get(`/api/state${name ? `?labeller=${encodeURIComponent(name)}` : ""}`);
  load(state);
  try { sessionStorage.setItem("labeller", state.labeller); } catch { /* asked again after a reload */ }
  by("title").textContent = state.title;
  by("labeller").value = state.labeller;
  by("labellers").replaceChildren(...state.labellers.map((l) => new Option(l)));
  fill(by("specimen"), [...new Set(state.ends.map((e) => e.specimen))].sort((a, b) => a.localeCompare(b, "en", { numeric: true })).map((s) => [s, s]));
  fill(by("picture"), state.pictures.map((p, i) => [String(i), p.name]));
  document.body.dataset.mode = state.mode;
  const tells = state.mode === "blind";
  for (const option of document.querySelectorAll("option.tells")) option.hidden = option.disabled = tells;
  arrange(stayAt);
}

function fill(select, pairs) {
  const before = select.value;
  select.replaceChildren(new Option("all", ""), ...pairs.map(([value, text]) => new Option(text, value)));
  select.value = pairs.some(([value]) => value === before) ? before : "";
}

/** Draws everything that depends on where we are. */
function draw({ keepView = false } = {}) {
  const end = current();
  panel.draw(end);
  close.draw(end, marksOn).catch(complain);
  if (end) viewer.show(end, { keep: keepView });
  else viewer.showPicture(Number(store.choice.picture || 0));
  standing();
  if (end) history.replaceState(null, "", `${location.pathname}${location.search}#${end.id}`);
  for (let step = 1; step <= AHEAD; step++) {
    const next = store.ends.get(store.queue[store.at + step]);
    if (!next || pictureOf(next).missing) continue;
    picture(close.cropPath(next)).catch(() => {});
    if (!next.added && !next.hidden) panel.detailsFor(next.id).catch(() => {});
  }
}

function standing() {
  const s = store.state.standing;
  by("bar").max = Math.max(1, s.n_ends);
  by("bar").value = s.n_labelled;
  const kappa = s.kappa === null ? "" : `, κ ${s.kappa.toFixed(2)}`;
  const agree = s.n_compared ? ` · as the model: ${s.n_same} of ${s.n_compared}${kappa}` : "";
  by("standing").textContent = `${s.n_labelled} of ${s.n_ends} labelled${s.n_added ? `, ${s.n_added} added` : ""}${agree}`;
  by("guide").textContent = guideText(s);
  by("guide").hidden = !by("guide").textContent;
  by("place").textContent = store.queue.length ? `${store.at + 1} of ${store.queue.length}` : "none";
  by("back").disabled = store.at === 0;
  by("next").disabled = store.at + 1 >= store.queue.length;
}

/** What to do next, in one line. */
function guideText({ guide, n_labelled, n_ends }) {
  if (store.state.mode === "adjudicate") {
    const left = n_ends - n_labelled;
    if (!n_ends) return "Labellers do not differ on any end.";
    return `Labellers differ on ${n_ends} ${n_ends === 1 ? "end" : "ends"}; ${left ? `${left} not decided yet` : "all are decided"}.`;
  }
  const blind = store.state.mode === "blind" ? "Blind: what the model and others say of an end is hidden until you decide. " : "";
  if (!n_labelled || !guide.more) return blind;
  const where = guide.specimens.slice(0, 4).map(([name, n]) => `${n} in ${name}`).join(", ");
  const rest = guide.specimens.length > 4 ? ` and ${guide.specimens.length - 4} more specimens` : "";
  const scarce = guide.scarce ? ` Few are ${guide.scarce} so far.` : "";
  return `${blind}For a model of your own, label ${guide.more} more: ${where}${rest}.${scarce}`;
}

function step(by_) {
  const to = store.at + by_;
  if (to < 0 || store.queue.length <= to) {
    by("said").textContent = by_ > 0 ? "That was the last end of this choice." : "This is the first end of this choice.";
    return draw({ keepView: true });
  }
  store.at = to;
  draw();
}

const select = (id) => {
  goTo(id);
  draw({ keepView: true });
};

/** A action: the page goes on at once, and comes back when the server could not keep it. */
async function action(path, body, said) {
  try {
    const changed = await post(path, { labeller: labeller(), ...body });
    take(changed);
    panel.forgetDetails(changed.id);
    fine(said);
    return changed;
  } catch (error) {
    complain(error);
    return null;
  }
}

async function label(word) {
  const end = current();
  if (!end) return;
  const before = end.hand;
  end.hand = { ...tipOf(end), label: word };
  step(1);
  const changed = await action("/api/label", { end: end.id, label: word }, `End ${end.end}: ${WORDS[word]}.`);
  if (!changed) {
    end.hand = before;
    goTo(end.id);
  }
  if (current()?.id === end.id) draw({ keepView: true });
  else standing();
  viewer.setMarks(marksOn);
}

async function undo() {
  const changed = await action("/api/undo", {}, "Taken back.");
  if (!changed) return;
  if (changed.end) goTo(changed.id);
  draw();
}

async function move(end, place) {
  const changed = await action("/api/move", { end: end.id, x: place.x, y: place.y }, `Tip of end ${end.end} moved.`);
  draw({ keepView: true });
  return changed;
}

async function add(picture_, place, word) {
  const changed = await action("/api/add", { picture: picture_, x: place.x, y: place.y, label: word }, `End added: ${WORDS[word]}.`);
  if (!changed) return;
  goTo(changed.id);
  draw({ keepView: true });
}

function setMarks(on) {
  marksOn = on;
  by("marks").setAttribute("aria-pressed", String(on));
  viewer.setMarks(on);
  close.draw(current(), on).catch(complain);
}

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function key(event) {
  if (event.ctrlKey || event.metaKey || dialogs.isOpen()) return;
  const on = event.target;
  if (on.matches?.("input, select, textarea")) return;
  const arrow = ARROWS[event.key];
  if (arrow && event.altKey) {
    const end = current();
    if (end) move(end, { x: tipOf(end).x + arrow[0], y: tipOf(end).y + arrow[1] });
  } else if (arrow && event.shiftKey) viewer.pan(arrow[0] * 80, arrow[1] * 80);
  else if (event.altKey) return;
  else if (event.key === " " && on.matches?.("button, a, summary")) return;
  else {
    const act = keys[event.key] ?? keys[event.key.toLowerCase()];
    if (!act) return;
    act();
  }
  event.preventDefault();
}

const keys = {
  s: () => label("sheared"),
  t: () => label("tensile"),
  u: () => label("unclear"),
  x: () => label("not_an_end"),
  ArrowRight: () => step(1),
  " ": () => step(1),
  ArrowLeft: () => step(-1),
  z: undo,
  "+": () => viewer.zoom(1.4),
  "=": () => viewer.zoom(1.4),
  "-": () => viewer.zoom(1 / 1.4),
  0: viewer.whole,
  c: () => viewer.toEnd(),
  a: () => viewer.askToAdd(),
  m: () => setMarks(!marksOn),
  "?": dialogs.help,
};

function wire() {
  document.addEventListener("keydown", key);
  for (const button of document.querySelectorAll("button[data-label]")) button.addEventListener("click", () => label(button.dataset.label));
  const clicks = { back: () => step(-1), next: () => step(1), undo, "zoom-in": keys["+"], "zoom-out": keys["-"], "zoom-whole": viewer.whole, "zoom-end": () => viewer.toEnd(), add: () => viewer.askToAdd(), marks: keys.m, theme };
  for (const [id, act] of Object.entries(clicks)) by(id).addEventListener("click", act);
  for (const id of ["order", "show", "specimen", "picture"])
    by(id).addEventListener("change", () => {
      store.choice[id] = by(id).value;
      arrange(id === "order" ? null : undefined);
      draw();
    });
  by("labeller").addEventListener("change", () => {
    const name = labeller();
    if (!name) by("labeller").value = store.state.labeller;
    else loadState(name, current()?.id).then(() => { fine(`Labelling as ${name}.`); draw({ keepView: true }); }, complain);
  });
  viewer.setUp({ select, move, add });
  close.onTipMoved(current, move);
  panel.onSelect(select);
  dialogs.setUp({ select, changed: () => panel.forgetDetails() });
}

function theme() {
  const root = document.documentElement;
  const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  root.dataset.theme = dark ? "light" : "dark";
  try { localStorage.setItem("theme", root.dataset.theme); } catch { /* not kept, no harm */ }
}

function lastLabeller() {
  try { return sessionStorage.getItem("labeller"); } catch { return null; }
}

async function begin() {
  try { if (localStorage.getItem("theme")) document.documentElement.dataset.theme = localStorage.getItem("theme"); } catch { /* as the system wants it */ }
  fillGlyphs();
  if (matchMedia("(max-width: 760px)").matches) by("filters").open = false;
  try {
    await loadState(lastLabeller(), decodeURIComponent(location.hash.slice(1)));
  } catch (error) {
    return complain(error);
  }
  wire();
  draw();
  document.body.dataset.ready = "yes";
}

begin();
