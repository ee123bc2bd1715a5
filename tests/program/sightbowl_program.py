"""Runs the built program (its path is in SIGHTBOWL) and looks into its logs, for the tests here."""

import csv
import io
import json
import os
import shutil
import sqlite3
import subprocess
import tempfile
import unittest

PROGRAM = os.environ["SIGHTBOWL"]


def run(*arguments, **options):
    """One call; returns (exit status, standard output, standard error)."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SIGHTBOWL")}
    environment.update(options.pop("environment", {}))
    done = subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True,
                          env=environment, timeout=600, **options)
    return done.returncode, done.stdout, done.stderr


def log_contents(path):
    """Everything that a log holds, table by table, rows in an order of their own."""
    database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        tables = [row[0] for row in database.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
        return {table: sorted(database.execute(f"SELECT * FROM {table}"), key=repr)
                for table in tables}
    finally:
        database.close()


def value_difference(one, other):
    """Where two values differ, in words; of blobs the bytes about the first place."""
    if not (isinstance(one, bytes) and isinstance(other, bytes)):
        return f"{one!r} is {other!r}"
    at = next((i for i, (a, b) in enumerate(zip(one, other)) if a != b), min(len(one), len(other)))
    begin = max(0, at - 8)
    return (f"blobs of {len(one)} and {len(other)} bytes, from byte {at}: …{one[begin:at + 24].hex(' ')}… is "
            f"…{other[begin:at + 24].hex(' ')}…")


def log_differences(expected, actual):
    """All tables in which the contents of two logs differ, a line each, and where first."""
    lines = []
    for table in sorted(expected.keys() | actual.keys()):
        rows, others = expected.get(table), actual.get(table)
        if rows == others:
            continue
        if rows is None or others is None:
            lines.append(f"{table}: is in one log only")
            continue
        unlike = [i for i, (row, other) in enumerate(zip(rows, others)) if row != other]
        line = f"{table}: {len(rows)} and {len(others)} rows, {len(unlike)} of those side by side differ"
        if unlike:
            row, other = rows[unlike[0]], others[unlike[0]]
            columns = [f"column {i}: {value_difference(a, b)}" for i, (a, b) in enumerate(zip(row, other))
                       if a != b]
            line += f", first row {unlike[0]} ({row[0]!r}): " + "; ".join(columns)
        lines.append(line)
    return lines


class ProgramTest(unittest.TestCase):
    """Each test has a folder of its own."""

    maxDiff = 4000

    def setUp(self):
        self.folder = tempfile.mkdtemp(prefix="sightbowl-test-")

    def tearDown(self):
        shutil.rmtree(self.folder, ignore_errors=True)

    def assert_same_logs(self, expected, actual, when, but=()):
        """Two logs (their paths) hold the same, row by row; else both are kept, and every difference is told."""
        contents = [{table: rows for table, rows in log_contents(path).items() if table not in but}
                    for path in (expected, actual)]
        different = log_differences(*contents)
        if different:
            kept = tempfile.mkdtemp(prefix="sightbowl-differs-")
            for path in (expected, actual):
                for name in (path, path + "-wal", path + "-batch"):
                    if os.path.exists(name):
                        shutil.copy(name, kept)
            self.fail("\n".join([f"{when}; the logs are kept in {kept}"] + different))

    def path(self, name):
        return os.path.join(self.folder, name)

    def done(self, *arguments, **options):
        """A call that must succeed without a word on standard error; returns its output."""
        status, out, error = run(*arguments, **options)
        self.assertEqual((status, error), (0, ""), (arguments, out))
        return out

    def refused(self, status, message, *arguments, **options):
        """A call that must fail with one exact line and print no result."""
        actual, out, error = run(*arguments, **options)
        self.assertEqual((actual, out, error), (status, "", message + "\n"), arguments)

    def rows(self, *arguments):
        """The one table that a command gives as JSON."""
        tables = json.loads(self.done(*arguments, "--json"))
        self.assertEqual(len(tables), 1, arguments)
        return next(iter(tables.values()))

    def csv_rows(self, *arguments):
        text = self.done(*arguments, "--csv")
        return list(csv.DictReader(io.StringIO(text, newline="")))

    def season(self, name, *options):
        """Writes a season's capture, as plain candump lines; returns its path and its truth."""
        folder = self.path(name)
        self.done("demo", "--write-only", "--compression", "none", "--json", "--folder", folder,
                  *options)
        with open(os.path.join(folder, "truth.json"), encoding="utf-8") as file:
            truth = json.load(file)
        return os.path.join(folder, "season.log"), truth


def main():
    unittest.main(verbosity=2)


class BoatTest(ProgramTest):
    """Each test has a boat of its own: CONFIG describes it, frames(first, last) gives candump's lines."""

    CONFIG = ""

    def setUp(self):
        super().setUp()
        self.config = self.path("boat.conf")
        with open(self.config, "w", encoding="utf-8") as file:
            file.write(self.CONFIG)
        self.log = self.path("boat.db")

    def replay(self, first, last, **options):
        capture = self.path(f"{first}.log")
        with open(capture, "w", encoding="ascii") as file:
            file.writelines(self.frames(first, last, **options))
        status, _, error = run("replay", "--db", self.log, "--config", self.config, capture)
        self.assertEqual(status, 0, error)

    def table(self, command, *arguments):
        return json.loads(self.done(command, *arguments, "--db", self.log, "--config", self.config, "--json"))

    def elements(self):
        """Those that are fitted, by their filters."""
        rows = self.table("elements", "--at", "end")["elements"]
        return {row["filter"]: row for row in rows if row["removed_utc"] is None}
