// The marks of the ends: the same forms and colours as on the overlays. Colours: Okabe and Ito 2008.

export const COLOURS = { sheared: "#56b4e9", tensile: "#f36e21", unclear: "#f0e442", not_an_end: "#999999", undecided: "#cccccc" };

// Drawn around the tip, the fibre coming from the left, 10 units wide: a flat bar, a round cap, an open diamond, a cross;
// an open ring where nothing is decided yet.
const FORMS = {
  sheared: "M-12 0H0M0-9V9",
  tensile: "M-12 0H-3M-3-8A8 8 0 0 1-3 8",
  unclear: "M-14 0H-7M-7 0L0-7L7 0L0 7Z",
  not_an_end: "M-6-6L6 6M-6 6L6-6",
  undecided: "M-14 0H-5M5 0A5 5 0 1 1-5 0A5 5 0 1 1 5 0",
};

const NS = "http://www.w3.org/2000/svg";

export function svg(name, attributes = {}, ...children) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

/** A mark with a dark and light rim, so that it is seen on any ground. */
export function mark(label, axis) {
  const form = FORMS[label] ?? FORMS.undecided;
  const line = (stroke, width) =>
    svg("path", { d: form, fill: "none", stroke, "stroke-width": width, "stroke-linecap": "round", "stroke-linejoin": "round", "vector-effect": "non-scaling-stroke" });
  const turned = svg("g", axis === null || axis === undefined ? {} : { transform: `rotate(${axis})` });
  turned.append(line("#000", 5), line("#fff", 3.75), line(COLOURS[label] ?? COLOURS.undecided, 2.25));
  return turned;
}

/** Fills the small glyphs of buttons and legend; fibres point up there. */
export function fillGlyphs() {
  for (const place of document.querySelectorAll("svg[data-glyph]")) {
    place.setAttribute("viewBox", "-12 -11 24 24");
    place.setAttribute("aria-hidden", "true");
    place.replaceChildren(mark(place.dataset.glyph, -90));
  }
}
