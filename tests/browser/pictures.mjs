// Makes the pictures of README.md from results of the demo series:
//   node pictures.mjs RESULTS DOCS      (BREAKFACE_BIN: the program, CHROMIUM: the browser; run where playwright-core is installed)
// RESULTS comes from `breakface classify fixtures/demo/series.csv --out RESULTS`; DOCS gets report-answer.png,
// report-specimen.jpg and review.jpg.

import { spawn } from "node:child_process";
import { join, resolve } from "node:path";
import { chromium } from "playwright-core";

const [results, docs] = process.argv.slice(2).map((p) => resolve(p));
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox"] });

async function report() {
  const page = await browser.newPage({ viewport: { width: 1100, height: 620 } });
  await page.goto(`file://${join(results, "report.html")}`);
  await page.screenshot({ path: join(docs, "report-answer.png") });
  await page.locator("article", { has: page.getByRole("heading", { name: "TC-P07-A" }) }).first().screenshot({ path: join(docs, "report-specimen.jpg"), quality: 70 });
}

async function review() {
  const server = spawn(process.env.BREAKFACE_BIN, ["review", results, "--no-open"]);
  const address = await new Promise((found, failed) => {
    let said = "";
    const hear = (text) => {
      said += text;
      const match = /http:\/\/\S+/.exec(said);
      if (match) found(match[0]);
    };
    server.stdout.on("data", hear);
    server.stderr.on("data", hear);
    server.on("exit", () => failed(new Error(`the review page did not start: ${said}`)));
  });
  const page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
  await page.goto(address);
  await page.waitForSelector("#path li, #path p");
  await page.selectOption("#order", "doubt");
  await page.waitForLoadState("networkidle");
  await page.waitForTimeout(500);
  await page.screenshot({ path: join(docs, "review.jpg"), quality: 70 });
  server.removeAllListeners("exit");
  server.kill("SIGINT");
}

await report();
await review();
await browser.close();
