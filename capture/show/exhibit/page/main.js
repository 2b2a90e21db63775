// Joins time-line, list, detail and search; keeps the address and the tools.

const byId = (id) => document.getElementById(id);
const facts = JSON.parse(byId("facts").textContent);
const read = new Map(); // number of a capture: its Witness, or the promise of it
let panes = [];
let active = null;
let hex = false;

function announce(words) { byId("said").textContent = words; }

function leftOutWords(f) {
  return f.left_out > 0
    ? `Shown are the first ${count(f.events, "event")}, to ${instant(f.last_ns, 3)} s. ` +
      `${count(f.left_out, "event")} behind them are left out here; the capture inside has them all, and ` +
      "an exhibit made with --from and --to shows another part."
    : "";
}

class Pane {
  constructor(witness, view, titled) {
    const node = byId("pane").content.cloneNode(true);
    this.node = node.querySelector(".pane");
    this.witness = witness;
    const title = this.node.querySelector(".pane-title");
    title.textContent = !titled ? "Time-line and account" :
      witness.facts.title ? `${witness.facts.name}: ${witness.facts.title}` : witness.facts.name;
    title.classList.toggle("unseen", !titled);
    this.detail = this.node.querySelector(".detail");
    byId("panes").append(this.node);
    const said = leftOutWords(witness.facts);
    if (said) {
      const p = document.createElement("p");
      p.className = "notice";
      p.textContent = said;
      this.node.prepend(p);
    }
    this.list = new List(this.node.querySelector(".account"), witness, (row, jump) => this.choose(row, jump));
    this.timeline = new Timeline(this.node.querySelector(".timeline"), witness, view,
      (row, jump) => this.choose(row, jump), () => panes.forEach((p) => p.timeline.draw()));
    this.node.addEventListener("focusin", () => { active = this; });
    this.node.addEventListener("pointerdown", () => { active = this; });
  }
  close() {
    this.list.close();
    this.timeline.close();
    this.node.remove();
  }
  link(row) {
    const at = (this.witness.row.from[row] / 1e9).toFixed(9).replace(/0{1,8}$/, "");
    return `#t=${at}` + (this.witness.number > 0 ? `&c=${this.witness.number + 1}` : "");
  }
  // `near`: the time-line comes close enough to read it.
  choose(row, near = false, quietly = false) {
    if (row < 0 || row >= this.witness.rows) return;
    active = this;
    this.list.chosen = this.timeline.chosen = row;
    this.list.reveal(row);
    if (near) this.near(row);
    // What is chosen on opening leaves the whole in view.
    if (near || !quietly) this.timeline.reveal(row);
    this.timeline.draw();
    showDetail(this.detail, this.witness, row, this.link(row));
    if (quietly) return;
    announce(spoken(this.witness, row));
    ownAddress = this.link(row);
    history.replaceState(null, "", ownAddress);
  }
  near(row) {
    const w = this.witness;
    const wanted = Math.max(w.row.length[row] * 3, w.row.size[row] * w.facts.character_ns * 4, 50e6);
    const view = this.timeline.view;
    if (view.to - view.from > wanted * 40) this.timeline.show(w.row.from[row] - wanted * 3, w.row.from[row] + wanted * 5);
  }
  setHits(found) {
    this.list.hits = found?.byRow ?? null;
    this.timeline.hits = found ? found.hits.map((h) => h.at) : null;
    this.list.draw();
    this.timeline.draw();
  }
}

async function witnessOf(number, told) {
  if (!read.has(number)) {
    const witness = new Witness(facts.captures[number], number);
    read.set(number, witness.read(told).then(() => witness));
  }
  return read.get(number);
}

// Shows these captures side by side, in place of what was shown.
async function show(numbers) {
  const loading = byId("loading");
  loading.hidden = false;
  const witnesses = [];
  for (const number of numbers)
    witnesses.push(await witnessOf(number, (share) => {
      loading.textContent = `Opening the record… ${Math.round(share * 100)} %`;
    }));
  panes.forEach((pane) => pane.close());
  const view = { from: 0, to: 1, most: 1 };
  view.whole = {
    from: Math.min(...witnesses.map((w) => w.start)),
    to: Math.max(...witnesses.map((w) => w.end), Math.min(...witnesses.map((w) => w.start)) + 1000),
  };
  // The most that one side said within a pixel of the whole: for how wide the bars are.
  for (const w of witnesses) {
    let e = 0;
    for (let i = 1; i <= 600; ++i) {
      const next = w.eventAt(view.whole.from + ((view.whole.to - view.whole.from) * i) / 600);
      for (let lane = 0; lane < 3; ++lane) view.most = Math.max(view.most, w.before[lane][next] - w.before[lane][e]);
      e = next;
    }
  }
  byId("panes").classList.toggle("two", witnesses.length > 1);
  panes = witnesses.map((w) => new Pane(w, view, facts.captures.length > 1));
  panes.forEach((pane) => { pane.list.hex = hex; });
  active = panes[0];
  active?.timeline.all();
  loading.hidden = true;
  byId("tools").hidden = panes.length === 0;
  find(0, true);
}

