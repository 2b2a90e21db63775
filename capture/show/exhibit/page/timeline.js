// The time-line: time runs down, the host speaks on the left, the module on the right, silences take
// the room that they took. Any zoom is drawn from the prefix sums of the events: what is drawn costs
// by the pixel, not by the event.

const NICE_STEPS = (() => {
  const steps = [];
  for (let unit = 1; unit <= 1e9; unit *= 10) steps.push(unit, unit * 2, unit * 5);
  const s = 1e9;
  return steps.filter((v) => v < s).concat([1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200,
    10800, 21600, 43200, 86400, 172800, 432000, 864000, 1728000, 4320000, 8640000].map((v) => v * s));
})();
const AXIS = 92; // px: times at the left
const STRIP = 14; // px: the whole, at the right
const MOST_BOXES = 3000;

class Timeline {
  constructor(figure, witness, view, onChoose, onView) {
    this.canvas = figure.querySelector("canvas");
    this.caption = figure.querySelector("figcaption");
    this.witness = witness;
    this.view = view; // {from, to}: shared by captures that stand side by side
    this.onChoose = onChoose;
    this.onView = onView;
    this.chosen = -1;
    this.hits = null;
    this.canvas.addEventListener("keydown", (e) => this.key(e));
    this.canvas.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    this.canvas.addEventListener("pointerdown", (e) => this.press(e));
    this.canvas.addEventListener("dblclick", (e) => this.zoom(0.25, this.timeOf(e.offsetY)));
    this.resizes = new ResizeObserver(() => this.draw());
    this.resizes.observe(this.canvas);
  }
  close() { this.resizes.disconnect(); }

  get height() { return this.canvas.clientHeight || 1; }
  timeOf(y) { return this.view.from + (y / this.height) * (this.view.to - this.view.from); }
  yOf(ns) { return ((ns - this.view.from) / (this.view.to - this.view.from)) * this.height; }

  // Shortest stretch: some characters, or some µs where the line has no rate.
  get shortest() { return this.witness.facts.character_ns > 0 ? this.witness.facts.character_ns * 6 : 20000; }

  show(from, to) {
    let span = Math.max(to - from, this.shortest);
    const whole = this.view.whole;
    const longest = Math.max((whole.to - whole.from) * 1.25, this.shortest);
    span = Math.min(span, longest);
    let begin = (from + to) / 2 - span / 2;
    begin = Math.min(Math.max(begin, whole.from - span * 0.6), whole.to - span * 0.4);
    this.view.from = begin;
    this.view.to = begin + span;
    this.onView();
  }
  zoom(factor, around = (this.view.from + this.view.to) / 2) {
    const { from, to } = this.view;
    this.show(around - (around - from) * factor, around + (to - around) * factor);
  }
  pan(share) {
    const by = (this.view.to - this.view.from) * share;
    this.show(this.view.from + by, this.view.to + by);
  }
  all() {
    const { from, to } = this.view.whole;
    // Room for the names of the sides above the first that was said.
    const margin = Math.max((to - from) * Math.max(0.04, 34 / this.height), this.shortest / 4);
    this.show(from - margin, to + margin);
  }
  // Brings a row into view, large enough to be read.
  reveal(row) {
    const w = this.witness;
    const from = w.row.from[row];
    const to = from + w.row.length[row];
    const span = this.view.to - this.view.from;
    if (from < this.view.from + span * 0.05 || to > this.view.to - span * 0.05)
      this.show(from - span * 0.35, from + span * 0.65);
  }

