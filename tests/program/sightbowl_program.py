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


class ProgramTest(unittest.TestCase):
    """Each test has a folder of its own."""

    maxDiff = 4000

    def setUp(self):
        self.folder = tempfile.mkdtemp(prefix="sightbowl-test-")

    def tearDown(self):
        shutil.rmtree(self.folder, ignore_errors=True)

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