function setForm(asHex) {
  hex = asHex;
  for (const radio of document.querySelectorAll("#form input")) radio.checked = (radio.value === "hex") === hex;
  panes.forEach((pane) => {
    pane.list.hex = hex;
    pane.list.draw();
  });
  announce(hex ? "Bytes are shown in hexadecimal." : "Bytes are shown as text.");
}

let searched = { key: "", found: [], pane: 0, place: -1 };
// step: 1 the next, -1 the one before, 0: only marks what is there.
function find(step, quietly = false) {
  const text = byId("search-text").value;
  const asHex = byId("search-hex").checked;
  const said = byId("search-said");
  const key = JSON.stringify([text, asHex, panes.map((p) => p.witness.number)]);
  if (key !== searched.key) {
    searched = { key, found: [], at: [], place: -1 };
    const needle = text === "" ? new Uint8Array() : readNeedle(text, asHex);
    if (needle === null) {
      said.textContent = "Hex wants pairs of digits: 4f 4b 0d";
      panes.forEach((pane) => pane.setHits(null));
      return;
    }
    panes.forEach((pane) => {
      const found = needle.length === 0 ? null : search(pane.witness, needle, !asHex);
      pane.setHits(found);
      if (!found) return;
      searched.more ||= found.more;
      for (const hit of found.hits) searched.at.push({ pane, row: hit.row, at: hit.at });
    });
    searched.at.sort((a, b) => a.at - b.at);
    if (active && active.list.chosen >= 0) {
      const now = active.witness.row.from[active.list.chosen];
      searched.place = searched.at.findIndex((h) => h.at >= now) - 1;
      if (searched.place < -1) searched.place = -1;
    }
  }
  const n = searched.at.length;
  if (text === "") {
    said.textContent = "";
    return;
  }
  if (n === 0) {
    said.textContent = "not found";
    return;
  }
  if (step !== 0) {
    searched.place = (searched.place + step + n) % n;
    const hit = searched.at[searched.place];
    hit.pane.choose(hit.row, true);
  }
  said.textContent = (searched.place >= 0 ? `${searched.place + 1} of ` : "") + `${n}${searched.more ? " or more" : ""}`;
  if (!quietly && step !== 0) announce(`${said.textContent}. ${byId("said").textContent}`);
}

function save(number) {
  const link = document.createElement("a");
  const url = URL.createObjectURL(new Witness({ ...facts.captures[number], events: 0, rows: 0 }, number).file());
  link.href = url;
  // The browser makes a file's name of it; folders are none of its business.
  link.download = facts.captures[number].name.split(/[/\\]/).pop() || "capture.witness";
  link.click();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}

// "#t=12.345", "#t=1:02.5&c=2"
let ownAddress = "";
async function goToAddress() {
  const words = new URLSearchParams(location.hash.slice(1));
  if (!words.has("t")) return;
  const number = Math.max(0, (Number(words.get("c")) || 1) - 1);
  if (number >= facts.captures.length) return;
  if (!panes.some((p) => p.witness.number === number)) await show(facts.made_of.trial ? beside(number) : [number]);
  goTo(panes.find((p) => p.witness.number === number), readInstant(words.get("t")));
}
function goTo(pane, ns) {
  if (!pane || Number.isNaN(ns)) return false;
  pane.choose(pane.witness.rowAt(ns), true, true);
  pane.node.scrollIntoView({ block: "nearest" });
  return true;
}
// A trial's conversation, beside the one with the replies as recorded.
function beside(number) {
  const baseline = facts.made_of.trial.baseline.in_page;
  return baseline >= 0 && baseline !== number ? [baseline, number] : [number];
}

