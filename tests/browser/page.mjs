// Opening a page and checking it: no console errors, no requests to elsewhere, no serious findings of axe-core.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

/** Opens an address; what goes wrong in the page is gathered until `check`. */
export async function open(browser, address, options = {}, review = true) {
  const context = await browser.newContext({ viewport: { width: 1440, height: 900 }, reducedMotion: "reduce", ...options });
  const page = await context.newPage();
  page.setDefaultTimeout(15_000);
  page.wrong = [];
  page.expected = [];
  page.on("console", (m) => m.type() === "error" && page.wrong.push(m.text()));
  page.on("pageerror", (e) => page.wrong.push(e.stack));
  const home = address.startsWith("http") ? new URL(address).origin : "file://";
  page.on("request", (r) => /^(blob|data):/.test(r.url()) || r.url().startsWith(home) || page.wrong.push(`asks elsewhere: ${r.url()}`));
  await page.goto(address);
  if (review) await page.waitForSelector("body[data-ready]");
  if (review) await page.waitForSelector("#close image[href]");
  return page;
}

/** Fails on anything that went wrong, then closes the page. `axe`: true = nothing serious, "all" = nothing at all. */
export async function check(page, { axe: wanted = false, keepOpen = false } = {}) {
  if (wanted) {
    // Evaluated by the browser's debugger, which the page's own policy does not bind.
    await page.evaluate(axe);
    const found = await page.evaluate(async () => (await window.axe.run(document, { resultTypes: ["violations"] })).violations);
    const serious = found.filter((v) => wanted === "all" || ["serious", "critical"].includes(v.impact));
    const told = serious.map((v) => `${v.id}: ${v.help}: ${v.nodes.map((n) => `${n.target} ${n.failureSummary?.replaceAll("\n", " ")}`).slice(0, 4).join(" | ")}`);
    assert.deepEqual(told, [], "axe-core");
  }
  const wrong = page.wrong.filter((w) => !page.expected.some((e) => e.test(w)));
  assert.deepEqual(wrong, [], "console");
  if (!keepOpen) await page.context().close();
}
