// The report page in a real browser: opens from a file, asks nothing of the network, reads well on screens and paper.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { copyFileSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { check, open } from "./page.mjs";
import { BIN, serve } from "./scene.mjs";

const quietly = { stdio: ["ignore", "ignore", "pipe"] };
const SIZES = [[1440, 900], [390, 844]];

/** Results of the first picture of each of the ten specimens of the demo series, with its series table or without. */
function results(folder, { table = true, only = /_1\.jpg$/ } = {}) {
  const [header, ...rows] = readFileSync(join(process.env.BREAKFACE_DEMO, "series.csv"), "utf8").trim().split(/\r?\n/);
  const chosen = rows.filter((r) => only.test(r.split(",")[0]));
  const pictures = join(folder, "pictures");
  mkdirSync(pictures);
  for (const name of chosen.map((r) => r.split(",")[0])) copyFileSync(join(process.env.BREAKFACE_DEMO, name), join(pictures, name));
  if (table) writeFileSync(join(pictures, "series.csv"), [header, ...chosen, ""].join("\n"));
  const out = join(folder, "results");
  const input = table ? [join(pictures, "series.csv")] : [pictures, "--um-per-px", "1.18154"];
  execFileSync(BIN, ["classify", ...input, "--out", out, "--quiet"], quietly);
  return join(out, "report.html");
}

/** The page in every size and colour scheme: nothing sticks out, nothing for axe to say. */
async function looks_well(browser, file) {
  for (const [width, height] of SIZES)
    for (const colorScheme of ["light", "dark"]) {
      const page = await open(browser, `file://${file}`, { viewport: { width, height }, colorScheme }, false);
      const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      assert.ok(overflow <= 0, `${width} px: the page is ${overflow} px too wide`);
      assert.ok((await page.textContent("h1")).length > 0);
      await check(page, { axe: "all", keepOpen: true });
      await page.emulateMedia({ media: "print" });
      await check(page, { axe: "all" });
    }
}

/** Every link within the page brings its target to the top of the window, or as far as the page goes. */
async function links_land(page) {
  const targets = await page.$$eval("a[href^='#']:not(.skip):not([data-picture])", (all) => all.map((a, i) => ((a.dataset.nth = i), a.getAttribute("href"))));
  assert.ok(targets.length > 5);
  for (const [i, target] of targets.entries()) {
    await page.evaluate((i) => document.querySelector(`a[data-nth="${i}"]`).click(), i);
    const off = await page.evaluate(async (target) => {
      await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
      const atEnd = scrollY + innerHeight >= document.documentElement.scrollHeight - 1;
      const top = document.querySelector(target).getBoundingClientRect().top;
      return atEnd ? Math.max(0, -top) : Math.abs(top);
    }, target);
    assert.ok(off < 2, `${target} is ${off} px off`);
  }
}

/** Pages of the print. */
async function printed_pages(page) {
  const pdf = await page.pdf({ preferCSSPageSize: true });
  return pdf.toString("latin1").match(/\/Type\s*\/Page\b(?!s)/g).length;
}

async function report_of_ten_specimens({ browser, folder }) {
  const file = results(folder);
  await looks_well(browser, file);
  const page = await open(browser, `file://${file}`, {}, false);
  await links_land(page);
  const heads = await page.$$eval(".answer tr.group", (rows) => rows.map((r) => r.textContent));
  assert.match(heads[0], /^Knots in .*, from least to most sheared$/);
  assert.equal(heads.at(-1), "Controls");
  assert.equal(await page.$$eval(".answer .rank", (r) => r.map((x) => x.textContent.trim()).join(" ")), "1. 2.");
  const pages = await printed_pages(page);
  assert.ok(pages < 12, `${pages} printed pages`);
  await check(page);
}

const view = (page) => page.$eval("#viewer svg", (svg) => svg.getAttribute("viewBox").split(" ").map(Number));

