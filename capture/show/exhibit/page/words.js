// Times, sizes and bytes for reading. Texts reach the page as text nodes only.

function duration(ns) {
  if (ns === 0) return "0 s";
  if (ns < 1000) return `${Math.round(ns)} ns`;
  const three = (v, unit) => `${v.toFixed(v >= 99.95 ? 0 : v >= 9.995 ? 1 : 2)} ${unit}`;
  if (ns < 999500) return three(ns / 1e3, "µs");
  if (ns < 999500000) return three(ns / 1e6, "ms");
  if (ns < 59995000000) return three(ns / 1e9, "s");
  const s = Math.round(ns / 1e9);
  if (s >= 86400) return `${Math.floor(s / 86400)} d ${Math.floor(s / 3600) % 24} h`;
  if (s >= 3600) return `${Math.floor(s / 3600)} h ${Math.floor(s / 60) % 60} min`;
  return `${Math.floor(s / 60)} min ${s % 60} s`;
}

// "12.345678", "1:02.345678", "1:00:02.345678": with as many decimals as asked for.
function instant(ns, decimals = 6) {
  const sign = ns < 0 ? "-" : "";
  const unit = 10 ** (9 - decimals);
  const units = Math.floor(Math.abs(ns) / unit);
  const perSecond = 10 ** decimals;
  const seconds = Math.floor(units / perSecond);
  const fraction = decimals > 0 ? "." + String(units % perSecond).padStart(decimals, "0") : "";
  const two = (n) => String(n).padStart(2, "0");
  if (seconds < 60) return sign + seconds + fraction;
  const minutes = Math.floor(seconds / 60);
  if (minutes < 60) return `${sign}${minutes}:${two(seconds % 60)}${fraction}`;
  return `${sign}${Math.floor(minutes / 60)}:${two(minutes % 60)}:${two(seconds % 60)}${fraction}`;
}

// Reads "12.345", "1:02.3", "1:00:02" as ns; NaN: none of it.
function readInstant(text) {
  const parts = text.trim().split(":");
  if (parts.length > 3 || !parts.every((p) => /^\d+(\.\d*)?$|^\.\d+$/.test(p))) return NaN;
  return Math.round(parts.reduce((sum, p) => sum * 60 + Number(p), 0) * 1e9);
}

const hexOf = (b) => b.toString(16).padStart(2, "0");

function count(n, one, many = one + "s") {
  return `${n.toLocaleString("en").replaceAll(",", "\u202f")} ${n === 1 ? one : many}`;
}

// One byte as it is shown: printable ASCII, a control picture for CR and LF, else \xNN.
function shownByte(b) {
  if (b === 13) return "\u240d";
  if (b === 10) return "\u240a";
  if (b === 92) return "\\\\";
  if (b >= 32 && b < 127) return String.fromCharCode(b);
  return "\\x" + hexOf(b);
}

// Fonts without control pictures show boxes for them, so the page draws its own: a small framed CR
// or LF. What is copied is the control picture, what is read out is the name.
const SIGNS = { "\u240d": "CR", "\u240a": "LF" };
const SIGN = /([\u240d\u240a])/;

function sign(picture) {
  const span = document.createElement("span");
  span.className = "sign";
  span.dataset.sign = SIGNS[picture];
  span.setAttribute("role", "img");
  span.setAttribute("aria-label", SIGNS[picture]);
  span.textContent = picture;
  return span;
}
function putSigned(parent, text) {
  for (const part of text.split(SIGN)) if (part !== "") parent.append(SIGNS[part] ? sign(part) : part);
}
// In all texts that came with the page.
function drawSigns(root) {
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  const found = [];
  while (walker.nextNode())
    if (SIGN.test(walker.currentNode.data) && !walker.currentNode.parentNode.closest(".sign, script, style, svg"))
      found.push(walker.currentNode);
  for (const node of found) {
    const whole = document.createDocumentFragment();
    putSigned(whole, node.data);
    node.replaceWith(whole);
  }
}
// On a canvas; the text ends at `x` if `right`.
function paintSigned(c, text, x, y, right = false) {
  const plain = c.font;
  const small = plain.replace(/^(?:\d+ )?[\d.]+px/, "600 8px");
  const parts = text.split(SIGN).filter((part) => part !== "").map((part) => {
    c.font = SIGNS[part] ? small : plain;
    return { text: SIGNS[part] ?? part, framed: Boolean(SIGNS[part]),
      wide: c.measureText(SIGNS[part] ?? part).width + (SIGNS[part] ? 7 : 0) };
  });
  let at = right ? x - parts.reduce((sum, part) => sum + part.wide, 0) : x;
  c.textAlign = "left";
  c.lineWidth = 1;
  c.strokeStyle = c.fillStyle;
  for (const part of parts) {
    c.font = part.framed ? small : plain;
    if (part.framed) {
      c.strokeRect(Math.round(at + 1) + 0.5, Math.round(y - 5) - 0.5, Math.round(part.wide - 3), 10);
      c.fillText(part.text, at + 3.5, y);
    } else {
      c.fillText(part.text, at, y);
    }
    at += part.wide;
  }
  c.font = plain;
}

