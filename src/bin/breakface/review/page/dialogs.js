// Help, agreement of labellers, applying hand labels, learning from them.

import { get, post } from "/page/server.js";
import { WORDS } from "/page/store.js";
import { el, number } from "/page/panel.js";

const by = (id) => document.getElementById(id);
const body = (id) => by(id).querySelector(".body");
let calls = {};

/** `calls` has: select(id), changed(). */
export function setUp(given) {
  calls = given;
  by("open-help").addEventListener("click", help);
  by("open-agreement").addEventListener("click", agreement);
  by("open-apply").addEventListener("click", () => open("apply"));
  by("open-learn").addEventListener("click", () => open("learn"));
  by("do-apply").addEventListener("click", () => work("apply", by("do-apply"), "/api/apply", applied));
  by("do-learn").addEventListener("click", () => work("learn", by("do-learn"), "/api/learn", learnt));
  by("do-take").addEventListener("click", () => work("learn", by("do-take"), "/api/learn/take", taken));
}

export const isOpen = () => Boolean(document.querySelector("dialog[open]"));
export const help = () => by("help").showModal();

function open(id) {
  if (id === "apply" || id === "learn") body(id).replaceChildren();
  by("do-take").hidden = true;
  by(id).showModal();
}

async function work(id, button, path, show) {
  button.disabled = true;
  body(id).replaceChildren(el("p", { class: "busy" }, "Working…"));
  try {
    body(id).replaceChildren(...show(await post(path)));
  } catch (error) {
    body(id).replaceChildren(el("p", { class: "warn" }, error.message));
  }
  button.disabled = false;
}

async function agreement() {
  const place = body("agreement");
  place.replaceChildren();
  by("agreement").showModal();
  try {
    const pairs = await get("/api/agreement");
    place.replaceChildren(...(pairs.length ? pairs.flatMap(pair) : [el("p", {}, "Two labellers are needed. Change the name at the top, and label the same ends again: each labeller sees only their own decisions.")]));
  } catch (error) {
    place.replaceChildren(el("p", { class: "warn" }, error.message));
  }
}

function pair(item) {
  const [first, second] = item.labellers;
  const kappa = item.kappa === null ? "κ cannot be given" : `Cohen's κ ${item.kappa.value.toFixed(2)} (95 %: ${item.kappa.low.toFixed(2)} to ${item.kappa.high.toFixed(2)})`;
  const head = [el("h3", {}, `${first} and ${second}`), el("p", {}, `${item.n_same} of ${item.n_both} ends labelled alike; ${kappa}.`)];
  if (!item.differ.length) return head;
  const rows = item.differ.map((d) => {
    const go = el("button", { type: "button" }, `${d.image} #${d.end}`);
    go.disabled = !d.id;
    go.addEventListener("click", () => { by("agreement").close(); calls.select(d.id); });
    return el("tr", {}, el("td", {}, go), el("td", {}, WORDS[d.first]), el("td", {}, WORDS[d.second]));
  });
  return [...head, table(["End", first, second], rows)];
}

const table = (titles, rows) =>
  el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": `Table: ${titles.join(", ")}` },
    el("table", {}, el("thead", {}, el("tr", {}, ...titles.map((t) => el("th", { scope: "col" }, t)))), el("tbody", {}, ...rows)));

const percent = (value) => (value === null ? "–" : `${(value * 100).toFixed(0)} %`);
const interval = (f) => (f.value === null ? "–" : `${percent(f.value)} (${percent(f.low)} to ${percent(f.high)})`);
const cells = (...texts) => el("tr", {}, ...texts.map((t, i) => el(i ? "td" : "th", i ? {} : { scope: "row" }, t)));

function applied(result) {
  calls.changed();
  const rows = (list) => list.map((r) => cells(r.name, interval(r.model), interval(r.reviewed), r.n_hand === null ? "" : `${r.n_hand}`));
  const parts = [el("p", {}, `Hand labels in place: ${result.n_labelled}, of these ${result.n_changed} change a label; ends added: ${result.n_added}, taken out: ${result.n_not_an_end}.`)];
  if (result.outside.length) parts.push(el("p", {}, `Labels outside their pictures do not count: ${result.outside.join(", ")}.`));
  parts.push(el("h3", {}, "Sheared fraction of specimens"), table(["Specimen", "As labelled by the model", "After review", "Hand labels"], rows(result.specimens)));
  if (result.knots.length) parts.push(el("h3", {}, "Knots"), table(["Knot", "As labelled by the model", "After review", ""], rows(result.knots)));
  parts.push(el("p", { class: "muted" }, "Tables and report are those after review; what the model said is in the folder before_review."));
  return parts;
}

function learnt(result) {
  by("do-take").hidden = false;
  const rows = result.figures.map((f) => cells(f.name, number(f.old), number(f.new)));
  return [
    el("p", {}, `Hand labels used: ${result.n_labels}. Both models were judged by cross-validation on the same ends, grouped by specimen.`),
    table(["Figure", "Old model", "New model"], rows),
    el("p", { class: "muted" }, result.advice),
  ];
}

function taken(result) {
  by("do-take").hidden = true;
  return [el("p", {}, result.message)];
}
