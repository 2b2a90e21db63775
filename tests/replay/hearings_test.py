#!/usr/bin/env python3
"""A plan with several hearings: a sketch and a program on trial in one run, one report of both.

  hearings_test.py BYTETRIAL SKETCHES PROGRAM
"""
import json
import pathlib
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as xml

SOURCE = pathlib.Path(__file__).resolve().parents[2]
BYTETRIAL, SKETCHES, PROGRAM = sys.argv[1:4]


def demand(good, what, detail=""):
    if not good:
        raise SystemExit("FAILED: %s\n%s" % (what, detail))
    print("ok    " + what)


with tempfile.TemporaryDirectory() as folder:
    folder = pathlib.Path(folder)
    plan = folder / "plan.textproto"
    plan.write_text("""
      capture: "%s/samples/sedge-b.textproto"
      vary { factor: "ending" level: "none" }
      hearing {
        sketch {
          elf: "%s/butt_watch_copes.elf"
          setting { key: "module-on" value: "pins:rx=10,tx=11" }
        }
        vary { factor: "ending" level: "none" level: "cr" }
        vary { factor: "rate" level: "+1%%" }
      }
      hearing {
        sketch {
          elf: "%s/butt_watch_compares.elf"
          setting { key: "module-on" value: "pins:rx=10,tx=11" }
        }
      }
      hearing {
        capture: "%s/samples/faults/module.textproto"
        program { argument: "%s" argument: "{port}" argument: "lf" }
        demands { must_say: "nothing that it ever says" }
      }
      """ % (SOURCE, SKETCHES, SKETCHES, SOURCE, PROGRAM))
    junit = folder / "out.xml"
    report = folder / "out.json"
    done = subprocess.run([BYTETRIAL, "run", str(plan), "--shrink", "off", "--junit", str(junit),
                           "--json", str(report), "--keep", str(folder / "kept")],
                          capture_output=True, text=True, timeout=280)
    said = done.stdout + done.stderr
    demand(done.returncode == 1, "a hearing that broke fails the whole run", said)
    hearings = json.loads(report.read_text())["hearing"]
    demand(len(hearings) == 3, "three hearings are reported", said)
    demand([t["verdict"] for t in hearings[0]["trial"]] == ["VERDICT_HELD"] * 3,
           "the sketch that copes held", said)
    demand([t["verdict"] for t in hearings[1]["trial"]] == ["VERDICT_BROKE"],
           "the sketch that compares broke", said)
    demand(hearings[2]["baseline"]["verdict"] == "VERDICT_NO_CONTEST",
           "the program's own demand was used", said)
    suites = xml.parse(junit).getroot().findall("testsuite")
    cases = [(case.get("classname").split("/")[-1].split()[0], case.get("name"),
              case.find("failure") is not None or case.find("error") is not None)
             for suite in suites for case in suite.findall("testcase")]
    demand(("butt_watch_copes.elf", "ending=cr", False) in cases and
           ("butt_watch_compares.elf", "ending=none", True) in cases and len(suites) == 3,
           "JUnit names sketch and variation", str(cases))
    demand(suites[2].find("testcase").get("classname").startswith("program "),
           "and the program", str(cases))
    for number in (1, 2):
        demand((folder / ("kept/hearing-%d/as-recorded.witness" % number)).exists() and
               (folder / ("kept/hearing-%d/trial-0001.witness" % number)).exists(),
               "conversations of hearing %d are kept apart" % number)
    demand("All hearings:" in done.stdout and "3 of 3 held" in done.stdout,
           "the end sums up", said)
    shards = []
    for number in (1, 2):
        shard = folder / ("shard-%d.json" % number)
        subprocess.run([BYTETRIAL, "run", str(plan), "--shrink", "off", "--shard", "%d/2" % number,
                        "--json", str(shard)], capture_output=True, timeout=280)
        shards.append(str(shard))
    merged = subprocess.run([BYTETRIAL, "merge", *shards], capture_output=True, text=True)
    demand(merged.returncode == 1 and "3 of 3 held" in merged.stdout, "shards are merged",
           merged.stdout + merged.stderr)
