"""The answers by HTTP: those of the commands, each field told in docs/api.md, nothing but reading."""

import csv
import io
import json
import os
import re
import sqlite3
import subprocess
import time
import unittest
import urllib.error
import urllib.request

from sightbowl_program import PROGRAM, ProgramTest

MANUAL = os.path.join(os.path.dirname(__file__), "..", "..", "docs", "api.md")
# The commands whose rows the page's server gives under the same name.
COMMANDS = {"trips": ["trips"], "runs": ["runs"], "elements": ["elements"], "events": ["events"],
            "book": ["book", "list"], "spares": ["spares"], "waste": ["waste"]}


class Api(ProgramTest):
    """One short season, served by `sightbowl page`."""

    @classmethod
    def setUpClass(cls):
        cls.season = ProgramTest()
        cls.season.setUp()
        cls.kept = cls.season.path("season")
        # Its own messages go to standard error; only the outcome counts here.
        subprocess.run([PROGRAM, "demo", "--folder", cls.kept, "--hours", "8", "--rates", "slow"],
                       check=True, capture_output=True, timeout=600)
        cls.config = os.path.join(cls.kept, "boat.conf")
        cls.server = subprocess.Popen([PROGRAM, "page", "--config", cls.config, "--port", "0"],
                                      stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        cls.address = cls.server.stdout.readline().strip().rstrip("/")

    @classmethod
    def tearDownClass(cls):
        cls.server.terminate()
        cls.server.communicate(timeout=60)
        cls.season.tearDown()

    def ask(self, path, **options):
        request = urllib.request.Request(self.address + path, **options)
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.read().decode()

    def series(self, name):
        """A question for two signals over the whole log."""
        boat = json.loads(self.ask("/api/v1/overview"))["boat"][0]
        return self.ask(f"/api/v1/{name}?signals=fuel_rate_lph:0,engine_speed_rpm:0&points=20"
                        f"&since={boat['log_start_utc']}&until={boat['log_end_utc']}")

    def test_rows_are_those_of_the_commands(self):
        for name, command in COMMANDS.items():
            here = json.loads(self.ask(f"/api/v1/{name}"))[name]
            there = json.loads(self.done(*command, "--config", self.config, "--json"))[name]
            self.assertEqual(here, there, name)
        self.assertGreater(len(json.loads(self.ask("/api/v1/runs"))["runs"]), 2)

    def test_each_watched_temperature_is_told_as_the_last_run_left_it(self):
        overview = json.loads(self.ask("/api/v1/overview"))
        heard = [(row["signal"], row["instance"]) for row in overview["signals"]]
        told = overview["temperatures"]
        self.assertIn("coolant", [row["part"] for row in told])
        for part in ("coolant", "oil", "exhaust", "fuel"):
            self.assertEqual([(row["signal"], row["engine"]) for row in told if row["part"] == part],
                             [one for one in heard if one[0] == part + "_temperature_c"])
        coolant = next(row for row in told if row["part"] == "coolant")
        hottest = json.loads(self.ask("/api/v1/runs"))["runs"][-1]["max_coolant_c"]
        self.assertGreater(coolant["value_c"], 40)  # it was warm when the engine was stopped
        self.assertLessEqual(coolant["value_c"], hottest)
        self.assertIsNone(coolant["limit_c"])
        self.assertIs(coolant["may_limit"], True)
        with open(self.config, encoding="utf-8") as file:
            configuration = file.read()
        limited = self.path("limited.conf")
        with open(limited, "w", encoding="utf-8") as file:
            file.write(configuration + "\n[limits]\ncoolant_c = 95\n")
        reasons = json.loads(self.done("status", "--db", os.path.join(self.kept, "boat.db"), "--config",
                                       limited, "--json"))["reasons"]
        says = next(row["says"] for row in reasons if row["about"] == "temperatures, engine 0")
        self.assertRegex(says, rf"coolant {coolant['value_c']:.0f} °C(, usual at this load \d+ °C)?, limit 95 °C")
        self.assertRegex(says, r"oil \d+ °C(, usual at this load \d+ °C)?, no limit is set")

    def test_sentences_have_no_names_of_columns_or_signals(self):
        database = os.path.join(self.kept, "boat.db")
        for where in (["--config", self.config], ["--db", database]):
            tables = json.loads(self.done("status", *where, "--json"))
            events = json.loads(self.done("events", *where, "--json"))["events"]
            said = [row["says"] for row in tables["verdict"] + tables["reasons"]] + \
                [row["basis"] for row in tables["range"]] + [row["message"] for row in events]
            self.assertGreater(len(said), 8)
            for sentence in said:
                # A key is named only to say what to write into the configuration.
                plain = re.sub(r"\([^)]* in the configuration\)", "", sentence)
                self.assertNotRegex(plain, r"[a-z0-9]_[a-z0-9]")

    def test_csv_is_that_of_the_command(self):
        for name in ("trips", "runs", "elements", "events"):
            here = list(csv.reader(io.StringIO(self.ask(f"/api/v1/{name}.csv"))))
            there = list(csv.reader(io.StringIO(
                self.done(*COMMANDS[name], "--config", self.config, "--csv"))))
            self.assertEqual(here, there, name)

    def test_a_series_holds_what_any_sqlite_tool_finds_in_the_log(self):
        found = json.loads(self.series("series"))["series"]
        rows = [row for row in found["rows"] if row[1] is not None]
        database = sqlite3.connect(f"file:{self.kept}/boat.db?mode=ro", uri=True)
        speeds = [speed for (speed,) in database.execute(
            "SELECT high FROM readings_10s WHERE signal = 'engine_speed_rpm'")]
        database.close()
        self.assertAlmostEqual(max(row[6] for row in rows if row[6] is not None), max(speeds))

    def test_the_manual_names_every_field(self):
        with open(MANUAL, encoding="utf-8") as manual:
            named = set(re.findall(r"`(?:/api/v1/)?([a-z0-9_]+)`", manual.read()))
        index = json.loads(self.ask("/api/v1/"))
        seen = set(index)
        empty = []
        for name in index["tables"]:
            for table, rows in json.loads(self.ask(f"/api/v1/{name}")).items():
                seen |= {name, table}
                if not rows:
                    empty.append(table)
                for row in rows:
                    seen |= set(row)
        series = json.loads(self.series("series"))["series"]
        seen |= set(series) | {key for signal in series["signals"] for key in signal}
        for name in index["tables"] + ["series"]:
            if name not in ("overview", "verdict"):  # of several tables: no CSV
                text = self.series("series.csv") if name == "series" \
                    else self.ask(f"/api/v1/{name}.csv")
                seen |= set(text.splitlines()[0].split(","))
        self.assertEqual(sorted(seen - named), [])
        self.assertLessEqual(set(empty), {"buses", "events", "trouble_codes"})

    def test_nothing_is_written_unless_it_is_switched_on(self):
        for path, body in (("/api/v1/acknowledge", {"event": 1}),
                           ("/api/v1/book", {"book": [{"kind": "note", "remark": "No"}]})):
            with self.assertRaises(urllib.error.HTTPError) as refusal:
                self.ask(path, data=json.dumps(body).encode(), method="POST",
                         headers={"Sightbowl-Page": "1", "Content-Type": "application/json"})
            self.assertEqual(refusal.exception.code, 405)
            self.assertIn("error", json.loads(refusal.exception.read()))
            refusal.exception.close()


class AfterTheEngine(ProgramTest):
    """A log that goes on after the engine stopped, though not for as long as closes its run."""

    def test_the_engine_is_on_only_when_the_command_says_that_it_runs(self):
        season = self.path("season")
        subprocess.run([PROGRAM, "demo", "--folder", season, "--hours", "3", "--rates", "slow"],
                       check=True, capture_output=True, timeout=600)
        config = os.path.join(season, "boat.conf")
        server = subprocess.Popen([PROGRAM, "page", "--config", config, "--port", "0"],
                                  stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            address = server.stdout.readline().strip().rstrip("/")
            with urllib.request.urlopen(address + "/api/v1/overview", timeout=60) as answer:
                boat = json.loads(answer.read())["boat"][0]
        finally:
            server.terminate()
            server.communicate(timeout=60)
        engines = json.loads(self.done("status", "--config", config, "--json"))["engines"]
        runs = json.loads(self.done("runs", "--config", config, "--json"))["runs"]
        self.assertGreater(boat["log_end_utc"][:15], runs[-1]["end_utc"][:15])  # by tens of minutes
        self.assertEqual([bool(engine["running"]) for engine in engines], [False])
        self.assertFalse(boat["engine_on"])


class PlayedSeason(ProgramTest):
    """`demo --serve`: a season of another year than this one."""

    def test_elements_are_judged_by_the_seasons_own_time(self):
        server = subprocess.Popen(
            [PROGRAM, "demo", "--serve", "--folder", self.path("season"), "--hours", "8", "--rates",
             "slow", "--port", "0"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            address = next(line for line in server.stdout if line.startswith("http")).strip()
            used = []
            for _ in range(300):
                with urllib.request.urlopen(f"{address}api/v1/elements", timeout=60) as answer:
                    rows = json.load(answer)["elements"]
                used = [row["used_pct"] for row in rows if row["engine_h"]]
                if used:
                    break
                time.sleep(0.2)
            self.assertEqual(len(used), 2)
            self.assertLess(max(used), 50)  # by the clock of today each is overdue by its months
        finally:
            server.terminate()
            server.communicate(timeout=60)


if __name__ == "__main__":
    unittest.main()
