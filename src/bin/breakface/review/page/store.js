// The ends, the order and filter in which they are looked at, and where we are.

export const WORDS = { sheared: "sheared", tensile: "tensile", unclear: "unclear", not_an_end: "not an end" };

export const store = {
  state: null,
  ends: new Map(),
  queue: [],
  at: 0,
  choice: { order: "spread", show: "all", specimen: "", picture: "" },
};

export const current = () => store.ends.get(store.queue[store.at]);
export const pictureOf = (end) => store.state.pictures[end.picture];
/** What counts now: the hand label, else the model's. */
export const labelOf = (end) => end.hand?.label ?? end.label;
export const tipOf = (end) => (end.hand ? { x: end.hand.x, y: end.hand.y } : { x: end.x, y: end.y });
export const isAdded = (end) => end.added;
/** Shaft width, px; a plausible one where none was measured. */
export const widthOf = (end) => end.diameter ?? medianWidth(end.picture);

function medianWidth(picture) {
  const widths = [...store.ends.values()].filter((e) => e.picture === picture && e.diameter).map((e) => e.diameter).sort((a, b) => a - b);
  return widths.length ? widths[widths.length >> 1] : 16;
}

export function load(state) {
  store.state = state;
  store.ends = new Map(state.ends.map((e) => [e.id, e]));
}

const matches = {
  all: () => true,
  open: (e) => !e.hand?.label,
  done: (e) => Boolean(e.hand?.label),
  differ: (e) => Boolean(e.hand?.label) && !isAdded(e) && e.hand.label !== e.label,
  sheared: (e) => e.label === "sheared",
  tensile: (e) => e.label === "tensile",
  unclear: (e) => e.label === "unclear",
  added: isAdded,
  not_an_end: (e) => e.hand?.label === "not_an_end",
  disputed: (e) => e.said.length > 0,
};

const number = (e) => (e.end.startsWith("+") ? 1e6 + Number(e.end.slice(1)) : Number(e.end));
const byPicture = (a, b) => a.picture - b.picture || number(a) - number(b);
const doubt = (e) => (e.p === null ? 2 : Math.abs(e.p - 0.5));

/** A number that depends on the name alone: an order at random that is the same each time. */
function drawn(text) {
  let h = 0x811c9dc5;
  for (const c of text) h = Math.imul(h ^ c.codePointAt(0), 0x01000193);
  h ^= h >>> 15;
  return Math.imul(h, 0x2c1b3c6d) >>> 0;
}

/** Lists in turns: the first of each, the second of each, and so on. */
function inTurns(lists) {
  const out = [];
  for (let i = 0; lists.some((l) => i < l.length); i++) for (const list of lists) if (i < list.length) out.push(list[i]);
  return out;
}

const grouped = (ends, key) => [...Map.groupBy(ends, key).entries()].sort(([a], [b]) => String(a).localeCompare(String(b), "en", { numeric: true })).map(([, list]) => list);

/** Specimens in turns, within each its pictures in turns; of a picture in turns the least certain end and one at random. */
function spread(ends) {
  const ofPicture = (list) => {
    const atRandom = list.toSorted((a, b) => drawn(a.id) - drawn(b.id));
    if (list.some((e) => e.hidden)) return atRandom; // how sure the model is would be a hint
    return [...new Set(inTurns([list.toSorted((a, b) => doubt(a) - doubt(b) || byPicture(a, b)), atRandom]))];
  };
  return inTurns(grouped(ends, (e) => e.specimen).map((own) => inTurns(grouped(own, (e) => e.picture).map(ofPicture))));
}

const rank = ["unclear", "tensile", "sheared", null];
const orders = {
  doubt: (a, b) => doubt(a) - doubt(b) || byPicture(a, b),
  picture: byPicture,
  specimen: (a, b) => a.specimen.localeCompare(b.specimen, "en", { numeric: true }) || byPicture(a, b),
  label: (a, b) => rank.indexOf(a.label) - rank.indexOf(b.label) || doubt(a) - doubt(b) || byPicture(a, b),
};

/** Builds the queue anew and stays at the end we are at, where it is still in it. */
export function arrange(stayAt = current()?.id) {
  const { order, show, specimen, picture } = store.choice;
  const wanted = [...store.ends.values()].filter(
    (e) => matches[show](e) && (!specimen || e.specimen === specimen) && (picture === "" || e.picture === Number(picture)),
  );
  store.queue = (order === "spread" ? spread(wanted) : wanted.sort(orders[order])).map((e) => e.id);
  store.at = Math.max(0, store.queue.indexOf(stayAt));
}

/** Goes to an end, which joins the queue behind the current one when the filter had left it out. */
export function goTo(id) {
  const place = store.queue.indexOf(id);
  if (place >= 0) store.at = place;
  else if (store.ends.has(id)) {
    store.at = Math.min(store.at + 1, store.queue.length);
    store.queue.splice(store.at, 0, id);
  }
}

/** Takes over what the server says of one end after a action. */
export function take(changed) {
  store.state.standing = changed.standing;
  if (changed.end) {
    store.ends.set(changed.id, changed.end);
    return;
  }
  store.ends.delete(changed.id);
  const place = store.queue.indexOf(changed.id);
  if (place >= 0) store.queue.splice(place, 1);
  if (place >= 0 && place < store.at) store.at -= 1;
  store.at = Math.max(0, Math.min(store.at, store.queue.length - 1));
}
