// The whole picture: tiles as fine as the screen can show, marks of all ends, zoom and pan, adding and moving.

import { picture } from "/page/server.js";
import { current, labelOf, store, tipOf, widthOf } from "/page/store.js";
import { mark, svg } from "/page/marks.js";

const TILE = 512;
/** Diameters around an end when the view goes to it. */
const AROUND = 26;
const CLICK_PX = 5;
const NEAR_PX = 16;
const box = document.getElementById("viewer");
const adder = document.getElementById("adder");
const tiles = svg("g");
const marks = svg("g");
const spot = svg("g", { class: "spot" });
box.append(tiles, marks, spot);

const view = { picture: -1, x: 0, y: 0, scale: 1, width: 1, height: 1 };
let marksOn = true;
let call = {};

/** `call` has: select(id), move(end, place), add(picture, place, label). */
export function setUp(calls) {
  call = calls;
  new ResizeObserver(() => place()).observe(box);
  box.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.03 : 0.0015)), event.offsetX, event.offsetY);
  }, { passive: false });
  box.addEventListener("pointerdown", down);
  box.addEventListener("pointermove", moving);
  box.addEventListener("pointerup", up);
  box.addEventListener("pointercancel", () => (held.clear(), (drag = null)));
  for (const button of adder.querySelectorAll("button")) button.addEventListener("click", () => choose(button.dataset.add));
  adder.addEventListener("keydown", (event) => {
    const label = { s: "sheared", t: "tensile", u: "unclear", Escape: "" }[event.key];
    if (label === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    choose(label);
  });
}

const size = () => ({ w: box.clientWidth || 1, h: box.clientHeight || 1 });
/** Screen px from the left top of the view -> picture px. The centre of the first pixel is (0, 0). */
const toPicture = (u, v) => ({ x: view.x + u / view.scale, y: view.y + v / view.scale });
const toScreen = (p) => ({ u: (p.x - view.x) * view.scale, v: (p.y - view.y) * view.scale });

function change(number) {
  const info = store.state.pictures[number];
  view.picture = number;
  view.width = info?.width ?? 1;
  view.height = info?.height ?? 1;
  tiles.replaceChildren();
}

export function show(end, { keep = false } = {}) {
  hideAdder();
  const isNew = view.picture !== end.picture;
  if (isNew) change(end.picture);
  if (keep && !isNew) place();
  else toEnd(end);
}

/** A picture without a current end: ends can still be added to it. */
export function showPicture(number) {
  if (!store.state.pictures[number]) return;
  hideAdder();
  change(number);
  whole();
}

export function toEnd(end = current()) {
  if (!end) return;
  const tip = tipOf(end);
  const { w, h } = size();
  view.scale = limit(Math.min(w, h) / Math.max(AROUND * widthOf(end), 60));
  view.x = within(tip.x, w / view.scale, view.width);
  view.y = within(tip.y, h / view.scale, view.height);
  place();
}

/** The start of a view around `middle` that shows no ground beside the picture where it need not. */
const within = (middle, span, size) => Math.max(0, Math.min(middle - span / 2, Math.max(0, size - span)));

export function whole() {
  const { w, h } = size();
  view.scale = Math.min(w / view.width, h / view.height);
  view.x = view.width / 2 - w / 2 / view.scale;
  view.y = view.height / 2 - h / 2 / view.scale;
  place();
}

const limit = (scale) => {
  const { w, h } = size();
  return Math.max(Math.min(w / view.width, h / view.height) * 0.8, Math.min(scale, 40));
};

export function zoom(factor, u = size().w / 2, v = size().h / 2) {
  const at = toPicture(u, v);
  view.scale = limit(view.scale * factor);
  view.x = at.x - u / view.scale;
  view.y = at.y - v / view.scale;
  place();
}

export function pan(du, dv) {
  view.x += du / view.scale;
  view.y += dv / view.scale;
  place();
}

export function setMarks(on) {
  marksOn = on;
  place();
}

let planned = 0;

