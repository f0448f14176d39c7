// The viewer: a picture of the page in full window, to zoom and to move about. Without it every link still leads to a picture.
"use strict";
(() => {
  const dialog = document.getElementById("viewer");
  const stage = dialog.querySelector("svg");
  const title = document.getElementById("viewer-title");
  const fingers = new Map();
  // Part of the picture in view, and the whole, in units of the small picture: x, y, width, height.
  let view, whole, spread;

  const show = () => stage.setAttribute("viewBox", view.join(" "));
  const smallest = () => whole[2] / 40;

  /** Keeps the view as wide as the window is, no larger than the picture, and on it. */
  const settle = ([x, y, w]) => {
    const box = stage.getBoundingClientRect();
    const shape = box.height / Math.max(box.width, 1);
    const widest = Math.max(whole[2], whole[3] / shape);
    const width = Math.min(Math.max(w, smallest()), widest);
    const height = width * shape;
    const within = (at, size, all) => (size > all ? (all - size) / 2 : Math.min(Math.max(at, 0), all - size));
    view = [within(x, width, whole[2]), within(y, height, whole[3]), width, height];
    show();
  };
  const zoom = (factor, px = 0.5, py = 0.5) => {
    const before = view;
    const width = Math.min(Math.max(before[2] / factor, smallest()), Math.max(whole[2], before[2]));
    const k = width / before[2];
    settle([before[0] + px * before[2] * (1 - k), before[1] + py * before[3] * (1 - k), width]);
  };
  const move = (dx, dy) => settle([view[0] + dx * view[2], view[1] + dy * view[3], view[2]]);
  const all = () => settle([0, 0, Infinity]);

  /** The picture with its marks in full resolution, where it lies beside the page: laid over the small one once it is here. */
  const sharpen = (address, picture) => {
    const full = new Image();
    full.onload = () => {
      if (!stage.contains(picture)) return;
      const factor = whole[2] / full.naturalWidth;
      const image = document.createElementNS(stage.namespaceURI, "image");
      image.setAttribute("href", address);
      image.setAttribute("width", whole[2]);
      image.setAttribute("height", full.naturalHeight * factor);
      stage.replaceChildren(image);
      // The full picture has its legend below it.
      const shows_all = view[2] >= whole[2] && view[3] >= whole[3];
      whole[3] = full.naturalHeight * factor;
      if (shows_all) all();
      else settle(view);
    };
    full.src = address;
  };

  const open = (link) => {
    const source = document.querySelector(`#${link.dataset.picture} svg`);
    if (!source) return false;
    const { width, height } = source.viewBox.baseVal;
    whole = [0, 0, width, height];
    stage.replaceChildren(...[...source.childNodes].map((n) => n.cloneNode(true)));
    stage.setAttribute("aria-label", source.getAttribute("aria-label"));
    title.textContent = link.dataset.title;
    view = [0, 0, width, height];
    dialog.showModal();
    const [x, y, size] = (link.dataset.at || "").split(" ").map(Number);
    if (size) {
      settle([x - size / 2, y, size]);
      settle([x - view[2] / 2, y - view[3] / 2, view[2]]);
    } else all();
    if (link.dataset.full) sharpen(link.dataset.full, stage.firstChild);
    stage.focus();
    return true;
  };

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-picture]");
    const plain = event.button === 0 && !event.ctrlKey && !event.metaKey && !event.shiftKey;
    if (link && plain && open(link)) event.preventDefault();
  });
  const acts = { in: () => zoom(1.6), out: () => zoom(1 / 1.6), all, close: () => dialog.close() };
  dialog.addEventListener("click", (event) => {
    const act = acts[event.target.dataset.act];
    if (act) act();
  });
  const keys = {
    "+": acts.in, "=": acts.in, "-": acts.out, "0": all,
    ArrowLeft: () => move(-0.15, 0), ArrowRight: () => move(0.15, 0), ArrowUp: () => move(0, -0.15), ArrowDown: () => move(0, 0.15),
  };
  dialog.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });
  addEventListener("resize", () => dialog.open && settle(view));

  const place = (event) => {
    const box = stage.getBoundingClientRect();
    return [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
  };
  stage.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(Math.exp(-event.deltaY / 400), ...place(event));
  }, { passive: false });
  stage.addEventListener("dblclick", (event) => zoom(2, ...place(event)));
  stage.addEventListener("pointerdown", (event) => {
    stage.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, place(event));
    spread = undefined;
  });
  stage.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = place(event);
    fingers.set(event.pointerId, now);
    if (fingers.size === 1) return move(before[0] - now[0], before[1] - now[1]);
    const [a, b] = [...fingers.values()];
    const apart = Math.hypot(a[0] - b[0], a[1] - b[1]);
    if (spread) zoom(apart / spread, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
    spread = apart;
  });
  for (const end of ["pointerup", "pointercancel"])
    stage.addEventListener(end, (event) => {
      fingers.delete(event.pointerId);
      spread = undefined;
    });
})();
