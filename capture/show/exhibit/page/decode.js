// What the page holds, brought back into arrays: see columns.h for how it is written.

const KIND = { bytes: 0, bad: 1, break: 2, lines: 3, counts: 4, pin: 5, note: 6, gap: 7 };
const SEGMENT = { command: 1, reply: 2, echo: 3, unsolicited: 4, banner: 5, silence: 6, gap: 7, data: 8, line: 9 };
const LANES = ["unknown", "host", "module", "words"];

function fromBase64(text) {
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const binary = atob(text);
  const out = new Uint8Array(binary.length);
  for (let i = 0; i < binary.length; ++i) out[i] = binary.charCodeAt(i);
  return out;
}

function elementsOf(holds, number) {
  return [...document.querySelectorAll(`script[data-holds="${holds}"][data-of="${number}"]`)];
}

async function inflate(bytes) {
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

class Cursor {
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }
  varint() {
    const bytes = this.bytes;
    let b = bytes[this.at++];
    if (b < 128) return b;
    let value = b & 127;
    let scale = 128;
    do {
      b = bytes[this.at++];
      value += (b & 127) * scale;
      scale *= 128;
    } while (b >= 128);
    return value;
  }
  signed() {
    const v = this.varint();
    return v % 2 === 0 ? v / 2 : -(v + 1) / 2;
  }
  take(size) {
    const part = this.bytes.subarray(this.at, this.at + size);
    this.at += size;
    return part;
  }
  each(count, put) {
    for (let i = 0; i < count; ++i) put(i, this.varint());
  }
}

// One capture: events and rows in columns, and the bytes of each lane in one run.
class Witness {
  constructor(facts, number) {
    this.facts = facts;
    this.number = number;
    const n = facts.events;
    this.events = 0;
    this.at = new Float64Array(n); // ns since the capture began
    this.kind = new Uint8Array(n); // kind | side << 4
    this.size = new Uint32Array(n);
    // Where the lanes stand in front of event i: prefix sums are all the levels of detail needed.
    this.before = LANES.map(() => new Uint32Array(n + 1));
    this.lanes = LANES.map(() => []);
    this.marks = []; // events that are no bytes
    const r = facts.rows;
    this.rows = 0;
    this.texts = [""];
    this.row = {
      kind: new Uint8Array(r), flags: new Uint8Array(r), endedBy: new Uint8Array(r),
      from: new Float64Array(r), length: new Float64Array(r), first: new Uint32Array(r),
      span: new Uint32Array(r), offset: new Uint32Array(r), size: new Uint32Array(r),
      turn: new Uint32Array(r), quiet: new Float64Array(r), protocol: new Uint16Array(r),
      why: new Uint16Array(r), bad: new Uint32Array(r), own: new Int32Array(r),
    };
    this.own = [];
    this.commandOf = new Map(); // turn: row of the command
  }

  // Reads all parts; `told(share)` now and then, so that the page can say how far it is.
  async read(told) {
    const parts = [...elementsOf("events", this.number), ...elementsOf("rows", this.number)];
    let done = 0;
    for (const element of parts) {
      const bytes = await inflate(fromBase64(element.textContent));
      if (element.dataset.holds === "events") this.takeEvents(new Cursor(bytes));
      else this.takeRows(new Cursor(bytes));
      element.textContent = ""; // the browser need not keep it twice
      told(++done / parts.length);
    }
    this.lanes = this.lanes.map((runs) => {
      const whole = new Uint8Array(runs.reduce((sum, run) => sum + run.length, 0));
      let at = 0;
      for (const run of runs) {
        whole.set(run, at);
        at += run.length;
      }
      return whole;
    });
    this.end = this.events > 0 ? this.at[this.events - 1] : 0;
    this.start = this.events > 0 ? this.at[0] : 0;
  }

  takeEvents(cursor) {
    const count = cursor.varint();
    const base = this.events;
    this.kind.set(cursor.take(count), base);
    let now = base > 0 ? this.at[base - 1] : 0;
    cursor.each(count, (i, v) => { this.at[base + i] = now += v; });
    const sizes = [0, 0, 0, 0];
    const sums = this.before.map((column) => column[base]);
    for (let i = 0; i < count; ++i) {
      const size = cursor.varint();
      const e = base + i;
      const lane = this.laneOf(e);
      this.size[e] = size;
      sizes[lane] += size;
      sums[lane] += size;
      for (let l = 0; l < 4; ++l) this.before[l][e + 1] = sums[l];
      if (lane === 3) this.marks.push(e);
    }
    sizes.forEach((size, lane) => this.lanes[lane].push(cursor.take(size)));
    this.events += count;
  }

