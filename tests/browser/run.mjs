// Runs all browser tests and ends with "N passed, N failed".
// Needs BREAKFACE_BIN (the program) and CHROMIUM (default /usr/bin/chromium).

import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { chromium } from "playwright-core";
import { tests as review } from "./review.mjs";
import { tests as wire } from "./wire.mjs";
import { tests as report } from "./report.mjs";
import { stopAll } from "./scene.mjs";

if (!process.env.BREAKFACE_BIN) {
  console.error("BREAKFACE_BIN is not set: the path of the program to test");
  process.exit(2);
}
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox"] });
const only = process.argv[2] ?? "";
let [passed, failed] = [0, 0];
for (const [name, test] of [...wire, ...review, ...report]) {
  if (!name.includes(only)) continue;
  const folder = mkdtempSync(join(tmpdir(), "breakface-browser-"));
  const start = Date.now();
  try {
    await test({ browser, folder });
    passed += 1;
    console.log(`ok      ${name} (${((Date.now() - start) / 1000).toFixed(1)} s)`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED  ${name}\n${error.stack}`);
  }
  stopAll();
  rmSync(folder, { recursive: true, force: true });
}
await browser.close();
console.log(`${passed} passed, ${failed} failed`);
process.exit(failed ? 1 : 0);
