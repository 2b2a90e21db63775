// What the browser tests share: captures made by the programs, pages opened in Debian's chromium.
// Nothing is fetched: a page is opened from disk, and every request and every word on the console
// is kept to be looked at.
import { execFileSync } from "node:child_process";
import fs from "node:fs";
import { createRequire } from "node:module";
import os from "node:os";
import path from "node:path";
import { pathToFileURL } from "node:url";

const { chromium } = createRequire(import.meta.url)("playwright-core");

const programs = process.env.BYTEWITNESS_BINARY_DIR ?? path.resolve(import.meta.dirname ?? ".", "../../build");
export const bytewitness = path.join(programs, "bin", "bytewitness");

export const folder = fs.mkdtempSync(path.join(os.tmpdir(), "bytewitness-browser-"));
process.on("exit", () => fs.rmSync(folder, { recursive: true, force: true }));

export const inFolder = (name) => path.join(folder, name);

export function run(...words) {
  return execFileSync(bytewitness, words, { encoding: "utf8", cwd: folder, stdio: ["ignore", "pipe", "pipe"] });
}

// events: [{at_ns, side, text | hex} or {at_ns, kind: "note", text}]
export function makeCapture(name, events, ...words) {
  const lines = inFolder("events.jsonl");
  fs.writeFileSync(lines, events.map((e) => JSON.stringify(e) + "\n").join(""));
  run("import", "--from", "jsonl", lines, "-o", inFolder(name), "--replace", ...words);
  return inFolder(name);
}

export function makePage(name, ...words) {
  run("exhibit", ...words, "-o", inFolder(name));
  return inFolder(name);
}

let browser;
export async function launch() {
  browser ??= await chromium.launch({
    executablePath: "/usr/bin/chromium",
    args: ["--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
      "--disable-component-update", "--disable-sync", ...(process.getuid() === 0 ? ["--no-sandbox"] : [])],
  });
  return browser;
}
export async function closeBrowser() { await browser?.close(); }

// A page with its record on screen. `problems`: what the console said, errors and dialogs;
// `requests`: everything that was asked for beside the page itself.
export async function open(file, { hash = "", ...looks } = {}) {
  const context = await (await launch()).newContext({
    viewport: { width: 1400, height: 1000 }, acceptDownloads: true, ...looks,
  });
  const page = await context.newPage();
  const url = pathToFileURL(file).href;
  page.problems = [];
  page.requests = [];
  page.on("console", (m) => page.problems.push(m.text()));
  page.on("pageerror", (e) => page.problems.push(String(e.stack)));
  page.on("dialog", (d) => {
    page.problems.push(`dialog: ${d.message()}`);
    d.dismiss();
  });
  page.on("request", (r) => {
    if (r.url().split("#")[0] !== url && !r.url().startsWith("blob:null/")) page.requests.push(r.url().slice(0, 100));
  });
  await page.goto(url + hash);
  await page.waitForSelector('html[data-ready="yes"]', { state: "attached", timeout: 120000 });
  return page;
}

// The page's policy lets nothing be evaluated in it later on, so the waiting is done here.
export async function until(page, holds, what) {
  for (const end = Date.now() + 20000; Date.now() < end;) {
    if (await page.evaluate(holds, what)) return;
    await settled(page);
  }
  throw new Error(`it never came: ${holds}`);
}

// What is drawn waits for the next frame.
export const settled = (page) =>
  page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done()))));
