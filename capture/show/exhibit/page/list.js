// What was said, in order: a list of any length of which only the rows in sight exist.

const ROW = 26; // px
const MOST_SCROLL = 6e6; // px: browsers do not scroll further; longer lists are scaled

class List {
  constructor(account, witness, onChoose) {
    this.box = account.querySelector(".list");
    this.rows = account.querySelector(".rows");
    this.witness = witness;
    this.onChoose = onChoose;
    this.hex = false;
    this.chosen = -1;
    this.hits = null; // row: [[from, to], ...]
    this.top = 0; // the first row in sight, with a fraction
    this.total = witness.rows * ROW;
    this.rows.style.height = Math.min(this.total, MOST_SCROLL) + "px";
    this.id = `row-${witness.number}-`;
    this.box.addEventListener("scroll", () => this.scrolled());
    this.box.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    this.box.addEventListener("keydown", (e) => this.key(e));
    this.box.addEventListener("click", (e) => {
      const row = e.target.closest(".row");
      if (row) this.onChoose(Number(row.dataset.row), false);
    });
    this.resizes = new ResizeObserver(() => this.draw());
    this.resizes.observe(this.box);
    this.draw();
  }
  close() { this.resizes.disconnect(); }

  get scaled() { return this.total > MOST_SCROLL; }
  get sight() { return this.box.clientHeight / ROW; }
  // px of scrolling for a row
  get pitch() {
    return this.scaled ? (MOST_SCROLL - this.box.clientHeight) / Math.max(1, this.witness.rows - this.sight) : ROW;
  }

  scrolled() {
    if (this.setting === this.box.scrollTop) return;
    this.setting = undefined;
    this.top = this.box.scrollTop / this.pitch;
    this.draw();
  }
  wheel(e) {
    if (!this.scaled || e.ctrlKey) return;
    e.preventDefault(); // scaled, a notch of the wheel would leap over many rows
    this.goTo(this.top + (e.deltaMode === 1 ? e.deltaY * 3 : e.deltaY / ROW));
  }
  goTo(top) {
    this.top = Math.min(Math.max(0, top), Math.max(0, this.witness.rows - this.sight));
    this.box.scrollTop = this.top * this.pitch;
    this.setting = this.box.scrollTop;
    this.draw();
  }
  reveal(row) {
    if (row < this.top + 1 || row > this.top + this.sight - 2) this.goTo(row - this.sight / 3);
    else this.draw();
  }

  key(e) {
    const last = this.witness.rows - 1;
    const page = Math.max(1, Math.floor(this.sight) - 1);
    const to = {
      ArrowDown: this.chosen + 1, ArrowUp: this.chosen - 1, PageDown: this.chosen + page,
      PageUp: this.chosen - page, Home: 0, End: last,
    }[e.key];
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    if (e.key === "Enter" && this.chosen >= 0) {
      e.preventDefault();
      this.onChoose(this.chosen, true);
    } else if (to !== undefined && last >= 0) {
      e.preventDefault();
      this.onChoose(Math.min(Math.max(0, to), last), false);
    }
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
    const first = Math.max(0, Math.floor(this.top) - 4);
    const last = Math.min(this.witness.rows, Math.ceil(this.top + this.sight) + 4);
    const offset = this.scaled ? this.box.scrollTop - this.top * ROW : 0;
    const made = [];
    for (let r = first; r < last; ++r) made.push(this.make(r, r * ROW + offset));
    this.rows.replaceChildren(...made);
    if (this.chosen >= first && this.chosen < last) this.box.setAttribute("aria-activedescendant", this.id + this.chosen);
    else this.box.removeAttribute("aria-activedescendant");
  }

  make(r, top) {
    const w = this.witness;
    const { kind, from, length, turn } = w.row;
    const row = document.createElement("div");
    row.className = "row";
    row.id = this.id + r;
    row.dataset.row = r;
    row.style.top = top + "px";
    row.setAttribute("role", "option");
    row.setAttribute("aria-setsize", w.rows);
    row.setAttribute("aria-posinset", r + 1);
    row.setAttribute("aria-selected", r === this.chosen);
    row.setAttribute("aria-label", spoken(w, r));
    if (r === this.chosen) row.classList.add("chosen");
    if (kind[r] === SEGMENT.command && r > 0) row.classList.add("turned");
    const cell = (name, text = "") => {
      const span = document.createElement("span");
      span.className = name;
      span.textContent = text;
      row.append(span);
      return span;
    };
    cell("no", String(r + 1));
    if (kind[r] === SEGMENT.silence) {
      cell("at");
      cell("rulings", duration(length[r]));
      return row;
    }
    cell("at", instant(from[r]));
    if (kind[r] === SEGMENT.gap) {
      cell("rulings gap", w.wordsOf(w.row.first[r]));
      return row;
    }
    if (kind[r] === SEGMENT.line) {
      const side = w.kind[w.row.first[r]] >> 4;
      cell("line", (side ? SIDE[side] + ": " : "") + w.wordsOf(w.row.first[r]));
      return row;
    }
    const said = cell(SIDE[w.sideOf(r)]);
    if (ROLE[kind[r]]) {
      const role = document.createElement("span");
      role.className = "role";
      role.textContent = ROLE[kind[r]] + " ";
      said.append(role);
    }
    const bytes = w.bytesOfRow(r);
    const hits = this.hits?.get(r) ?? [];
    // However long the row is, its ending is in sight.
    const end = this.hex ? bytes.length : bytes.length - endingSize(bytes);
    const body = document.createElement("span");
    body.className = "body";
    putBytes(body, bytes.subarray(0, end), { hex: this.hex, most: this.hex ? 120 : 240, hits, ending: false });
    said.append(body);
    if (!this.hex) {
      const tail = document.createElement("span");
      tail.className = "tail";
      putBytes(tail, bytes.subarray(end), { hits: hits.map(([from, to]) => [from - end, to - end]), ending: end === bytes.length });
      said.append(tail);
    }
    const took = turnaround(w, r);
    if (took !== undefined && turn[r] > 0) {
      const after = document.createElement("span");
      after.className = "role";
      after.textContent = `  after ${duration(took)}`;
      said.append(after);
    }
    return row;
  }
}
