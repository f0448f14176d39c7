// What is known of the current end: verdicts, measurements, its way through the tree, the ends of its carrier.

import { get, picture } from "/page/server.js";
import { isAdded, labelOf, pictureOf, store, tipOf, WORDS } from "/page/store.js";
import { cropPath } from "/page/close.js";
import { mark } from "/page/marks.js";

const by = (id) => document.getElementById(id);
const MOST_NEIGHBOURS = 12;

/** An element with text or children; text is never read as markup. */
export function el(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "class") element.className = value;
    else element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

export function number(value, digits = 3) {
  if (value === null || value === undefined) return "–";
  const text = Number.isInteger(value) // counts are exact
    ? String(value)
    : Number(value.toPrecision(digits)).toLocaleString("en", { maximumSignificantDigits: digits, useGrouping: false });
  return text.replace("-", "−");
}

/** `shaft_diameter_px` -> `shaft diameter`. */
const plain = (name) => name.replace(/_(px|um|deg|um2|n)$/, "").replaceAll("_", " ");
const units = { 1: "", deg: "°", um: " µm", px: " px" };
const withUnit = (value, unit) => (value === null ? "not measured" : number(value) + (units[unit] ?? ` ${unit}`));

export function chip(label) {
  if (!label) return el("span", { class: "chip none" }, "nothing yet");
  const glyph = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  glyph.setAttribute("class", "glyph");
  glyph.setAttribute("viewBox", "-12 -11 24 24");
  glyph.setAttribute("aria-hidden", "true");
  glyph.append(mark(label, -90));
  return el("span", { class: "chip" }, glyph, WORDS[label]);
}

let detailsOf = null;
const known = new Map();

export function draw(end) {
  detailsOf = end?.id;
  by("end-name").textContent = end ? `End ${end.end}` : "No end here";
  by("end-where").textContent = end ? `${pictureOf(end).name} · specimen ${end.specimen || "–"}` : "Nothing matches this choice; show other ends.";
  by("picture-name").textContent = (end ? pictureOf(end) : store.state.pictures[Number(store.choice.picture || 0)])?.name ?? "Picture";
  by("model-says").replaceChildren(...(end ? modelSays(end) : []));
  by("others").hidden = !end?.said.length;
  by("others-say").replaceChildren(...(end?.said ?? []).map((s) => el("span", { class: "said" }, chip(s.label), el("span", { class: "muted" }, s.labeller))));
  by("hand-says").replaceChildren(...(end ? [chip(end.hand?.label), movedNote(end)] : []));
  for (const button of document.querySelectorAll("button[data-label]")) {
    button.setAttribute("aria-pressed", String(Boolean(end) && end.hand?.label === button.dataset.label));
    button.disabled = !end;
  }
  drawNeighbours(end);
  if (end) drawDetails(end);
  else for (const id of ["path", "measurements"]) by(id).replaceChildren();
}

function modelSays(end) {
  if (isAdded(end)) return [el("span", { class: "muted" }, "had not found it")];
  if (end.hidden) return [el("span", { class: "muted" }, "hidden until you decide")];
  const share = end.p === null ? "" : `sheared ${Math.round(end.p * 100)} %`;
  const bar = el("meter", { min: 0, max: 1, value: end.p ?? 0, "aria-label": `Probability of sheared ${share}` });
  const parts = [chip(end.label)];
  if (end.p !== null) parts.push(bar, el("span", { class: "muted" }, share));
  if (end.reason) parts.push(el("span", { class: "reason" }, end.reason));
  return parts;
}

function movedNote(end) {
  const tip = tipOf(end);
  const gap = Math.hypot(tip.x - end.x, tip.y - end.y);
  return gap > 0.01 ? el("span", { class: "muted" }, `tip moved by ${number(gap)} px`) : "";
}

async function drawDetails(end) {
  if (isAdded(end)) {
    by("path").replaceChildren(el("p", { class: "muted" }, "An end added by hand has no measurements. It counts with its label."));
    by("measurements").replaceChildren(el("p", { class: "muted" }, `x ${number(end.x, 5)} px, y ${number(end.y, 5)} px`));
    return;
  }
  if (end.hidden) {
    for (const id of ["path", "measurements"]) by(id).replaceChildren(el("p", { class: "muted" }, "Hidden until you decide."));
    return;
  }
  const details = await detailsFor(end.id).catch(() => null);
  if (!details || detailsOf !== end.id) return;
  by("path").replaceChildren(...pathOf(details));
  by("measurements").replaceChildren(measurementsOf(end, details));
}

