// The exhibit in a real browser, opened from disk: what a person does with it, by pointer, by keys
// and by screen reader; what it must never do. Run by ctest; by hand: node exhibit_test.mjs
import assert from "node:assert/strict";
import { createHash } from "node:crypto";
import fs from "node:fs";
import { after, test } from "node:test";
import { closeBrowser, makeCapture, makePage, open, run, settled, until } from "./bench.mjs";
import { EVIL, hostile, otherSedge, sedge, trial } from "./samples.mjs";

after(closeBrowser);

const capture = sedge();
const pageFile = makePage("sedge-c.html", capture);
const quiet = (page) => {
  assert.deepEqual(page.problems, []);
  assert.deepEqual(page.requests, []);
};
const caption = (page) => page.textContent(".timeline figcaption");
const chosen = (page) => page.textContent(".detail h4");

test("opens from disk, says what was recorded, asks for nothing and complains of nothing", async () => {
  const page = await open(pageFile);
  assert.match(await page.title(), /Sedge C on the bench/);
  const text = await page.innerText("main");
  for (const words of ["9600 8N1", "SHA-256", "imported from another form", "The module echoes commands",
    "How long things took", "Turnaround"]) assert.ok(text.includes(words), words);
  const digest = createHash("sha256").update(fs.readFileSync(capture)).digest("hex");
  assert.ok(text.includes(digest));
  quiet(page);
});

test("zooms from the whole day to single characters and pans", async () => {
  const page = await open(pageFile);
  const whole = await caption(page);
  assert.match(whole, /1 d/);
  const canvas = page.locator(".timeline canvas");
  const drawn = () => page.evaluate(() => document.querySelector(".timeline canvas").toDataURL());
  const first = await drawn();
  await page.click("[data-zoom=in]");
  await settled(page);
  assert.notEqual(await caption(page), whole);
  assert.notEqual(await drawn(), first);
  await page.click("[data-zoom=all]");
  await settled(page);
  assert.equal(await caption(page), whole);
  await canvas.evaluate((e) => e.scrollIntoView({ block: "start" }));
  const box = await canvas.boundingBox();
  await page.mouse.move(box.x + 200, box.y + 20);
  // What the wheel does comes some frames later.
  for (let i = 0; i < 500 && !/: \S+ ms,/.test(await caption(page)); ++i) {
    await page.mouse.wheel(0, -600);
    await settled(page);
  }
  assert.match(await caption(page), /: \S+ ms,/);
  const near = await caption(page);
  await page.mouse.move(box.x + 200, box.y + 300);
  await page.mouse.down();
  await page.mouse.move(box.x + 200, box.y + 100, { steps: 4 });
  await page.mouse.up();
  await until(page, (was) => document.querySelector(".timeline figcaption").textContent !== was, near);
  quiet(page);
});

test("list and time-line lead to each other", async () => {
  const page = await open(pageFile);
  await page.click('.row[data-row="3"]');
  assert.match(await chosen(page), /^No\. 4/);
  const before = await caption(page);
  await page.keyboard.press("Enter");
  await settled(page);
  assert.notEqual(await caption(page), before);
  const chosenByList = await chosen(page);
  const box = await page.locator(".timeline canvas").boundingBox();
  await page.mouse.click(box.x + box.width / 2 + 20, box.y + box.height * 0.85);
  await settled(page);
  assert.notEqual(await chosen(page), chosenByList);
  assert.equal(await page.locator('.row[aria-selected="true"]').count(), 1);
  quiet(page);
});

test("finds text and hex, across reads, forwards and back", async () => {
  const page = await open(pageFile);
  await page.fill("#search-text", "+JOIN: 3\\r");
  assert.equal(await page.textContent("#search-said"), "1");
  await page.click("#search-next");
  assert.match(await chosen(page), /unasked line/);
  assert.ok((await page.locator("mark").count()) >= 1);
  await page.fill("#search-text", "sedge-c");
  assert.equal(await page.textContent("#search-said").then((t) => t.replace(/^.* of /, "")), "2");
  await page.click("#search-before");
  await page.check("#search-hex");
  await page.fill("#search-text", "4f 4b 0d");
  assert.match(await page.textContent("#search-said"), /5$/);
  await page.fill("#search-text", "4f4");
  assert.match(await page.textContent("#search-said"), /pairs/);
  await page.fill("#search-text", "00 01 02");
  assert.equal(await page.textContent("#search-said"), "not found");
  quiet(page);
});

