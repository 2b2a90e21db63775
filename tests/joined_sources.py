"""joined_sources.py ROOT FILE...: says which of these sources may be compiled as one, each line a
file and the number of its group.

Files in one translation unit see each other's anonymous namespaces. So files come into different
groups if the same name means one thing in this and another in that. Names are read from lines that
begin at the left edge, where .clang-format puts declarations.
"""
import functools
import os
import re
import sys

MOST_LINES = 3500  # of a group, so that two processors have about the same to do

OWN = re.compile(r"^namespace \{$(.*?)^\}  // namespace$", re.M | re.S)
TYPE = re.compile(r"^(?:struct|class|enum(?: class)?) (\w+)\b(?!.*;$)", re.M)
IMPORT = re.compile(r"^using ((?:\w+ = )?)(.*?(\w+));$", re.M)
FUNCTION_OR_VALUE = re.compile(r"^(?!TEST|using |struct |class |enum |namespace |static_assert)"
                               r"\w[\w:<>,&*\s]*?[\s&*]([A-Za-z_]\w*)(?:\(([^)]*)|\[|\{|;| =)", re.M)
INCLUDE = re.compile(r'^#include "(.*)"$', re.M)


def read(path):
    with open(path, encoding="utf-8") as f:
        return f.read()


def types(text, path):
    return {(name, path) for name in TYPE.findall(text)}


@functools.lru_cache(maxsize=None)
def types_included(root, path):
    """(name, header) of what a file's headers of ours declare, and their headers."""
    found = set()
    for include in INCLUDE.findall(read(path)):
        header = os.path.join(root, include)
        if os.path.exists(header):
            found |= types(read(header), header) | types_included(root, header)
    return frozenset(found)


def meanings(root, path):
    """What names mean in a file: (name, where it is from)."""
    text = read(path)
    found = types(text, path) | types_included(root, path)
    for alias, target, last in IMPORT.findall(text):
        if not target.startswith("namespace "):
            found.add((alias.rstrip(" =") or last, target))
    # The C library and the kernel each have a struct of this name.
    found.add(("termios", "kernel" if "<asm/termbits.h>" in text else "C library"))
    for own in OWN.findall(text):
        for it in FUNCTION_OR_VALUE.finditer(own):
            name, parameters = it.groups()
            if parameters is None:
                found.add((name, path))
            else:  # only functions of the same parameters are one function
                of = [re.sub(r"\s*(\w+)?\s*(=.*)?$", "", one) for one in parameters.split(",")]
                found |= {(name, "functions"), ("%s(%s)" % (name, ",".join(of)), path)}
    return found


def main():
    root, paths = sys.argv[1], sys.argv[2:]
    groups = []  # [what names mean, lines]
    for path in paths:
        mean, lines = dict(), read(path).count("\n")
        for name, origin in meanings(root, path):
            mean.setdefault(name, set()).add(origin)
        for number, group in enumerate(groups):
            if group[1] + lines <= MOST_LINES and all(
                    group[0].get(name, origins) == origins for name, origins in mean.items()):
                break
        else:
            number = len(groups)
            groups.append([{}, 0])
        for name, origins in mean.items():
            groups[number][0].setdefault(name, origins)
        groups[number][1] += lines
        print("%s\t%d" % (path, number))


if __name__ == "__main__":
    main()
