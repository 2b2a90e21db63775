// The chosen row in full: who, when, in which pieces, why it is taken for what it is, every byte.

const MOST_HEX = 4096; // bytes
const MOST_PIECES = 24;

function showDetail(box, witness, row, link) {
  box.replaceChildren();
  if (row < 0) return;
  const w = witness;
  const { kind, from, length, turn, first, span, bad, protocol, why } = w.row;
  const line = (...texts) => {
    const p = document.createElement("p");
    p.append(...texts);
    box.append(p);
    return p;
  };
  const heading = document.createElement("h4");
  const side = SIDE[w.sideOf(row)];
  const of = turn[row] > 0 && kind[row] !== SEGMENT.command ? ` to command ${turn[row]}` : turn[row] > 0 ? ` ${turn[row]}` : "";
  const spoke = ![SEGMENT.silence, SEGMENT.gap, SEGMENT.line].includes(kind[row]);
  heading.textContent = `No. ${row + 1}: ${NAME[kind[row]]}${spoke ? of : ""}${spoke ? ", " + side : ""}`;
  box.append(heading);
  const to = from[row] + length[row];
  line(`At ${instant(from[row], 9)} s` + (length[row] > 0 ? `, to ${instant(to, 9)} s (${duration(length[row])})` : "") + ". ");
  const quote = line("To quote this moment: ");
  quote.className = "quote";
  const anchor = document.createElement("a");
  anchor.href = link;
  anchor.textContent = link;
  quote.append(anchor);
  if (kind[row] === SEGMENT.silence) return;
  if (!spoke) {
    line(w.wordsOf(first[row]));
    return;
  }
  const bytes = w.bytesOfRow(row);
  const took = turnaround(w, row);
  line(`${count(bytes.length, "byte")}; line ending: ${ENDING[(w.row.flags[row] >> 2) & 3]}` +
    (took !== undefined ? `; ${duration(took)} after the command had ended` : "") +
    (protocol[row] ? `; ${w.texts[protocol[row]]}` : "") +
    (bad[row] ? `; ${count(bad[row], "byte")} came with an error` : "") + ".");
  const reasons = [];
  const sure = SURE[(w.row.flags[row] >> 4) & 3];
  if (why[row]) reasons.push(`taken for this because ${w.texts[why[row]]}`);
  if (sure) reasons.push(`that is ${sure}`);
  const ended = whyEnded(w, row);
  if (ended) reasons.push(`over, because ${ended}`);
  if (reasons.length) line(reasons.join("; ") + ".");
  const lane = w.sideOf(row);
  const pieces = [];
  for (let e = first[row]; e <= first[row] + span[row] && pieces.length <= MOST_PIECES; ++e)
    if (w.laneOf(e) === lane) pieces.push(`${instant(w.at[e], 6)} (${w.size[e]})`);
  if (pieces.length > 1)
    line(`Read in ${pieces.length > MOST_PIECES ? "many" : pieces.length} pieces, at (bytes): ` +
      pieces.slice(0, MOST_PIECES).join(", ") + (pieces.length > MOST_PIECES ? ", …" : "") + ".");
  const dump = document.createElement("div");
  dump.className = "bytes";
  dump.tabIndex = 0;
  dump.setAttribute("aria-label", "The bytes in hexadecimal and as text");
  const lines = [];
  for (let i = 0; i < Math.min(bytes.length, MOST_HEX); i += 16) {
    const part = bytes.subarray(i, i + 16);
    lines.push(`${hexOf(i >> 8)}${hexOf(i & 255)}  ${hexText(part).padEnd(48)} ${shown(part, 16, false)}`);
  }
  if (bytes.length > MOST_HEX) lines.push(`… and ${count(bytes.length - MOST_HEX, "byte")} more`);
  putSigned(dump, lines.join("\n"));
  box.append(dump);
}