test("switches between text and hex; endings are framed signs that copy as control pictures", async () => {
  const page = await open(pageFile);
  const row = page.locator('.row .host').first();
  assert.equal(await row.evaluate((e) => e.textContent), "AT\u240d");
  const sign = row.locator(".sign");
  assert.equal(await sign.getAttribute("aria-label"), "CR");
  assert.equal(await sign.evaluate((e) => getComputedStyle(e, "::before").content), '"CR"');
  assert.ok((await sign.boundingBox()).width > 6);
  const tops = await page.locator(".row").first().evaluate((line) => [".at", ".body", ".tail"].map((part) => {
    const range = document.createRange();
    range.selectNodeContents(line.querySelector(part));
    return range.getBoundingClientRect().top;
  }));
  assert.ok(Math.max(...tops) - Math.min(...tops) < 1, `one line of writing: ${tops}`);
  const copied = await page.evaluate(() => {
    const range = document.createRange();
    range.selectNodeContents(document.querySelector(".row .host"));
    getSelection().removeAllRanges();
    getSelection().addRange(range);
    return getSelection().toString();
  });
  assert.equal(copied, "AT\u240d");
  await page.check("#form input[value=hex]");
  await settled(page);
  assert.match(await page.locator(".row .host").first().textContent(), /^41 54 0d/);
  await page.keyboard.press("x");
  await settled(page);
  assert.match(await page.locator(".row .host").first().textContent(), /^AT/);
  quiet(page);
});

test("a link to a moment opens there; following one does too", async () => {
  const page = await open(pageFile, { hash: "#t=1.6" });
  assert.match(await chosen(page), /command 1/);
  await page.evaluate(() => { location.hash = "#t=4.2"; });
  await until(page, () => !document.querySelector(".detail h4").textContent.includes("command 1"));
  const link = await page.textContent(".detail .quote a");
  assert.match(link, /^#t=\d+\.\d+$/);
  await page.click(".findings .moment >> nth=0");
  await settled(page);
  assert.match(await chosen(page), /^No\./);
  await page.fill("#go-time", "1:00:00");
  await page.click("#go button");
  await settled(page);
  assert.match(await chosen(page), /silence|note|line event/);
  quiet(page);
});

test("the capture that is saved is the file, to the byte; verify agrees with the page", async () => {
  const page = await open(pageFile);
  const [download] = await Promise.all([page.waitForEvent("download"), page.click("[data-save]")]);
  assert.equal(download.suggestedFilename(), "sedge-c.witness");
  assert.ok(fs.readFileSync(await download.path()).equals(fs.readFileSync(capture)));
  assert.match(run("verify", pageFile), /as the page prints it/);
  quiet(page);
});

test("everything can be reached by keys alone", async () => {
  const page = await open(pageFile);
  await page.keyboard.press("Tab");
  assert.equal(await page.evaluate(() => document.activeElement.className), "skip");
  await page.keyboard.press("/");
  assert.equal(await page.evaluate(() => document.activeElement.id), "search-text");
  await page.keyboard.type("power");
  await page.keyboard.press("Enter");
  assert.match(await chosen(page), /command 5/);
  // Tab goes through all tools to the time-line, then to the list.
  const seen = [];
  for (let i = 0; i < 40 && !seen.includes("list"); ++i) {
    await page.keyboard.press("Tab");
    seen.push(await page.evaluate(() => document.activeElement.id || document.activeElement.className || document.activeElement.tagName));
    if (seen.at(-1) === "CANVAS") {
      const before = await caption(page);
      await page.keyboard.press("+");
      await settled(page);
      assert.notEqual(await caption(page), before);
      const nearer = await caption(page);
      await page.keyboard.press("ArrowDown");
      await settled(page);
      assert.notEqual(await caption(page), nearer);
      await page.keyboard.press("Home");
    }
  }
  assert.ok(seen.includes("CANVAS") && seen.includes("list"), seen.join(" "));
  await page.keyboard.press("Home");
  assert.match(await chosen(page), /^No\. 1:/);
  await page.keyboard.press("ArrowDown");
  assert.match(await chosen(page), /^No\. 2:/);
  await page.keyboard.press("End");
  const last = await chosen(page);
  await page.keyboard.press("PageUp");
  assert.notEqual(await chosen(page), last);
  await page.keyboard.press("x");
  assert.ok(await page.isChecked("#form input[value=hex]"));
  // Where the keys are can be seen.
  const outline = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle);
  assert.equal(outline, "solid");
  quiet(page);
});

