// A small results folder with pictures drawn here, and the review server on it: what the tests look at.

import { spawn } from "node:child_process";
import { mkdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";

export const BIN = process.env.BREAKFACE_BIN;

/** Numbers that look random and are the same every time (Numerical Recipes' linear congruential generator). */
function numbers(seed) {
  let state = seed >>> 0;
  return () => (state = (Math.imul(state, 1664525) + 1013904223) >>> 0) / 2 ** 32;
}

/** A picture with fibres that end in it, as BMP bytes, and the ends in it. Not square, on purpose. */
function draw(width, height, count, seed) {
  const random = numbers(seed);
  const grey = new Uint8Array(width * height);
  for (let i = 0; i < grey.length; i++) grey[i] = 40 + 14 * random();
  const ends = [];
  const columns = Math.ceil(Math.sqrt((count * width) / height));
  const rows = Math.ceil(count / columns);
  for (let i = 0; i < count; i++) {
    const d = 12 + 8 * random();
    const x = (((i % columns) + 0.5) * width) / columns + 3 * random();
    const y = ((Math.floor(i / columns) + 0.5) * height) / rows + 3 * random();
    const axis = -90 + 70 * (random() - 0.5);
    const capped = random() < 0.5;
    const [c, s] = [Math.cos((axis * Math.PI) / 180), Math.sin((axis * Math.PI) / 180)];
    const length = Math.min(6 * d, (0.8 * height) / rows);
    for (let back = 0; back < length; back += 0.5) {
      const half = capped && back < d ? 0.8 * d : 0.5 * d;
      for (let across = -half; across <= half; across += 0.5) {
        const [px, py] = [Math.round(x - c * back - s * across), Math.round(y - s * back + c * across)];
        if (px < 0 || py < 0 || px >= width || py >= height) continue;
        grey[py * width + px] = 235 - 90 * (Math.abs(across) / half) ** 2;
      }
    }
    ends.push({ x, y, axis, d, capped, p: capped ? 0.02 + 0.5 * random() : 0.98 - 0.5 * random() });
  }
  return { bytes: bmp(width, height, grey), ends: ends.sort((a, b) => a.y - b.y || a.x - b.x) };
}

function bmp(width, height, grey) {
  const line = Math.ceil((width * 3) / 4) * 4;
  const bytes = Buffer.alloc(54 + line * height);
  bytes.write("BM");
  bytes.writeUInt32LE(bytes.length, 2);
  bytes.writeUInt32LE(54, 10);
  bytes.writeUInt32LE(40, 14);
  bytes.writeInt32LE(width, 18);
  bytes.writeInt32LE(height, 22);
  bytes.writeUInt16LE(1, 26);
  bytes.writeUInt16LE(24, 28);
  for (let y = 0; y < height; y++)
    for (let x = 0; x < width; x++) bytes.fill(grey[y * width + x], 54 + (height - 1 - y) * line + x * 3, 54 + (height - 1 - y) * line + x * 3 + 3);
  return bytes;
}

const csv = (header, rows) => [header, ...rows].map((r) => r.join(",") + "\r\n").join("");
const word = (p) => (p > 0.6 ? "sheared" : p < 0.4 ? "tensile" : "unclear");

/** Writes pictures and tables; `counts` = ends of each picture. Returns where they are. */
export function results(folder, counts) {
  const pictures = join(folder, "pictures");
  mkdirSync(pictures, { recursive: true });
  const [images, ends] = [[], []];
  counts.forEach((count, n) => {
    const name = `tern cove ${n + 1}.bmp`;
    const specimen = `TC-P0${n + 1}-A`;
    const scene = draw(900, 640, count, 17 + n);
    writeFileSync(join(pictures, name), scene.bytes);
    images.push([name, specimen, "knot", n % 2 ? "palomar" : "clinch", 0.9, 900, 640, count, "done", "yes"]);
    scene.ends.forEach((e, i) =>
      ends.push([name, specimen, i + 1, 1 + (i % 3), e.x.toFixed(2), e.y.toFixed(2), e.axis.toFixed(2), e.d.toFixed(2), (e.d * 0.9).toFixed(2), e.capped ? 1.6 : 1.02, e.capped ? "" : 12.5, 0.05, word(e.p), e.p.toFixed(3), 0.9, word(e.p) === "unclear" ? "could be either" : "", "yes"]));
  });
  writeFileSync(join(folder, "images.csv"), csv(["image", "specimen", "kind", "knot", "um_per_px", "width_px", "height_px", "n_found", "status", "counted"], images));
  writeFileSync(join(folder, "ends.csv"), csv(["image", "specimen", "end", "carrier", "x_px", "y_px", "axis_deg", "shaft_diameter_px", "shaft_diameter_um", "bulb_ratio", "cut_angle_deg", "flatness", "label", "p_sheared", "quality", "reason", "counted"], ends));
  return { folder, pictures };
}

const running = new Set();

/** Ends what a failed test has left running. */
export function stopAll() {
  for (const child of running) child.kill("SIGKILL");
}

/** Starts the review server; resolves with its address once it is printed.
 *  `fileLimit`: no file may grow beyond 1 KiB, which to the program is the same as a full disk. */
export function serve({ folder, pictures }, extra = [], { fileLimit = false } = {}) {
  const words = ["review", folder, "--no-open", "--pictures", pictures, ...extra];
  const child = fileLimit ? spawn("sh", ["-c", `trap '' XFSZ; ulimit -f 2; exec "$0" "$@"`, BIN, ...words]) : spawn(BIN, words);
  running.add(child);
  child.on("exit", () => running.delete(child));
  return new Promise((resolve, reject) => {
    let [out, err] = ["", ""];
    child.stderr.on("data", (d) => (err += d));
    child.on("exit", (code) => reject(new Error(`review ended with ${code}: ${err}`)));
    child.stdout.on("data", (d) => {
      out += d;
      const address = out.match(/^(http:\S+)\s/m)?.[1];
      if (!address) return;
      const { origin, port, searchParams } = new URL(address);
      const ended = new Promise((done) => child.on("exit", done));
      const stop = (signal = "SIGKILL") => (child.kill(signal), ended);
      resolve({ address, origin, port: Number(port), token: searchParams.get("token"), stop });
    });
  });
}
