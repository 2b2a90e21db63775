// Captures for the browser tests, in the demo scenario.
import fs from "node:fs";
import { folder, inFolder, makeCapture } from "./bench.mjs";

const MS = 1e6;

// Sedge C: echo, replies in two pieces, something unasked, then a day of nothing.
export function sedge(name = "sedge-c.witness") {
  const events = [];
  let at = 100 * MS;
  const say = (side, text, after) => events.push({ at_ns: (at += after * MS), side, text });
  for (const [command, answer] of [["AT", ""], ["AT+FW?", "+FW: sedge-c 3.0\r\n"], ["AT+CHAN=11", ""],
    ["AT+SIGNAL?", "+SIGNAL: -71\r\n"], ["AT+POWER=2", ""]]) {
    say("host", command + "\r", 1500);
    say("module", command + "\r", 12);
    if (answer) say("module", answer, 25);
    say("module", "OK\r", 35);
  }
  say("module", "+JOI", 2000);
  say("module", "N: 3\r\n", 5); // one line, two reads
  events.push({ at_ns: (at += 500 * MS), kind: "note", text: "antenna moved" });
  say("host", "AT+FW?\r", 86400e3);
  say("module", "AT+FW?\r+FW: sedge-c 3.0\r\nOK", 40);
  return makeCapture(name, events, "--title", "Sedge C on the bench", "--baud", "9600");
}

export function otherSedge() {
  return makeCapture("sedge-d.witness", [
    { at_ns: 100 * MS, side: "host", text: "AT+FW?\r" },
    { at_ns: 130 * MS, side: "module", text: "AT+FW?\r+FW: sedge-c 3.1\r\nOK" },
  ], "--baud", "9600");
}

// What a page must never run and a screen never obey.
export const EVIL = "</script><script>window.ran=1</script><img src=x onerror=window.ran=2>" +
  "<svg onload=window.ran=3>\"'`--><!--${window.ran=4}";
export const TRICKS = "\u202egnp.exe\u2066\u0007\u001b[31mred\u001b]0;title\u0007\u009b2J\u200b";

export function hostile() {
  const hex = (bytes) => Buffer.from(bytes).toString("hex");
  const all = Uint8Array.from({ length: 256 }, (_, i) => i);
  const made = makeCapture("hostile.witness", [
    { at_ns: MS, side: "host", text: "AT" + EVIL + "\r\n" },
    { at_ns: 20 * MS, side: "module", hex: hex(EVIL + TRICKS + "\r\n") },
    { at_ns: 900 * MS, side: "host", text: "AT+KEY=" + EVIL + "\r" },
    { at_ns: 910 * MS, side: "module", hex: hex(all) },
    { at_ns: 2000 * MS, side: "module", hex: "c328fffe80bf1b5b324a1b5d303b41070d0a" },
    { at_ns: 3000 * MS, kind: "note", text: EVIL + TRICKS },
  ], "--title", EVIL + TRICKS);
  const named = inFolder("<img src=x onerror=window.ran=5>\u202e'\"&.witness");
  fs.renameSync(made, named);
  return named;
}

// A trial's report, as bytetrial run --json --keep writes it (proto/trial.proto).
export function trial(baseline, broken) {
  const report = {
    tool: "bytetrial 0.1.0", capture: "sedge-c.witness", subject: "python3 butt_watch.py " + EVIL, following: "by look-up",
    baseline: { name: "as recorded", verdict: "VERDICT_HELD", took_ns: "395000000", kept: baseline },
    trial: [
      { name: "ending=lf", verdict: "VERDICT_HELD", took_ns: "401000000" },
      { name: "ending=none", verdict: "VERDICT_BROKE", why: "printed one more line", took_ns: "4340000000",
        divergence: { at_ns: "1500000000", what: "a line was printed", expected: "nothing", got: EVIL, command: "2" },
        diagnosis: [{ words: "reads until LF", evidence: ["waited 1.00 s after each reply"] }],
        smallest: ["ending=none@2"], reproduce: "bytetrial run sedge-c.witness --vary ending=none@2", kept: broken },
    ],
  };
  fs.writeFileSync(`${folder}/report.json`, JSON.stringify(report));
  return inFolder("report.json");
}