function place() {
  if (!planned) planned = requestAnimationFrame(() => { planned = 0; drawNow(); });
}

function drawNow() {
  const { w, h } = size();
  box.setAttribute("viewBox", `${view.x} ${view.y} ${w / view.scale} ${h / view.scale}`);
  drawMarks();
  drawTiles(w, h);
}

function drawMarks() {
  marks.replaceChildren();
  if (!marksOn) return;
  const now = current();
  const { w, h } = size();
  const inView = ({ x, y }) => view.x - 40 / view.scale < x && x < view.x + (w + 40) / view.scale && view.y - 40 / view.scale < y && y < view.y + (h + 40) / view.scale;
  for (const end of store.ends.values()) {
    if (end.picture !== view.picture || end === now || !inView(tipOf(end))) continue;
    marks.append(drawMark(end, false));
  }
  if (now?.picture === view.picture) marks.append(drawMark(now, true));
}

function drawMark(end, isCurrent) {
  const tip = tipOf(end);
  // Small beside the fibre, so that a crowd of marks leaves the ends visible; never too small to be seen.
  const grown = Math.min(Math.max(0.4 * widthOf(end), 6 / view.scale), 12 / view.scale) / 10;
  const group = svg("g", { transform: `translate(${tip.x} ${tip.y}) scale(${grown})`, class: `end${isCurrent ? " now" : ""}${end.hand?.label ? " done" : ""}` });
  if (isCurrent) {
    const r = 16 / (grown * view.scale);
    for (const kind of ["ring rim", "ring"]) group.append(svg("circle", { r, class: kind, "vector-effect": "non-scaling-stroke" }));
  }
  group.append(mark(labelOf(end), end.axis));
  return group;
}

function drawTiles(w, h) {
  const info = store.state.pictures[view.picture];
  if (!info || info.missing || !info.width) return;
  const fine = Math.max(0, Math.floor(Math.log2(1 / view.scale)));
  // One tile of the whole picture lies under the others: the ground does not shine through where they meet.
  const coarse = Math.max(0, Math.ceil(Math.log2(Math.max(info.width, info.height) / TILE)));
  const seen = { x0: view.x, y0: view.y, x1: view.x + w / view.scale, y1: view.y + h / view.scale };
  const wanted = new Set();
  const all = { x0: 0, y0: 0, x1: info.width, y1: info.height };
  want(wanted, Math.max(coarse, fine), all, info);
  if (fine < coarse) want(wanted, fine, seen, info);
  for (const tile of [...tiles.children]) if (!wanted.has(tile.dataset.key)) tile.remove();
  const there = new Set([...tiles.children].map((t) => t.dataset.key));
  for (const key of wanted) if (!there.has(key)) addTile(key);
}

function want(wanted, level, area, info) {
  const side = TILE * 2 ** level;
  const last = (n) => Math.ceil(n / side) - 1;
  for (let row = Math.max(0, Math.floor(area.y0 / side)); row <= Math.min(last(info.height), Math.floor(area.y1 / side)); row++)
    for (let column = Math.max(0, Math.floor(area.x0 / side)); column <= Math.min(last(info.width), Math.floor(area.x1 / side)); column++)
      wanted.add(`${view.picture}/tile/${level}/${column}/${row}`);
}

function addTile(key) {
  const [, , level, column, row] = key.split("/").map(Number);
  const info = store.state.pictures[view.picture];
  const side = TILE * 2 ** level;
  const rounded = (n) => Math.ceil(n / 2 ** level) * 2 ** level;
  const [x, y] = [column * side, row * side];
  const tile = svg("image", { x: x - 0.5, y: y - 0.5, width: Math.min(side, rounded(info.width - x)), height: Math.min(side, rounded(info.height - y)), preserveAspectRatio: "none" });
  tile.dataset.key = key;
  // Coarse tiles lie under fine ones.
  if (level > 0) tiles.prepend(tile);
  else tiles.append(tile);
  picture(`/api/picture/${key}`).then((address) => tile.setAttribute("href", address), () => tile.remove());
}

