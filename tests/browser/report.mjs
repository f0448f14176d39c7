// The report page in a real browser: opens from a file, asks nothing of the network, reads well.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { copyFileSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { check, open } from "./page.mjs";
import { BIN } from "./scene.mjs";

const quietly = { stdio: ["ignore", "ignore", "pipe"] };

/** Results of three pictures of the demo series: a cut, a pull and a knot. */
function demo_results(folder) {
  const [header, ...rows] = readFileSync(join(process.env.BREAKFACE_DEMO, "series.csv"), "utf8").trim().split(/\r?\n/);
  const firsts = rows.filter((r) => /^TC-(S01|B01|P07)-A_1\.jpg,/.test(r));
  assert.equal(firsts.length, 3, "pictures of the demo series");
  const pictures = join(folder, "pictures");
  mkdirSync(pictures);
  for (const name of firsts.map((r) => r.split(",")[0])) copyFileSync(join(process.env.BREAKFACE_DEMO, name), join(pictures, name));
  writeFileSync(join(pictures, "series.csv"), [header, ...firsts, ""].join("\n"));
  const results = join(folder, "results");
  execFileSync(BIN, ["classify", join(pictures, "series.csv"), "--out", results, "--quiet"], quietly);
  return results;
}

async function report_of_the_demo_series({ browser, folder }) {
  const file = join(folder, "report.html");
  execFileSync(BIN, ["report", demo_results(folder), "--out", file], quietly);
  for (const width of [1440, 390])
    for (const colorScheme of ["light", "dark"]) {
      const page = await open(browser, `file://${file}`, { viewport: { width, height: 900 }, colorScheme }, false);
      const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      assert.ok(overflow <= 0, `${width} px: the page is ${overflow} px too wide`);
      assert.ok((await page.textContent("h1")).length > 0);
      await check(page, { axe: true });
    }
}

export const tests = [["report of the demo series", report_of_the_demo_series]];
