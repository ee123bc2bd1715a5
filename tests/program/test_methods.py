#!/usr/bin/env python3
"""Every file of analysis/ is told by a page of docs/methods/, and the constants that they use stand there as they
stand in the code.

    tests/program/test_methods.py --write      draws docs/methods/constants.md anew
"""

import os
import re
import sys
import unittest

ROOT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..")
METHODS = os.path.join(ROOT, "docs", "methods")
CONSTANTS = os.path.join(METHODS, "constants.md")

# Files without a method in them, and why.
NO_METHOD = {
    "boat": "what the skipper tells, with its defaults; docs/sightbowl.conf.example has them",
    "coverage": "a table of which signals serve which analysis, told by listen itself",
    "filter_build": "names of a filter's build; docs/book.md",
    "pipeline": "hands on what the others judge, in order; DEVELOPERS.md",
    "sentence": "puts words together",
    "service_book": "kinds of entries and their fields; docs/book.md",
    "service_steps": "steps and cautions in words; docs/book.md",
    "state_version_1": "reads an older checkpoint",
    "window_view": "reads a window",
}

HEAD = """# Constants of the analysis

Drawn from the code by `tests/program/test_methods.py --write`; the test fails when a value differs. What a method does with them, their sources, and
what has none (common practice, no source), is on its page.
"""

DEFINE = re.compile(r"^#define[ \t]+([A-Z][A-Z0-9_]*)[ \t]+(.+)$")
NUMBER = re.compile(r"^[\s()0-9.eExXa-fA-F+\-*/<uUlL]*$")


def read(path):
    with open(path, encoding="utf-8") as file:
        return file.read()


def files():
    folder = os.path.join(ROOT, "analysis")
    return sorted(name[:-2] for name in os.listdir(folder) if name.endswith(".c"))


def constants(name):
    """(name, value, what the comment beside or above it says) of each number that a file defines."""
    known = {}
    rows = []
    lines = [line for end in (".h", ".c") for line in read(os.path.join(ROOT, "analysis", name + end)).split("\n")]
    for i, line in enumerate(lines):
        match = DEFINE.match(line)
        if not match:
            continue
        value, _, comment = match.group(2).partition("/*")
        plain = re.sub(r"U?INT64_C\((\w+)\)", r"\1", value.strip())
        plain = re.sub(r"\b[A-Z][A-Z0-9_]*\b", lambda word: str(known.get(word.group(), word.group())), plain)
        if not NUMBER.match(plain) or not re.search(r"\d", plain):
            continue
        known[match.group(1)] = plain if re.fullmatch(r"[\d.eE-]+", plain) else f"({plain})"
        at = i
        while comment and "*/" not in comment:
            at += 1
            comment += " " + lines[at].strip().lstrip("*").strip()
        words = comment.replace("*/", "").strip()
        if not words and i > 0 and lines[i - 1].rstrip().endswith("*/") and not lines[i - 1].startswith("#"):
            above = i - 1
            while not lines[above].lstrip().startswith("/*"):
                above -= 1
            words = " ".join(one.strip().strip("/").strip("*").strip() for one in lines[above:i])
        rows.append((match.group(1), value.strip(), words.replace("|", "\\|")))
    return rows


def page_of(name, pages):
    pattern = re.compile(rf"\b{name}\.(\[ch\]|c`|h`)")
    return [page for page, text in pages.items() if pattern.search(text)]


def pages_of():
    return {page: read(os.path.join(METHODS, page)) for page in sorted(os.listdir(METHODS)) if page != "constants.md"}


def draw():
    pages = pages_of()
    parts = [HEAD]
    for name in files():
        rows = constants(name)
        told = page_of(name, pages)
        if not rows or name in NO_METHOD or not told:
            continue
        parts.append(f"\n## `analysis/{name}.c`\n\nMethod: [{told[0]}]({told[0]}).\n\n| constant | value | what |\n| --- | --- | --- |\n")
        parts += [f"| `{one}` | `{value}` | {words} |\n" for one, value, words in rows]
    return "".join(parts)


class Methods(unittest.TestCase):

    def test_every_method_has_its_page(self):
        pages = pages_of()
        self.assertEqual([name for name in files() if name not in NO_METHOD and not page_of(name, pages)], [])
        self.assertEqual([name for name in NO_METHOD if name not in files()], [])

    def test_every_page_says_its_limits_and_what_it_was_checked_by(self):
        for page, text in pages_of().items():
            self.assertRegex(text.lower(), r"limit", page)
            self.assertRegex(text, r"test_|tests/|Checked|checked|Measured", page)
            self.assertRegex(text.lower(), r"source|common practice|arithmetic|our judgement|published|astm|iso|memory", page)

    def test_pages_name_files_that_are_there(self):
        for page, text in pages_of().items():
            for folder, name in re.findall(r"`(analysis|tests/unit|tests/program|tests/scenario)/([\w]+)\.(?:\[ch\]|c|py)`", text):
                found = any(os.path.exists(os.path.join(ROOT, folder, name + end)) for end in (".c", ".h", ".py"))
                self.assertTrue(found, (page, folder, name))

    def test_the_constants_are_the_code_s(self):
        self.assertEqual(read(CONSTANTS), draw(), "draw it anew: tests/program/test_methods.py --write")


if __name__ == "__main__":
    if "--write" in sys.argv:
        with open(CONSTANTS, "w", encoding="utf-8") as out:
            out.write(draw())
    else:
        unittest.main(verbosity=2)
