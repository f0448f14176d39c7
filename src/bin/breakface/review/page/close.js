// The close view: one end, large, its axis upright, with what was measured drawn on it.

import { picture, ServerError } from "/page/server.js";
import { labelOf, pictureOf, tipOf, widthOf } from "/page/store.js";
import { svg } from "/page/marks.js";

const SIZE = 640;
/** Where the tip lies: half way across, this share of the way down. */
const AT = 0.38;
/** Shaft diameters along one side, and the fewest picture pixels. */
const SPAN_DIAMETERS = 8;
const MIN_SPAN_PX = 40;
const box = document.getElementById("close");
const frame = document.getElementById("close-frame");
const note = document.getElementById("close-note");

export const spanOf = (end) => Math.max(MIN_SPAN_PX, SPAN_DIAMETERS * widthOf(end));
const axisOf = (end) => end.axis ?? -90;

export function cropPath(end, size = SIZE) {
  const tip = tipOf(end);
  const numbers = { x: tip.x.toFixed(2), y: tip.y.toFixed(2), axis: axisOf(end).toFixed(2), span: spanOf(end).toFixed(2), size, at: AT };
  return `/api/picture/${end.picture}/crop?${new URLSearchParams(numbers)}`;
}

/** A place in the close view -> a place in the picture. */
function toPicture(end, u, v) {
  const scale = spanOf(end) / SIZE;
  const [across, back] = [(u - SIZE / 2) * scale, (v - SIZE * AT) * scale];
  const turn = (axisOf(end) * Math.PI) / 180;
  const tip = tipOf(end);
  return { x: tip.x - Math.sin(turn) * across - Math.cos(turn) * back, y: tip.y + Math.cos(turn) * across - Math.sin(turn) * back };
}

let shownId = null;

export async function draw(end, marksOn) {
  shownId = end?.id;
  note.hidden = true;
  frame.dataset.label = (end && labelOf(end)) ?? "";
  if (!end) return box.replaceChildren();
  const missing = pictureOf(end).missing;
  const image = svg("image", { width: SIZE, height: SIZE });
  if (missing) {
    box.replaceChildren();
    return say(missing);
  }
  try {
    image.setAttribute("href", await picture(cropPath(end)));
  } catch (error) {
    if (!(error instanceof ServerError)) throw error;
    if (shownId === end.id) { box.replaceChildren(); say(error.message); }
    return;
  }
  if (shownId !== end.id) return;
  box.setAttribute("aria-label", `Close view of end ${end.end}, axis upright`);
  box.replaceChildren(image, ...(marksOn ? drawn(end) : []));
}

function say(text) {
  note.textContent = text;
  note.hidden = false;
}

function drawn(end) {
  const d = (widthOf(end) * SIZE) / spanOf(end);
  const group = svg("g", { transform: `translate(${SIZE / 2} ${SIZE * AT})`, class: "measured" });
  const line = (x1, y1, x2, y2, kind) => {
    for (const layer of ["rim", kind]) group.append(svg("line", { x1, y1, x2, y2, class: layer }));
  };
  if (end.axis !== null) {
    line(0, 0.35 * d, 0, 4.4 * d, "axis");
    if (end.diameter) for (const side of [-0.5, 0.5]) line(side * d, 1.5 * d, side * d, 4 * d, "width");
    if (end.bulb) {
      const half = (end.bulb * d) / 2;
      for (const side of [-1, 1]) line(side * half, 0.2 * d, side * half, 0.8 * d, "bulb");
    }
    if (end.cut_angle !== null) {
      // Positive: the right side lies further out, which is up here.
      const turn = (end.cut_angle * Math.PI) / 180;
      const [c, s] = [Math.cos(turn) * 0.8 * d, Math.sin(turn) * 0.8 * d];
      line(-c, s, c, -s, "cut");
    }
  }
  group.append(svg("circle", { r: 11, class: "grip rim" }), svg("circle", { r: 11, class: "grip", "data-grip": "" }));
  return [group, scaleBar(end)];
}

function scaleBar(end) {
  const umPerPx = pictureOf(end).um_per_px;
  const perUnit = SIZE / spanOf(end) / (umPerPx ?? 1);
  const nice = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].filter((n) => n * perUnit <= SIZE * 0.3).pop() ?? 1;
  const length = nice * perUnit;
  const group = svg("g", { transform: `translate(${SIZE - 24 - length} ${SIZE - 22})`, class: "scalebar" });
  group.append(svg("rect", { x: -10, y: -30, width: length + 20, height: 42, rx: 6 }), svg("path", { d: `M0 0h${length}` }));
  const text = svg("text", { x: length / 2, y: -10, "text-anchor": "middle" });
  text.textContent = `${nice} ${umPerPx ? "µm" : "px"}`;
  group.append(text);
  return group;
}

/** Lets the tip be dragged; `moved` gets the new place in the picture. */
export function onTipMoved(endNow, moved) {
  let grip = null;
  const place = (event) => {
    const area = box.getBoundingClientRect();
    return [((event.clientX - area.left) / area.width) * SIZE, ((event.clientY - area.top) / area.height) * SIZE];
  };
  box.addEventListener("pointerdown", (event) => {
    if (!event.target.hasAttribute("data-grip")) return;
    grip = event.target;
    box.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  box.addEventListener("pointermove", (event) => {
    if (!grip) return;
    const [u, v] = place(event);
    for (const ring of box.querySelectorAll(".grip")) {
      ring.setAttribute("cx", u - SIZE / 2);
      ring.setAttribute("cy", v - SIZE * AT);
    }
  });
  box.addEventListener("pointerup", (event) => {
    if (!grip) return;
    grip = null;
    const end = endNow();
    if (end) moved(end, toPicture(end, ...place(event)));
  });
}