  key(e) {
    const keys = {
      ArrowUp: () => this.pan(-0.15), ArrowDown: () => this.pan(0.15),
      PageUp: () => this.pan(-0.9), PageDown: () => this.pan(0.9),
      "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2),
      Home: () => this.all(), End: () => this.show(this.view.whole.to - (this.view.to - this.view.from) * 0.9,
        this.view.whole.to + (this.view.to - this.view.from) * 0.1),
      Enter: () => this.onChoose(this.witness.rowAt((this.view.from + this.view.to) / 2), true),
    };
    if (e.ctrlKey || e.metaKey || e.altKey || !keys[e.key]) return;
    e.preventDefault();
    keys[e.key]();
  }
  wheel(e) {
    e.preventDefault();
    const lines = e.deltaMode === 1 ? 24 : 1;
    if (e.shiftKey) this.pan(((e.deltaY || e.deltaX) * lines) / this.height);
    else this.zoom(1.0018 ** (e.deltaY * lines), this.timeOf(e.offsetY));
  }
  press(e) {
    if (e.button !== 0) return;
    const start = { y: e.offsetY, from: this.view.from, to: this.view.to, moved: false };
    const strip = e.offsetX > this.canvas.clientWidth - STRIP;
    const toStrip = (y) => {
      const { from, to } = this.view.whole;
      const middle = from + (y / this.height) * (to - from);
      const half = (this.view.to - this.view.from) / 2;
      this.show(middle - half, middle + half);
    };
    if (strip) toStrip(e.offsetY);
    this.canvas.setPointerCapture(e.pointerId);
    const move = (m) => {
      if (strip) return toStrip(m.offsetY);
      if (Math.abs(m.offsetY - start.y) > 3) start.moved = true;
      const by = ((start.y - m.offsetY) / this.height) * (start.to - start.from);
      if (start.moved) this.show(start.from + by, start.to + by);
    };
    const up = (u) => {
      this.canvas.removeEventListener("pointermove", move);
      if (!strip && !start.moved) this.onChoose(this.nearest(u.offsetX, u.offsetY), true);
    };
    this.canvas.addEventListener("pointermove", move);
    this.canvas.addEventListener("pointerup", up, { once: true });
    this.canvas.addEventListener("pointercancel", up, { once: true });
  }
  // The row at a place of the canvas; of two that are near, that of the side pointed at.
  nearest(x, y) {
    const w = this.witness;
    const middle = AXIS + (this.canvas.clientWidth - AXIS - STRIP) / 2;
    const side = x < middle ? 1 : 2;
    const tolerance = ((this.view.to - this.view.from) / this.height) * 8;
    const time = this.timeOf(y);
    let best = w.rowAt(time);
    for (let e = w.eventAt(time - tolerance), n = 0; e < w.events && w.at[e] <= time + tolerance * 2 && n < 200; ++e, ++n)
      if (w.kind[e] >> 4 === side && w.laneOf(e) !== 3) return w.rowOfEvent(e);
    return best;
  }

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.paint();
    });
  }

  paint() {
    const canvas = this.canvas;
    const width = canvas.clientWidth;
    const height = canvas.clientHeight;
    if (width === 0 || height === 0) return;
    const scale = window.devicePixelRatio || 1;
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
    const c = canvas.getContext("2d");
    c.scale(scale, scale);
    const style = getComputedStyle(document.documentElement);
    const color = (name) => style.getPropertyValue("--" + name).trim();
    this.ink = {
      host: color("host"), module: color("module"), unknown: color("other"), soft: color("soft"),
      rule: color("rule"), strong: color("rule-strong"), mark: color("mark"), chosen: color("chosen"),
      hit: color("hit"), ink: color("ink"), hostWash: color("host-wash"), moduleWash: color("module-wash"),
    };
    this.mono = `12px ${color("mono")}`;
    this.serif = `italic 13px ${color("serif")}`;
    const w = this.witness;
    const laneWidth = (width - AXIS - STRIP - 8) / 2;
    const middle = AXIS + laneWidth;
    const g = { c, width, height, laneWidth, middle, perPx: (this.view.to - this.view.from) / height };
    c.clearRect(0, 0, width, height);
    this.paintChosen(g);
    this.paintAxis(g);
    const first = w.eventAt(this.view.from);
    const last = w.eventAt(this.view.to);
    if (last - first <= MOST_BOXES) this.paintEvents(g, Math.max(0, first - 1), Math.min(w.events, last + 40));
    else this.paintDensity(g, 0, height, this.view.from, g.perPx, middle, laneWidth);
    this.paintSilences(g, first, last);
    this.paintMarks(g);
    this.paintHits(g);
    this.paintStrip(g);
    c.font = this.serif;
    c.textBaseline = "top";
    c.fillStyle = this.ink.host;
    c.textAlign = "right";
    c.fillText("host", middle - 8, 3);
    c.fillStyle = this.ink.module;
    c.textAlign = "left";
    c.fillText("module", middle + 8, 3);
    const decimals = g.perPx < 1e3 ? 9 : g.perPx < 1e6 ? 6 : 3;
    const words = `${instant(Math.max(0, this.view.from), decimals)} to ${instant(this.view.to, decimals)}: ` +
      `${duration(this.view.to - this.view.from)}, ${count(Math.max(0, last - first), "event")}`;
    this.caption.textContent = words;
    canvas.setAttribute("aria-label", `Time-line of ${w.facts.name}, ${words}`);
  }

  paintAxis({ c, width, height, perPx, middle }) {
    const step = NICE_STEPS.find((s) => s / perPx >= 56) ?? NICE_STEPS[NICE_STEPS.length - 1];
    const decimals = step >= 1e9 ? 0 : Math.max(0, 9 - Math.floor(Math.log10(step) + 1e-9));
    c.font = this.mono.replace("12px", "11px");
    c.textAlign = "right";
    c.textBaseline = "middle";
    c.lineWidth = 1;
    for (let t = Math.ceil(this.view.from / step) * step; t <= this.view.to; t += step) {
      if (t < 0) continue;
      const y = Math.round(this.yOf(t)) + 0.5;
      c.strokeStyle = this.ink.rule;
      c.beginPath();
      c.moveTo(AXIS - 5, y);
      c.lineTo(width - STRIP, y);
      c.stroke();
      c.fillStyle = this.ink.soft;
      c.fillText(instant(t, decimals), AXIS - 9, y);
    }
    c.strokeStyle = this.ink.strong;
    c.beginPath();
    c.moveTo(middle + 0.5, 0);
    c.lineTo(middle + 0.5, height);
    c.stroke();
  }

  // How much each side said in each pixel: as wide as the logarithm of it.
  paintDensity({ c }, top, bottom, from, perPx, middle, laneWidth) {
    const w = this.witness;
    const most = Math.log2(2 + this.view.most);
    let e = w.eventAt(from);
    for (let y = top; y < bottom; ++y) {
      const next = firstNotBelow(w.at, w.events, from + (y - top + 1) * perPx);
      if (next > e) {
        for (const [lane, direction, ink] of [[0, 0, this.ink.unknown], [1, -1, this.ink.host], [2, 1, this.ink.module]]) {
          const bytes = w.before[lane][next] - w.before[lane][e];
          if (bytes === 0) continue;
          const size = Math.max(1.5, Math.min(1, Math.log2(1 + bytes) / most) * (laneWidth - 6));
          c.fillStyle = ink;
          if (direction === 0) c.fillRect(middle - size / 2, y, size, 1);
          else c.fillRect(direction < 0 ? middle - size - 2 : middle + 3, y, size, 1);
        }
      }
      e = next;
    }
  }

  // Single reads as boxes, as long as their characters took; then their text; then each character.
  paintEvents(g, first, last) {
    const { c, perPx, middle, laneWidth, height } = g;
    const w = this.witness;
    const character = w.facts.character_ns;
    const busy = [-Infinity, -Infinity, -Infinity]; // by side: where text was put last
    const over = [-Infinity, -Infinity, -Infinity]; // by side: when the read before was over
    const charPx = character / perPx;
    c.textBaseline = "middle";
    for (let e = first; e < last; ++e) {
      const lane = w.laneOf(e);
      if (lane === 3) continue;
      const bytes = w.bytesOfEvent(e);
      const ink = [this.ink.unknown, this.ink.host, this.ink.module][lane];
      const begins = Math.max(w.at[e] - bytes.length * character, over[lane]);
      over[lane] = w.at[e];
      const top = this.yOf(Math.min(begins, w.at[e]));
      const bottom = Math.max(this.yOf(w.at[e]), top + 2);
      if (bottom < -20 || top > height + 20) continue;
      const left = lane === 1;
      const box = 9;
      c.fillStyle = ink;
      c.fillRect(left ? middle - box - 2 : middle + 3, top, box, bottom - top);
      if (lane === 0) c.fillRect(middle - box - 2, top, box, bottom - top);
      c.font = this.mono;
      const x = left ? middle - box - 8 : middle + box + 9;
      if (charPx >= 13) {
        for (let i = 0; i < bytes.length; ++i) {
          const y = this.yOf(w.at[e] - (bytes.length - i - 0.5) * character);
          if (y < -10 || y > height + 10 || y < busy[lane] + 12) continue;
          busy[lane] = y;
          paintSigned(c, `${shownByte(bytes[i])}  ${hexOf(bytes[i])}`, x, y, left);
        }
        continue;
      }
      const y = (top + bottom) / 2;
      if (y < busy[lane] + 13) continue;
      busy[lane] = y;
      const fits = Math.max(1, Math.floor((laneWidth - box - 14) / 7.3));
      const text = shown(bytes, Math.max(1, fits), false);
      paintSigned(c, text.length > fits ? text.slice(0, fits - 1) + "…" : text, x, y, left);
    }
  }

  // Lengths of silences between rulings, where there is room for them.
  paintSilences(g, first, last) {
    const { c, perPx, middle, laneWidth, height } = g;
    const w = this.witness;
    const need = 44 * perPx;
    const label = (from, to) => {
      const top = Math.max(this.yOf(from), 0) + 3;
      const bottom = Math.min(this.yOf(to), height) - 3;
      if (bottom - top < 34) return;
      c.strokeStyle = this.ink.strong;
      c.lineWidth = 1;
      const half = Math.min(46, laneWidth * 0.6);
      for (const y of [Math.round(top) + 0.5, Math.round(bottom) - 0.5]) {
        if (y < 4 || y > height - 4) continue;
        c.beginPath();
        c.moveTo(middle - half, y);
        c.lineTo(middle + half, y);
        c.stroke();
      }
      c.font = this.serif;
      c.textAlign = "center";
      c.textBaseline = "middle";
      const text = duration(to - from);
      const wide = c.measureText(text).width + 10;
      const y = (top + bottom) / 2;
      c.clearRect(middle - wide / 2, y - 9, wide, 18);
      c.fillStyle = this.ink.soft;
      c.fillText(text, middle, y);
    };
    const spoke = (e) => {
      while (e < w.events && w.laneOf(e) === 3) ++e;
      return e;
    };
    if (last - first <= MOST_BOXES) {
      let before = first - 1;
      while (before >= 0 && w.laneOf(before) === 3) --before;
      for (let e = spoke(first); e < w.events; e = spoke(e + 1)) {
        const begins = w.at[e] - w.size[e] * w.facts.character_ns;
        if (before >= 0 && begins - w.at[before] > need) label(w.at[before], begins);
        before = e;
        if (e > last) break;
      }
    } else {
      // Only where pixels are blank can a silence be long enough.
      for (let y = 0; y < height;) {
        const next = w.eventAt(this.timeOf(y));
        const blank = next < w.events ? this.yOf(w.at[next]) : height;
        if (next > 0 && next < w.events && blank - y > 36) label(w.at[next - 1], w.at[next]);
        y = Math.max(blank, y) + 1;
      }
    }
  }

  // Breaks, line changes, notes, gaps: a sign on the axis, words where there is room.
  paintMarks({ c, middle, laneWidth, height, perPx }) {
    const w = this.witness;
    let busy = -Infinity;
    let i = firstNotBelow(w.marks, w.marks.length, w.eventAt(this.view.from));
    const left = [];
    for (; i < w.marks.length && w.at[w.marks[i]] <= this.view.to;) {
      const y = this.yOf(w.at[w.marks[i]]);
      c.fillStyle = this.ink.mark;
      c.beginPath();
      c.moveTo(middle, y - 5);
      c.lineTo(middle + 5, y);
      c.lineTo(middle, y + 5);
      c.lineTo(middle - 5, y);
      c.fill();
      if (y > busy + 15) {
        busy = y;
        left.push([w.marks[i], y]);
      }
      // The next one that is a pixel further down.
      i = Math.max(i + 1, firstNotBelow(w.marks, w.marks.length, w.eventAt(w.at[w.marks[i]] + perPx)));
    }
    c.font = this.serif.replace("13px", "12px");
    c.textAlign = "left";
    c.textBaseline = "bottom";
    c.fillStyle = this.ink.mark;
    if (left.length < height / 30)
      for (const [event, y] of left) {
        let words = w.wordsOf(event).slice(0, 60);
        while (words.length > 4 && c.measureText(words).width > laneWidth - 14)
          words = words.slice(0, words.length * 0.9 - 1).trimEnd() + "…";
        c.fillText(words, middle + 10, y);
      }
  }

  paintChosen({ c, width, perPx }) {
    if (this.chosen < 0) return;
    const w = this.witness;
    const from = w.row.from[this.chosen] - (w.row.kind[this.chosen] === SEGMENT.silence ? 0 : Math.max(3 * perPx,
      w.size[w.row.first[this.chosen]] * w.facts.character_ns));
    const top = this.yOf(from);
    const bottom = this.yOf(w.row.from[this.chosen] + w.row.length[this.chosen] + 3 * perPx);
    c.fillStyle = this.ink.chosen;
    c.fillRect(AXIS - 5, top, width - AXIS - STRIP + 5, Math.max(bottom - top, 6));
  }

  paintHits({ c, width, height }) {
    if (!this.hits) return;
    c.fillStyle = this.ink.mark;
    let before = -1;
    for (const at of this.hits) {
      const y = Math.round(this.yOf(at));
      if (y < 0 || y > height || y === before) continue;
      before = y;
      c.fillRect(width - STRIP - 9, y - 1, 7, 2);
    }
  }

  // The whole capture beside it, with the stretch that is shown.
  paintStrip({ c, width, height }) {
    const w = this.witness;
    const { from, to } = this.view.whole;
    const perPx = Math.max(1, to - from) / height;
    c.save();
    c.globalAlpha = 0.75;
    this.paintDensity({ c }, 0, height, from, perPx, width - STRIP / 2, STRIP / 2);
    c.restore();
    c.strokeStyle = this.ink.strong;
    c.strokeRect(width - STRIP + 0.5, 0.5, STRIP - 1, height - 1);
    const top = ((this.view.from - from) / (to - from || 1)) * height;
    const bottom = ((this.view.to - from) / (to - from || 1)) * height;
    c.strokeStyle = this.ink.mark;
    c.lineWidth = 2;
    c.strokeRect(width - STRIP + 1, Math.max(1, top), STRIP - 2, Math.max(4, Math.min(height - 1, bottom) - Math.max(1, top)));
    c.lineWidth = 1;
  }
}