  takeRows(cursor) {
    for (let left = cursor.varint(); left > 0; --left)
      this.texts.push(new TextDecoder().decode(cursor.take(cursor.varint())));
    const count = cursor.varint();
    const base = this.rows;
    const row = this.row;
    row.kind.set(cursor.take(count), base);
    row.flags.set(cursor.take(count), base);
    row.endedBy.set(cursor.take(count), base);
    let from = base > 0 ? row.from[base - 1] : 0;
    for (let i = 0; i < count; ++i) row.from[base + i] = from += cursor.signed();
    const plain = (column) => cursor.each(count, (i, v) => { column[base + i] = v; });
    plain(row.length);
    let first = base > 0 ? row.first[base - 1] : 0;
    cursor.each(count, (i, v) => { row.first[base + i] = first += v; });
    plain(row.span);
    plain(row.offset);
    plain(row.size);
    let turn = base > 0 ? row.turn[base - 1] : 0;
    for (let i = 0; i < count; ++i) row.turn[base + i] = turn += cursor.signed();
    plain(row.quiet);
    plain(row.protocol);
    plain(row.why);
    plain(row.bad);
    for (let i = 0; i < count; ++i) {
      const r = base + i;
      row.own[r] = -1;
      if (row.flags[r] & 64) {
        row.own[r] = this.own.length;
        this.own.push(cursor.take(row.size[r]));
      }
      if (row.kind[r] === SEGMENT.command) this.commandOf.set(row.turn[r], r);
    }
    this.rows += count;
  }

  laneOf(event) {
    const kind = this.kind[event] & 15;
    return kind === KIND.bytes || kind === KIND.bad ? this.kind[event] >> 4 : 3;
  }
  sideOf(row) { return this.row.flags[row] & 3; }

  bytesOfEvent(event) {
    const lane = this.laneOf(event);
    return this.lanes[lane].subarray(this.before[lane][event], this.before[lane][event + 1]);
  }
  // Where the row's bytes begin in its side's lane.
  placeOf(row) { return this.before[this.sideOf(row)][this.row.first[row]] + this.row.offset[row]; }
  bytesOfRow(row) {
    if (this.row.own[row] >= 0) return this.own[this.row.own[row]];
    const place = this.placeOf(row);
    return this.lanes[this.sideOf(row)].subarray(place, place + this.row.size[row]);
  }
  wordsOf(event) { return new TextDecoder().decode(this.bytesOfEvent(event)); }

  // First event at or behind `ns`.
  eventAt(ns) { return firstNotBelow(this.at, this.events, ns); }
  // The row that was being said at `ns`, or the one before it.
  rowAt(ns) {
    const row = firstNotBelow(this.row.from, this.rows, ns + 0.5);
    return Math.max(0, row - 1);
  }
  rowOfEvent(event) {
    let row = Math.min(firstNotBelow(this.row.from, this.rows, this.at[event] + 0.5), this.rows) - 1;
    for (let back = 0; row >= 0 && back < 4096; --row, ++back) {
      const first = this.row.first[row];
      if (this.row.kind[row] !== SEGMENT.silence && first <= event &&
          event <= first + this.row.span[row]) {
        const lane = this.laneOf(event);
        if (lane === 3 ? first === event : this.sideOf(row) === lane) return row;
      }
    }
    return this.rowAt(this.at[event]);
  }
  // The row that holds byte `offset` of a lane.
  rowOfByte(lane, offset) {
    const event = firstNotBelow(this.before[lane], this.events + 1, offset + 1) - 1;
    let row = this.rowOfEvent(event);
    if (lane === 3) return row;
    for (let ahead = 0; ahead < 64 && row < this.rows; ++ahead, ++row) {
      const place = this.placeOf(row);
      if (this.sideOf(row) === lane && this.row.size[row] > 0 && place <= offset &&
          offset < place + this.row.size[row]) return row;
    }
    return this.rowOfEvent(event);
  }

  // The file itself, for saving.
  file() {
    return new Blob(elementsOf("capture", this.number).map((e) => fromBase64(e.textContent)),
      { type: "application/octet-stream" });
  }
}

function firstNotBelow(column, count, value) {
  let low = 0;
  let high = count;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (column[middle] < value) low = middle + 1;
    else high = middle;
  }
  return low;
}
