// Finding bytes in all that was said: over each side's bytes in one run, so that what came in two
// reads is found too.

const MOST_HITS = 20000;

// Bytes of "OK\r\n" or, as hex, "4f 4b 0d 0a"; null: cannot be read.
function readNeedle(text, hex) {
  if (hex) {
    const digits = text.replaceAll(/[\s,:]/g, "");
    if (!/^([0-9a-f]{2})+$/i.test(digits)) return null;
    return Uint8Array.from(digits.match(/../g), (d) => parseInt(d, 16));
  }
  const named = { r: 13, n: 10, t: 9, 0: 0, "\\": 92, e: 27 };
  const out = [];
  const plain = text.replaceAll("\u240d", "\\r").replaceAll("\u240a", "\\n");
  for (let i = 0; i < plain.length; ++i) {
    if (plain[i] === "\\" && i + 1 < plain.length) {
      const code = plain.slice(i + 1).match(/^x([0-9a-f]{2})/i);
      if (code) {
        out.push(parseInt(code[1], 16));
        i += 3;
        continue;
      }
      if (named[plain[i + 1]] !== undefined) {
        out.push(named[plain[++i]]);
        continue;
      }
    }
    out.push(...new TextEncoder().encode(plain[i]));
  }
  return Uint8Array.from(out);
}

// Text is found whatever its case; hex exactly.
function findAll(bytes, needle, anyCase, found) {
  const fold = (b) => (anyCase && b >= 65 && b <= 90 ? b + 32 : b);
  const wanted = needle.map(fold);
  const n = wanted.length;
  const first = wanted[0];
  const other = anyCase && first >= 97 && first <= 122 ? first - 32 : first;
  const end = bytes.length - n;
  outer: for (let i = 0; i <= end; ++i) {
    const b = bytes[i];
    if (b !== first && b !== other) continue;
    for (let k = 1; k < n; ++k) if (fold(bytes[i + k]) !== wanted[k]) continue outer;
    if (!found(i)) return;
    i += n - 1;
  }
}

// {hits: [{row, at}...] in order of time, byRow: Map, more: whether there were too many}
function search(witness, needle, anyCase) {
  const hits = [];
  const byRow = new Map();
  let more = false;
  witness.lanes.forEach((bytes, lane) => {
    if (needle.length === 0) return;
    findAll(bytes, needle, anyCase, (offset) => {
      const row = witness.rowOfByte(lane, offset);
      if (row >= 0 && row < witness.rows) {
        hits.push({ row, at: witness.row.from[row] });
        if (lane < 3 && witness.row.own[row] < 0) {
          // A match may go on in the rows behind it.
          let from = offset - witness.placeOf(row);
          let left = needle.length;
          for (let r = row; r < witness.rows && r < row + 64 && left > 0; ++r) {
            if (witness.sideOf(r) !== lane || witness.row.size[r] === 0) continue;
            const here = Math.min(left, witness.row.size[r] - from);
            byRow.set(r, [...(byRow.get(r) ?? []), [from, from + here]]);
            left -= here;
            from = 0;
          }
        }
      }
      more = hits.length >= MOST_HITS * 4;
      return !more;
    });
  });
  hits.sort((a, b) => a.row - b.row);
  if (hits.length > MOST_HITS) more = true;
  return { hits: hits.slice(0, MOST_HITS), byRow, more };
}