test("a screen reader gets roles, names and words", async () => {
  const page = await open(pageFile);
  assert.equal(await page.getByRole("main").count(), 1);
  assert.equal(await page.getByRole("heading", { level: 1 }).count(), 1);
  const list = page.getByRole("listbox", { name: "What was said, in order" });
  await list.focus();
  await page.keyboard.press("Home");
  await settled(page);
  const active = await list.getAttribute("aria-activedescendant");
  const option = page.locator(`#${active}`);
  assert.equal(await option.getAttribute("role"), "option");
  const rows = Number(await option.getAttribute("aria-setsize"));
  assert.ok(rows > 20);
  await page.keyboard.press("ArrowDown");
  await page.keyboard.press("ArrowUp");
  assert.match(await page.textContent("#said"), /host, command: AT CR ; at 1\.600000 seconds/);
  assert.ok(await page.locator(".timeline canvas").getAttribute("aria-label"));
  // Every control has a name, every id is there once, no level of heading is left out.
  const faults = await page.evaluate(() => {
    const out = [];
    for (const e of document.querySelectorAll("button, input, canvas, svg, [role=img], [role=listbox]")) {
      const name = e.getAttribute("aria-label") || e.textContent.trim() ||
        [...(e.labels ?? [])].map((l) => l.textContent).join("").trim();
      if (!name) out.push("no name: " + e.outerHTML.slice(0, 80));
    }
    const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
    for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) out.push("twice: " + id);
    let level = 0;
    for (const h of document.querySelectorAll("h1, h2, h3, h4")) {
      const now = Number(h.tagName[1]);
      if (now > level + 1 && level > 0 && h.textContent) out.push("leap: " + h.textContent);
      if (h.textContent) level = now;
    }
    if (document.documentElement.lang !== "en") out.push("no language");
    return out;
  });
  assert.deepEqual(faults, []);
});

// Contrast of at least 4.5 : 1 for text: WCAG 2.2, 1.4.3, with its formula of relative luminance.
test("light, dark and more contrast: all text can be read", async () => {
  const papers = new Set();
  for (const colorScheme of ["light", "dark"]) {
    const page = await open(pageFile, { colorScheme });
    const worst = await page.evaluate(() => {
      const style = getComputedStyle(document.documentElement);
      const rgb = (name) => {
        const probe = document.createElement("i");
        probe.style.color = "";
        const hex = style.getPropertyValue(name).trim();
        const six = hex.length === 4 ? hex.replace(/[0-9a-f]/gi, "$&$&") : hex;
        return [1, 3, 5].map((i) => parseInt(six.slice(i, i + 2), 16) / 255);
      };
      const luminance = (c) => c.map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
        .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
      const ratio = (a, b) => {
        const [x, y] = [luminance(rgb(a)), luminance(rgb(b))].sort((p, q) => q - p);
        return (x + 0.05) / (y + 0.05);
      };
      const out = [];
      for (const ink of ["--ink", "--soft", "--host", "--module", "--other", "--mark"])
        for (const paper of ["--paper", "--leaf", "--chosen", "--warning-wash"])
          out.push([ratio(ink, paper), `${ink} on ${paper}`]);
      return out.sort((a, b) => a[0] - b[0])[0];
    });
    assert.ok(worst[0] >= 4.5, `${colorScheme}: ${worst}`);
    papers.add(await page.evaluate(() => getComputedStyle(document.body).backgroundColor));
    quiet(page);
  }
  assert.equal(papers.size, 2);
});

test("however long a row is, its ending is in sight", async () => {
  const long = makeCapture("long.witness", [
    { at_ns: 1e6, side: "host", text: "AT\r" },
    { at_ns: 9e6, side: "module", text: `${"+LIST: butt ".repeat(60)}\r\n` },
  ]);
  const page = await open(makePage("long.html", long), { viewport: { width: 700, height: 900 } });
  const cell = await page.locator(".row .module").boundingBox();
  const signs = page.locator(".row .module .tail .sign");
  assert.equal(await signs.count(), 2);
  const last = await signs.nth(1).boundingBox();
  assert.ok(last.width > 6 && last.x + last.width <= cell.x + cell.width + 1);
  quiet(page);
});

test("a narrow screen needs no sideways scrolling", async () => {
  for (const width of [360, 700, 1100]) {
    const page = await open(pageFile, { viewport: { width, height: 800 } });
    const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    assert.ok(over <= 0, `${width} px: ${over} px too wide`);
  }
});