// ∅ for bytes that end with neither CR nor LF.
function endsOpen(bytes) {
  const last = bytes[bytes.length - 1];
  return last !== 13 && last !== 10;
}

// Bytes of the CR, LF or CR LF at the end.
function endingSize(bytes) {
  const n = bytes.length;
  if (n === 0 || endsOpen(bytes)) return 0;
  return bytes[n - 1] === 10 && n > 1 && bytes[n - 2] === 13 ? 2 : 1;
}

function shown(bytes, most = Infinity, ending = true) {
  let out = "";
  const n = Math.min(bytes.length, most);
  for (let i = 0; i < n; ++i) out += shownByte(bytes[i]);
  if (n < bytes.length) return out + "…";
  return ending && endsOpen(bytes) ? out + "\u2205" : out;
}

function hexText(bytes, most = Infinity) {
  const n = Math.min(bytes.length, most);
  const out = [];
  for (let i = 0; i < n; ++i) out.push(hexOf(bytes[i]));
  return out.join(" ") + (n < bytes.length ? " …" : "");
}

// Puts bytes into `parent`; `hits`: [from, to) within them that a search has found.
function putBytes(parent, bytes, { hex = false, most = 400, hits = [], ending = true } = {}) {
  const n = Math.min(bytes.length, most);
  let run = "";
  let kind = "";
  let marked = false;
  const flush = () => {
    if (run === "") return;
    let node = document.createTextNode(run);
    if (kind !== "") {
      const span = document.createElement("span");
      span.className = kind;
      putSigned(span, run);
      node = span;
    }
    if (marked) {
      const mark = document.createElement("mark");
      mark.append(node);
      node = mark;
    }
    parent.append(node);
    run = "";
  };
  for (let i = 0; i < n; ++i) {
    const b = bytes[i];
    const k = hex ? "" : b === 13 || b === 10 ? "end" : b < 32 || b >= 127 ? "raw" : "";
    const m = hits.some(([from, to]) => from <= i && i < to);
    if (k !== kind || m !== marked) flush();
    kind = k;
    marked = m;
    run += hex ? hexOf(b) + " " : shownByte(b);
  }
  flush();
  kind = "end";
  marked = false;
  if (n < bytes.length) run = "…";
  else if (ending && !hex && endsOpen(bytes)) run = "\u2205";
  flush();
}

const ROLE = {
  [SEGMENT.echo]: "echo", [SEGMENT.unsolicited]: "unasked", [SEGMENT.banner]: "banner",
  [SEGMENT.data]: "data",
};
const NAME = {
  [SEGMENT.command]: "command", [SEGMENT.reply]: "reply", [SEGMENT.echo]: "echo",
  [SEGMENT.unsolicited]: "unasked line", [SEGMENT.banner]: "banner", [SEGMENT.silence]: "silence",
  [SEGMENT.gap]: "gap", [SEGMENT.data]: "data", [SEGMENT.line]: "line event",
};
const SIDE = ["unknown", "host", "module"];
const SURE = ["", "unsure", "likely", "sure"];
const ENDING = ["none", "CR", "LF", "CR LF"];

function whyEnded(witness, row) {
  const quiet = witness.row.quiet[row];
  return [
    "", `its line ending ${ENDING[(witness.row.flags[row] >> 2) & 3]} came`,
    quiet >= 2 ** 62 ? "nothing came behind it" : `nothing came for ${duration(quiet)}`,
    "the other side began to speak", "its protocol says that it is complete",
    "something may be missing here", "a break came", "the capture ends here",
    "the whole command had been given back", "longer than is kept as one",
  ][witness.row.endedBy[row]] ?? "";
}

// End of the command to the first byte of this reply; undefined: not its first reply.
function turnaround(witness, row) {
  if (witness.row.kind[row] !== SEGMENT.reply) return undefined;
  const command = witness.commandOf.get(witness.row.turn[row]);
  if (command === undefined) return undefined;
  for (let r = command + 1; r < row && r < command + 64; ++r)
    if (witness.row.kind[r] === SEGMENT.reply && witness.row.turn[r] === witness.row.turn[row])
      return undefined;
  return witness.row.from[row] - witness.row.from[command] - witness.row.length[command];
}

// A row in one sentence, for a screen reader.
function spoken(witness, row) {
  const { kind, from, length, turn } = witness.row;
  const at = `at ${instant(from[row])} seconds`;
  if (kind[row] === SEGMENT.silence) return `silence of ${duration(length[row])}, ${at}`;
  if (kind[row] === SEGMENT.line || kind[row] === SEGMENT.gap)
    return `${witness.wordsOf(witness.row.first[row])}, ${at}`;
  const bytes = witness.bytesOfRow(row);
  let text = "";
  for (const b of bytes.subarray(0, 200))
    text += b === 13 ? " CR " : b === 10 ? " LF " : shownByte(b);
  if (bytes.length > 200) text += ", and more";
  else if (endsOpen(bytes)) text += ", no line ending";
  const whose = SIDE[witness.sideOf(row)];
  const which = turn[row] > 0 && kind[row] !== SEGMENT.command ? ` to command ${turn[row]}` : "";
  return `${whose}, ${NAME[kind[row]]}${which}: ${text}; ${at}`;
}