const held = new Map();
let drag = null;

function down(event) {
  if (event.button !== 0) return;
  box.setPointerCapture(event.pointerId);
  held.set(event.pointerId, { u: event.offsetX, v: event.offsetY });
  const at = { u: event.offsetX, v: event.offsetY };
  const tip = current()?.picture === view.picture ? toScreen(tipOf(current())) : null;
  const onTip = marksOn && tip && Math.hypot(tip.u - at.u, tip.v - at.v) <= NEAR_PX;
  drag = { start: at, last: at, far: false, tip: onTip ? current() : null };
}

function moving(event) {
  if (!held.has(event.pointerId) || !drag) return;
  const at = { u: event.offsetX, v: event.offsetY };
  if (held.size === 2) return pinch(event.pointerId, at);
  held.set(event.pointerId, at);
  drag.far ||= Math.hypot(at.u - drag.start.u, at.v - drag.start.v) > CLICK_PX;
  if (!drag.far) return;
  if (drag.tip) {
    const p = toPicture(at.u, at.v);
    marks.lastChild?.setAttribute("transform", marks.lastChild.getAttribute("transform").replace(/translate\([^)]*\)/, `translate(${p.x} ${p.y})`));
  } else pan(drag.last.u - at.u, drag.last.v - at.v);
  drag.last = at;
}

function pinch(id, at) {
  const other = [...held].find(([key]) => key !== id)[1];
  const before = held.get(id);
  const spread = (p) => Math.hypot(p.u - other.u, p.v - other.v);
  drag = { ...drag, far: true, tip: null, last: at };
  held.set(id, at);
  zoom(spread(at) / Math.max(1, spread(before)), (at.u + other.u) / 2, (at.v + other.v) / 2);
}

function up(event) {
  held.delete(event.pointerId);
  const done = drag;
  if (held.size || !done) return;
  drag = null;
  const at = { u: event.offsetX, v: event.offsetY };
  const p = toPicture(at.u, at.v);
  if (done.far) {
    if (done.tip) call.move(done.tip, p);
    return;
  }
  if (!adder.hidden) return hideAdder();
  const near = nearest(at);
  if (near) call.select(near.id);
  else askToAdd(p);
}

function nearest(at) {
  let best = null;
  for (const end of store.ends.values()) {
    if (!marksOn || end.picture !== view.picture) continue;
    const tip = toScreen(tipOf(end));
    const gap = Math.hypot(tip.u - at.u, tip.v - at.v);
    if (gap <= NEAR_PX && (!best || gap < best.gap)) best = { id: end.id, gap };
  }
  return best;
}

let asked = null;

/** Asks which label a missed end has; without a place, in the middle of the view. */
export function askToAdd(p = toPicture(size().w / 2, size().h / 2)) {
  if (p.x < -0.5 || p.y < -0.5 || p.x >= view.width - 0.5 || p.y >= view.height - 0.5) return;
  asked = p;
  const { u, v } = toScreen(p);
  const { w, h } = size();
  spot.replaceChildren();
  for (const kind of ["rim", ""]) spot.append(svg("path", { d: "M-12 0H-4M4 0H12M0-12V-4M0 4V12", class: kind, transform: `translate(${p.x} ${p.y}) scale(${1 / view.scale})`, "vector-effect": "non-scaling-stroke" }));
  adder.hidden = false;
  const [aw, ah] = [adder.offsetWidth, adder.offsetHeight];
  adder.style.left = `${Math.max(4, Math.min(u + 18, w - aw - 4))}px`;
  adder.style.top = `${Math.max(4, Math.min(v + 18, h - ah - 4))}px`;
  adder.querySelector("button").focus();
}

function choose(label) {
  const p = asked;
  hideAdder();
  box.focus({ preventScroll: true });
  if (label && p) call.add(view.picture, p, label);
}

function hideAdder() {
  asked = null;
  adder.hidden = true;
  spot.replaceChildren();
}