export function detailsFor(id) {
  if (!known.has(id)) {
    const wanted = get(`/api/end/${encodeURIComponent(id)}?labeller=${encodeURIComponent(store.state.labeller)}`);
    wanted.catch(() => known.delete(id));
    known.set(id, wanted);
  }
  return known.get(id);
}

/** Forgets what is known of one end, or of all. */
export const forgetDetails = (id) => (id === undefined ? known.clear() : known.delete(id));

function pathOf(details) {
  const steps = details.path.map((step) => {
    const asked = `${plain(step.name)} ${step.low ? "≤" : ">"} ${withUnit(step.threshold, step.unit)}`;
    const found = step.value === null ? "missing: goes this way" : withUnit(step.value, step.unit);
    return el("li", { title: step.meaning }, el("span", { class: "asked" }, asked), el("span", { class: "found" }, found));
  });
  const [sheared, tensile] = details.leaf ?? [0, 0];
  const leaf = el("p", { class: "leaf" }, `Ends the model learnt from that came out here: ${number(sheared)} sheared, ${number(tensile)} tensile.`);
  const parts = steps.length ? [el("ol", { class: "path" }, ...steps), leaf] : [el("p", { class: "muted" }, "The tree asks nothing: one answer for all."), leaf];
  if (details.outside.length)
    parts.push(el("p", { class: "warn" }, `Outside what the model has seen: ${details.outside.map(plain).join(", ")}.`));
  return parts;
}

function measurementsOf(end, details) {
  const rows = details.measurements.filter((m) => m.value !== null).map((m) =>
    el("tr", { title: m.meaning }, el("th", { scope: "row" }, plain(m.name)), el("td", {}, withUnit(m.value, m.unit))));
  const first = [["x", end.x, "px"], ["y", end.y, "px"], ["axis", end.axis, "deg"], ["quality", details.quality, "1"]].map(([name, value, unit]) =>
    el("tr", {}, el("th", { scope: "row" }, name), el("td", {}, withUnit(value, unit))));
  if (details.subtype) first.push(el("tr", {}, el("th", { scope: "row" }, "looks like"), el("td", {}, details.subtype)));
  return el("table", { class: "numbers" }, el("tbody", {}, ...first, ...rows));
}

let select = () => {};
export const onSelect = (call) => (select = call);

function drawNeighbours(end) {
  const place = by("neighbours");
  if (!end || end.carrier === null) {
    place.replaceChildren(el("p", { class: "muted" }, end ? "Not grouped to a carrier." : ""));
    return;
  }
  const here = tipOf(end);
  const gap = (e) => Math.hypot(tipOf(e).x - here.x, tipOf(e).y - here.y);
  const company = [...store.ends.values()].filter((e) => e.picture === end.picture && e.carrier === end.carrier && e.id !== end.id).sort((a, b) => gap(a) - gap(b));
  const counts = ["sheared", "tensile", "unclear"].map((l) => [l, [end, ...company].filter((e) => labelOf(e) === l).length]);
  const n = company.length + 1;
  const text = `Carrier ${end.carrier}: ${n} ${n === 1 ? "end" : "ends"}${counts.some(([, c]) => c) ? ", " : ""}${counts.filter(([, n]) => n).map(([l, n]) => `${n} ${l}`).join(", ")}.`;
  const list = el("ul", { class: "company" }, ...company.slice(0, MOST_NEIGHBOURS).map(thumbnail));
  const more = company.length > MOST_NEIGHBOURS ? el("p", { class: "muted" }, `The ${MOST_NEIGHBOURS} nearest are shown.`) : "";
  place.replaceChildren(el("p", {}, text), list, more);
}

function thumbnail(end) {
  const image = el("img", { alt: "", width: 72, height: 72 });
  if (!pictureOf(end).missing) picture(cropPath(end, 144)).then((address) => (image.src = address), () => {});
  const button = el("button", { type: "button", "aria-label": `Go to end ${end.end}, ${WORDS[labelOf(end)] ?? "not decided"}`, "data-label-of": labelOf(end) ?? "" }, image, el("span", {}, `${end.end}`));
  button.addEventListener("click", () => select(end.id));
  return el("li", {}, button);
}
