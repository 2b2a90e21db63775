// How quick a page is in the browser: node large.mjs PAGE... prints one JSON object a page. Run by
// tests/bench/figures_exhibit.py. Times in ms, from the browser's own clock.
import { closeBrowser, open } from "./bench.mjs";

for (const file of process.argv.slice(2)) {
  const page = await open(file);
  const measured = await page.evaluate(async () => {
    const frame = () => new Promise((done) => requestAnimationFrame(() => done(performance.now())));
    const canvas = document.querySelector(".timeline canvas");
    const list = document.querySelector(".list");
    const box = canvas.getBoundingClientRect();
    // From an event to the end of the frame that shows what it did.
    const answer = async (act) => {
      await frame();
      const began = performance.now();
      act();
      await frame(); // the page draws in this frame ...
      const channel = new MessageChannel();
      const drawn = new Promise((done) => { channel.port1.onmessage = () => done(performance.now()); });
      channel.port2.postMessage(0); // ... and this comes behind it
      return (await drawn) - began;
    };
    const wheel = (delta, y) => canvas.dispatchEvent(new WheelEvent("wheel",
      { deltaY: delta, clientX: box.x + box.width / 2, clientY: box.y + y, cancelable: true, bubbles: true }));
    const zoom = [];
    for (const y of [0.2, 0.5, 0.8]) {
      for (let i = 0; i < 40; ++i) zoom.push(await answer(() => wheel(-250, box.height * y)));
      for (let i = 0; i < 40; ++i) zoom.push(await answer(() => wheel(250, box.height * y)));
    }
    const scroll = [];
    for (let i = 0; i < 40; ++i)
      scroll.push(await answer(() => { list.scrollTop = (list.scrollHeight * ((i * 7) % 40)) / 40; }));
    const find = document.getElementById("search-text");
    const search = [];
    for (const text of ["+JOIN: 999", "nowhere to be found", "OK\\r\\n"])
      search.push(await answer(() => {
        find.value = text;
        find.dispatchEvent(new Event("input", { bubbles: true }));
      }));
    const sorted = (values) => values.sort((a, b) => a - b);
    const at = (values, share) => sorted(values)[Math.min(values.length - 1, Math.floor(values.length * share))];
    return {
      first_view: performance.getEntriesByName("first view")[0]?.startTime,
      caption: document.querySelector(".timeline figcaption").textContent,
      rows: document.querySelectorAll(".row").length,
      zoom_median: at(zoom, 0.5), zoom_95: at(zoom, 0.95),
      scroll_median: at(scroll, 0.5), scroll_95: at(scroll, 0.95),
      search: Math.max(...search),
      heap_mb: (performance.memory?.usedJSHeapSize ?? 0) / 1e6,
    };
  });
  console.log(JSON.stringify({ ...measured, problems: page.problems }));
  await page.context().close();
}
await closeBrowser();
