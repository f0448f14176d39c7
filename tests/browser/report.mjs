// The report page in a real browser: opens from a file, asks nothing of the network, reads well.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { existsSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { check, open } from "./page.mjs";
import { BIN } from "./scene.mjs";

const DEMO = fileURLToPath(new URL("../../fixtures/demo/series.csv", import.meta.url));

async function report_of_the_demo_series({ browser, folder }) {
  const results = process.env.BREAKFACE_DEMO_RESULTS ?? join(folder, "results");
  if (!existsSync(join(results, "ends.csv"))) execFileSync(BIN, ["classify", DEMO, "--out", results, "--quiet"], { stdio: ["ignore", "ignore", "pipe"] });
  const file = join(folder, "report.html");
  execFileSync(BIN, ["report", results, "--out", file], { stdio: ["ignore", "ignore", "pipe"] });
  for (const width of [1440, 390])
    for (const colorScheme of ["light", "dark"]) {
      const page = await open(browser, `file://${file}`, { viewport: { width, height: 900 }, colorScheme }, false);
      assert.ok(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth) <= 0, `${width} px: too wide`);
      assert.ok((await page.textContent("h1")).length > 0);
      await check(page, { axe: true });
    }
}

export const tests = [["report of the demo series", report_of_the_demo_series]];