// On paper there is no scrolling: the first rows in full, and what is left out in words.
const MOST_PRINTED = 1500;
function fillPrint() {
  const box = byId("printed");
  box.replaceChildren();
  box.hidden = false;
  for (const pane of panes) {
    const w = pane.witness;
    const table = document.createElement("table");
    const head = table.createTHead().insertRow();
    for (const [name, cls] of [["no.", "number"], ["time", "time"], ["host", ""], ["module", ""]]) {
      const th = document.createElement("th");
      th.textContent = name;
      th.className = cls;
      head.append(th);
    }
    const body = table.createTBody();
    const n = Math.min(w.rows, MOST_PRINTED);
    for (let r = 0; r < n; ++r) {
      const tr = body.insertRow();
      tr.insertCell().textContent = r + 1;
      tr.insertCell().textContent = w.row.kind[r] === SEGMENT.silence ? "" : instant(w.row.from[r]);
      const side = w.sideOf(r);
      if (w.row.kind[r] === SEGMENT.silence || w.row.size[r] === 0) {
        const cell = tr.insertCell();
        cell.colSpan = 2;
        cell.className = "rulings";
        cell.textContent = w.row.kind[r] === SEGMENT.silence ? duration(w.row.length[r]) : w.wordsOf(w.row.first[r]);
        continue;
      }
      const cells = [tr.insertCell(), tr.insertCell()];
      const cell = cells[side === 2 ? 1 : 0];
      if (ROLE[w.row.kind[r]]) {
        const role = document.createElement("span");
        role.className = "role";
        role.textContent = ROLE[w.row.kind[r]] + " ";
        cell.append(role);
      }
      putBytes(cell, w.bytesOfRow(r), { hex, most: 2000 });
    }
    box.append(table);
    if (w.rows > n) box.append(`Printed are the first ${n} of ${count(w.rows, "row")}; the page itself has them.`);
  }
}

function listen() {
  byId("search").addEventListener("submit", (e) => {
    e.preventDefault();
    find(1);
  });
  byId("search-before").addEventListener("click", () => find(-1));
  byId("search-text").addEventListener("input", () => find(0));
  byId("search-hex").addEventListener("change", () => find(0));
  byId("go").addEventListener("submit", (e) => {
    e.preventDefault();
    if (!goTo(active ?? panes[0], readInstant(byId("go-time").value)))
      announce("A time is 12.345, 1:02.5 or 1:00:02.");
  });
  byId("form").addEventListener("change", (e) => setForm(e.target.value === "hex"));
  byId("zoom").addEventListener("click", (e) => {
    const timeline = (active ?? panes[0])?.timeline;
    const how = e.target.dataset.zoom;
    if (!timeline || !how) return;
    if (how === "all") timeline.all();
    else timeline.zoom(how === "in" ? 0.4 : 2.5, timeline.chosen >= 0
      ? timeline.witness.row.from[timeline.chosen] : undefined);
  });
  document.addEventListener("click", (e) => {
    const saves = e.target.closest?.("[data-save]");
    if (saves) save(Number(saves.dataset.save));
    // The same moment again is no change of the address.
    const moment = e.target.closest?.('a[href^="#t="]');
    if (moment && moment.hash === location.hash) goToAddress();
    const shows = e.target.closest?.("[data-show]");
    if (shows) show(beside(Number(shows.dataset.show))).then(() => byId("record").scrollIntoView());
  });
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches?.("input:not([type=radio], [type=checkbox])")) return;
    if (e.key === "/") {
      e.preventDefault();
      byId("search-text").focus();
    } else if (e.key === "n") find(1);
    else if (e.key === "p") find(-1);
    else if (e.key === "x") setForm(!hex);
  });
  window.addEventListener("hashchange", () => { if (location.hash !== ownAddress) goToAddress(); });
  window.addEventListener("beforeprint", fillPrint);
  window.addEventListener("afterprint", () => { byId("printed").hidden = true; });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => panes.forEach((p) => p.timeline.draw()));
}

async function open() {
  drawSigns(document.querySelector("main"));
  listen();
  try {
    const first = facts.captures.map((_, i) => i).slice(0, 2);
    const trial = facts.made_of.trial;
    const broken = trial?.trial.find((t) => t.in_page >= 0 && t.verdict !== "held");
    await show(trial ? (broken ? beside(broken.in_page) : first.slice(0, 1)) : first);
    if (panes.length === 0) byId("record").hidden = true;
    await goToAddress();
    if (active && active.list.chosen < 0) active.choose(0, false, true);
    requestAnimationFrame(() => setTimeout(() => {
      performance.mark("first view");
      document.documentElement.dataset.ready = "yes";
    }));
  } catch (error) {
    byId("loading").textContent = `The record cannot be shown: ${error.message}. The captures inside are not touched by that.`;
    throw error;
  }
}
open();