test("on paper stands what was said, in words and with endings", async () => {
  const page = await open(pageFile);
  const pdf = await page.pdf({ format: "A4" });
  assert.ok(pdf.length > 10000);
  await page.evaluate(() => window.dispatchEvent(new Event("beforeprint")));
  await page.emulateMedia({ media: "print" });
  const printed = await page.innerText("#printed");
  for (const words of ["AT+SIGNAL?\u240d", "+SIGNAL: -71", "no.", "host", "module"]) assert.ok(printed.includes(words), words);
  assert.equal(await page.isVisible("#tools"), false);
  assert.equal(await page.isVisible(".list"), false);
  assert.ok(await page.isVisible("text=What was recorded"));
  quiet(page);
});

test("two captures stand side by side and share the time-line's scale", async () => {
  const page = await open(makePage("two.html", capture, otherSedge()));
  assert.equal(await page.locator(".pane").count(), 2);
  assert.match(await page.innerText("main"), /What is answered otherwise/i);
  const before = await page.locator(".timeline figcaption").allTextContents();
  await page.locator("canvas").nth(1).focus();
  await page.keyboard.press("+");
  await settled(page);
  const later = await page.locator(".timeline figcaption").allTextContents();
  assert.notEqual(later[0], before[0]);
  assert.notEqual(later[1], before[1]);
  const [download] = await Promise.all([page.waitForEvent("download"), page.click('[data-save="1"]')]);
  assert.equal(download.suggestedFilename(), "sedge-d.witness");
  quiet(page);
});

test("a trial's page has the table of variations and what was said in each that broke", async () => {
  const page = await open(makePage("trial.html", trial(capture, otherSedge())));
  const verdicts = await page.innerText(".verdicts");
  assert.match(verdicts, /ending=none/);
  assert.match(verdicts, /broke/);
  assert.match(await page.innerText(".broken"), /first difference/);
  assert.match(await page.innerText(".broken"), /reads until LF/);
  assert.equal(await page.locator(".pane").count(), 2);
  await page.click(".broken .moment");
  await settled(page);
  assert.match(await page.locator(".pane").nth(1).locator(".detail h4").textContent(), /^No\. /);
  await page.click(".verdicts [data-show] >> nth=0");
  await until(page, () => document.querySelectorAll(".pane").length === 1);
  assert.equal(await page.evaluate(() => window.ran), undefined);
  quiet(page);
});

test("a hostile capture is shown and never run", async () => {
  const name = hostile();
  const page = await open(makePage("hostile.html", name));
  for (const row of [0, 1, 2, 3]) {
    await page.click(`.row >> nth=${row}`);
    await settled(page);
  }
  await page.fill("#search-text", EVIL);
  await page.click("#search-next");
  await page.evaluate(() => window.dispatchEvent(new Event("beforeprint")));
  assert.equal(await page.evaluate(() => window.ran), undefined);
  const seen = await page.evaluate(() => ({
    scripts: document.querySelectorAll("script:not([type])").length,
    strangers: document.querySelectorAll("img, iframe, object, embed, link, [onerror], [onload], [onclick], a[href^=javascript]").length,
    text: document.body.innerText + document.title,
    named: [...document.querySelectorAll("*")].flatMap((e) => [...e.attributes].map((a) => a.value)).join("\n"),
  }));
  assert.equal(seen.scripts, 1);
  assert.equal(seen.strangers, 0);
  assert.ok(seen.text.includes("<img src=x onerror=window.ran=2>"));
  assert.ok(seen.text.includes("\\x1b[31mred"));
  for (const text of [seen.text, seen.named])
    assert.doesNotMatch(text, /[\u0000-\u0008\u000b\u000c\u000e-\u001f\u007f-\u009f\u200b-\u200f\u202a-\u202e\u2066-\u2069\ufffd]/);
  const [download] = await Promise.all([page.waitForEvent("download"), page.click("[data-save]")]);
  assert.ok(fs.readFileSync(await download.path()).equals(fs.readFileSync(name)));
  quiet(page);
});

test("a redacted capture's page says so and marks the places", async () => {
  run("redact", capture, "-o", "public.witness", "--pattern", "sedge-c");
  const page = await open(makePage("public.html", "public.witness"));
  const text = await page.innerText("main");
  assert.match(text, /Redacted\. Secrets were replaced/);
  assert.match(text, /redacted: 7 bytes of the module/);
  assert.doesNotMatch(fs.readFileSync(makePage("public.html", "public.witness"), "utf8"), /sedge-c/);
  quiet(page);
});
