"""none_skipped.py TESTS.xml: fails if a test of ctest's report was skipped, disabled or not run."""
import sys
import xml.etree.ElementTree as ET


def main():
    cases = list(ET.parse(sys.argv[1]).getroot().iter("testcase"))
    left_out = [c.get("name") for c in cases
                if c.get("status") in ("notrun", "disabled") or c.find("skipped") is not None]
    # A test program may pass while tests inside it were skipped; GoogleTest says so in its output.
    for case in cases:
        said = case.findtext("system-out") or ""
        if "[  SKIPPED ]" in said or "DISABLED TEST" in said or "OK (skipped=" in said:
            left_out.append(case.get("name") + " (skips tests inside)")
    for name in sorted(set(left_out)):
        print("not run: %s" % name)
    if not cases:
        print("no test was run")
    return 1 if left_out or not cases else 0


if __name__ == "__main__":
    sys.exit(main())