async function viewer_opens_the_marked_picture({ browser, folder }) {
  const file = results(folder, { only: /^TC-(P07|S01)-A_1/ });
  for (const [width, height] of SIZES) {
    const page = await open(browser, `file://${file}`, { viewport: { width, height } }, false);
    // A picture opens as a whole, in full resolution.
    await page.click(".face a.zoom");
    await page.waitForFunction(() => document.querySelector("#viewer image").getAttribute("href").endsWith("TC-P07-A_1.jpg.jpg"));
    const whole = await view(page);
    await page.keyboard.press("+");
    const near = await view(page);
    assert.ok(near[2] < whole[2] * 0.7, "zooms in");
    await page.keyboard.press("ArrowRight");
    assert.ok((await view(page))[0] > near[0], "moves");
    await page.keyboard.press("0");
    assert.deepEqual((await view(page)).map(Math.round), whole.map(Math.round));
    // The wheel zooms about the pointer: what lies under it stays there.
    const box = await (await page.$("#viewer svg")).boundingBox();
    const under = async () => {
      const [x, y, w, h] = await view(page);
      return [x + 0.5 * w, y + 0.5 * h];
    };
    const before = await under();
    await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
    await page.mouse.wheel(0, -300);
    await page.waitForFunction((w) => document.querySelector("#viewer svg").viewBox.baseVal.width < w * 0.9, whole[2]);
    const after = await under();
    assert.ok(Math.hypot(after[0] - before[0], after[1] - before[1]) < 2, "the middle stays");
    await check(page, { axe: "all", keepOpen: true });
    await page.keyboard.press("Escape");
    assert.equal(await page.$eval("#viewer", (d) => d.open), false);
    // An end of the gallery opens close up.
    await page.click(".gallery a.zoom");
    assert.match(await page.textContent("#viewer-title"), /, end \d+$/);
    assert.ok((await view(page))[2] < whole[2] * 0.9, "close up");
    await page.click("#viewer button[data-act=close]");
    await check(page);
  }
}

async function links_lead_to_pictures_without_a_script({ browser, folder }) {
  const file = results(folder, { only: /^TC-P07-A_1/ });
  const page = await open(browser, `file://${file}`, { javaScriptEnabled: false }, false);
  await page.click(".gallery a.zoom");
  await page.waitForURL(/overlays\/TC-P07-A_1\.jpg\.jpg$/);
  await check(page);
}

/** What `train` writes beside a model: the tree and its figures. */
async function page_of_a_model({ browser, folder }) {
  const file = results(folder, { only: /^TC-(B01|S01)-A_[12]/ });
  const model = join(folder, "own.json");
  execFileSync(BIN, ["train", join(file, ".."), "--controls", "--out", model], quietly);
  const page = join(folder, "own.html");
  await looks_well(browser, page);
  const opened = await open(browser, `file://${page}`, {}, false);
  const text = await opened.textContent("main");
  assert.ok(!/within about 0 spreads|From ([\d.]+) to \1 there/.test(text), text);
  await check(opened);
}

/** The review page of a real run, with the networks' ends and real pictures. */
async function review_of_a_real_run({ browser, folder }) {
  const file = results(folder, { only: /^TC-(P07|S01)-A_1/ });
  const server = await serve({ folder: join(file, ".."), pictures: join(folder, "pictures") });
  for (const [width, height] of SIZES)
    for (const colorScheme of ["light", "dark"]) {
      const page = await open(browser, server.address, { viewport: { width, height }, colorScheme });
      const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      assert.ok(overflow <= 0, `${width} px: the page is ${overflow} px too wide`);
      await check(page, { axe: "all" });
    }
  await server.stop();
}

async function folder_without_a_series_table({ browser, folder }) {
  const file = results(folder, { table: false, only: /^TC-(P07|C04|B01|S01)-A_1/ });
  await looks_well(browser, file);
  const page = await open(browser, `file://${file}`, {}, false);
  await links_land(page);
  assert.equal(await page.$$eval(".answer tbody tr:not(.group)", (rows) => rows.length), 4, "one table of all specimens");
  const text = await page.textContent("main");
  assert.ok(!/dress the knot|choose another knot/i.test(text), "no advice about knots that nobody named");
  assert.equal(await page.$$eval(".answer .rank", (r) => r.length), 0, "no ranks");
  await check(page);
}

export const tests = [
  ["report of ten specimens", report_of_ten_specimens],
  ["report: the viewer opens the marked picture", viewer_opens_the_marked_picture],
  ["report: links lead to pictures without a script", links_lead_to_pictures_without_a_script],
  ["report of a folder without a series table", folder_without_a_series_table],
  ["page of a model", page_of_a_model],
  ["review of a real run", review_of_a_real_run],
];
