"""The outside contract: names, formats, exit statuses, messages."""

import contextlib
import json
import os
import re
import sqlite3
import subprocess

from sightbowl_program import PROGRAM, ProgramTest, main, run

COLUMNS = {
    "trips": "trip engine start_utc end_utc engine_h idle_h fuel_l fuel_estimated_l fuel_uncertainty_l "
             "mean_lph max_lph distance_nm l_per_nm co2_kg max_coolant_c events",
    "runs": "run trip engine start_utc end_utc engine_h idle_h fuel_l fuel_estimated_l "
            "fuel_uncertainty_l mean_lph max_lph max_coolant_c",
    "elements": "filter stage element micron fitted_utc removed_utc engine_h litres_through "
                "restriction_kpa reference_kpa limit_kpa used_pct left_h_p10 left_h_p50 left_h_p90 "
                "due_utc due_by basis",
    "events": "event kind subject severity raised_utc acknowledged_utc cleared_utc value limit unit "
              "basis message",
}


class Commands(ProgramTest):

    @classmethod
    def setUpClass(cls):
        cls.keeper = cls("test_version")
        ProgramTest.setUp(cls.keeper)
        cls.capture, cls.truth = cls.keeper.season("season", "--hours", "6")
        cls.database = cls.keeper.path("boat.db")
        cls.keeper.done("replay", "--db", cls.database, cls.capture)

    @classmethod
    def tearDownClass(cls):
        ProgramTest.tearDown(cls.keeper)

    def test_version(self):
        self.assertRegex(self.done("--version"), r"^sightbowl \d+\.\d+\.\d+\n$")

    def test_help_shows_every_command_and_each_has_examples(self):
        text = self.done("--help")
        commands = re.findall(r"^  (\w+) +\S", text.split("commands:\n")[1].split("\n\n")[0], re.M)
        self.assertGreaterEqual(len(commands), 10)
        for command in commands:
            help_text = self.done(command, "--help")
            self.assertIn(f"usage: sightbowl {command}", help_text)
            self.assertIn(f"\n  sightbowl {command}", help_text, "no example")
            self.assertLessEqual(max(map(len, help_text.split("\n")[1:])), 100, command)
        self.assertLessEqual(max(map(len, text.split("\n"))), 100)

    def test_wrong_use_is_one_exact_line_and_exit_2(self):
        for message, arguments in (
                ("sightbowl: name a command (see sightbowl --help)", []),
                ("sightbowl: no such command 'fly' (see sightbowl --help)", ["fly"]),
                ("sightbowl runs: name the log: --db FILE (see sightbowl runs --help)", ["runs"]),
                ("sightbowl runs: no such option '--foo' (see sightbowl runs --help)",
                 ["runs", "--foo"]),
                ("sightbowl runs: --db: expected FILE behind it (see sightbowl runs --help)",
                 ["runs", "--db"]),
                ("sightbowl runs: --json takes no value (see sightbowl runs --help)",
                 ["runs", "--json=yes"]),
                ("sightbowl runs: does not take 'x' (see sightbowl runs --help)",
                 ["runs", "--db", self.database, "x"]),
                ("sightbowl runs: --engine: expected 0 to 3; got '7' (see sightbowl runs --help)",
                 ["runs", "--db", self.database, "--engine", "7"]),
                ("sightbowl runs: --since: 'spring' is no time; expected 2026-06-01 or "
                 "2026-06-01T08:30Z (see sightbowl runs --help)",
                 ["runs", "--db", self.database, "--since", "spring"]),
                ("sightbowl runs: --units: expected metric or us; got 'imperial' (see sightbowl runs "
                 "--help)", ["runs", "--db", self.database, "--units", "imperial"]),
                ("sightbowl replay: expected CAPTURE… (see sightbowl replay --help)", ["replay"]),
                ("sightbowl replay: --start: 'noon' is no time; expected 2026-06-01 or "
                 "2026-06-01T08:30Z (see sightbowl replay --help)",
                 ["replay", "--start", "noon", "x.log"]),
                ("sightbowl export: there is no 'wind' to export; expected windows, minutes, days, "
                 "runs, trips, events, sessions or captures (see sightbowl export --help)",
                 ["export", "--db", self.database, "wind"]),
                ("sightbowl export: --signal: there is no signal 'mood' (see sightbowl export --help)",
                 ["export", "--db", self.database, "days", "--signal", "mood"]),
                ("sightbowl demo: --loss: expected 0 to 50; got '99' (see sightbowl demo --help)",
                 ["demo", "--loss", "99"])):
            self.refused(2, message, *arguments)

    def test_failures_are_one_exact_line_and_exit_1(self):
        nowhere = self.path("nowhere.db")
        self.refused(1, f"sightbowl trips: there is no log '{nowhere}'", "trips", "--db", nowhere)
        self.assertFalse(os.path.exists(nowhere))
        self.refused(1, f"sightbowl trips: '{self.folder}' is a folder, not a log",
                     "trips", "--db", self.folder)
        config = self.path("boat.conf")
        with open(config, "w", encoding="utf-8") as file:
            file.write("[boat]\ncolour = red\n")
        status, out, error = run("runs", "--db", self.database, "--config", config)
        self.assertEqual((status, out), (1, ""))
        self.assertTrue(error.startswith(f"sightbowl runs: {config}:2: colour: no such key"), error)

    def test_tables_have_the_contracts_columns_in_every_format(self):
        for command, columns in COLUMNS.items():
            columns = columns.split()
            text = self.done(command, "--db", self.database, "--csv")
            head = text.split("\n", 1)[0].rstrip("\r").split(",")
            self.assertEqual(head[:len(columns)], columns)  # a table may have more behind them
            rows = self.rows(command, "--db", self.database)
            by_csv = self.csv_rows(command, "--db", self.database)
            self.assertEqual(len(rows), len(by_csv))
            if command in ("trips", "runs", "elements"):
                self.assertGreater(len(rows), 0, command)
            for row, other in zip(rows, by_csv):
                self.assertEqual(list(row), head)
                for column in columns:
                    if row[column] is None:
                        self.assertEqual(other[column], "", column)
                    elif isinstance(row[column], (int, float)):
                        self.assertAlmostEqual(float(other[column]), row[column], places=6)
                    else:
                        self.assertEqual(other[column], row[column])
            if rows:
                titles = self.done(command, "--db", self.database).split("\n")[0].split()
                self.assertEqual(titles, head)

    def test_display_units_change_tables_only(self):
        table = self.done("runs", "--db", self.database, "--units", "us")
        self.assertIn("fuel_gal", table.split("\n")[0])
        self.assertIn("max_coolant_f", table.split("\n")[0])
        metric = self.rows("runs", "--db", self.database)
        self.assertEqual(self.rows("runs", "--db", self.database, "--units", "us"), metric)
        columns = table.split("\n")[0].split()
        shown = float(table.split("\n")[1].split()[columns.index("fuel_gal")])
        # US gallon: 3.785412 L (NIST SP 811)
        self.assertAlmostEqual(shown, metric[0]["fuel_l"] / 3.785412, delta=0.006)

    def test_ranges_and_engines_choose_rows(self):
        runs = self.rows("runs", "--db", self.database)
        middle = runs[len(runs) // 2]["start_utc"]
        late = self.rows("runs", "--db", self.database, "--since", middle)
        early = self.rows("runs", "--db", self.database, "--until", middle)
        self.assertEqual([r["run"] for r in early] + [r["run"] for r in late],
                         [r["run"] for r in runs])
        self.assertEqual(self.rows("runs", "--db", self.database, "--engine", "1"), [])
        self.assertIn("no runs", self.done("runs", "--db", self.database, "--engine", "1"))

    def test_trips_add_up_their_runs(self):
        runs = self.rows("runs", "--db", self.database)
        for trip in self.rows("trips", "--db", self.database):
            own = [r for r in runs if r["trip"] == trip["trip"]]
            if trip["engine"] is None:
                self.assertEqual(own, [])
                continue
            for column in ("engine_h", "idle_h", "fuel_l", "fuel_estimated_l"):
                self.assertAlmostEqual(trip[column], sum(r[column] for r in own), places=6)
            # 3.206 t of CO2 a t of marine gas oil (IMO MEPC.308(73)); 0.845 kg/L by default
            self.assertAlmostEqual(trip["co2_kg"], trip["fuel_l"] * 0.845 * 3.206, places=5)
            if trip["distance_nm"]:
                self.assertAlmostEqual(trip["l_per_nm"], trip["fuel_l"] / trip["distance_nm"],
                                       places=6)

    def test_elements_count_what_passed_them(self):
        config = self.path("boat.conf")
        with open(config, "w", encoding="utf-8") as file:
            file.write("[engine 0]\nsupply = burn\n"
                       "[filter primary]\nelement = 10 micron\nmicron = 10\nchange_h = 100 h\n"
                       "change_l = 5 gal\nfitted = 2025-05-01\n"
                       "[filter secondary]\nchange_months = 12\nfitted = 2025-05-01\n")
        runs = self.rows("runs", "--db", self.database)
        fuel = sum(r["fuel_l"] for r in runs)
        hours = sum(r["engine_h"] for r in runs)
        first, second = self.rows("elements", "--db", self.database, "--config", config, "--at", "end")
        self.assertAlmostEqual(first["engine_h"], hours, places=5)
        self.assertAlmostEqual(first["litres_through"], fuel, delta=0.02 * fuel)
        self.assertEqual((first["filter"], first["element"], first["micron"], first["fitted_utc"]),
                         ("primary", "10 micron", 10, "2025-05-01T00:00:00Z"))
        self.assertEqual((first["due_by"], first["basis"]), ("litres", "counted"))
        self.assertAlmostEqual(first["used_pct"], 100 * first["litres_through"] / (5 * 3.785412),
                               delta=0.01)
        self.assertEqual((second["due_by"], second["due_utc"][:10]), ("months", "2026-05-01"))
        self.assertIsNone(second["restriction_kpa"])
        # A year later the calendar has run out.
        second = self.rows("elements", "--db", self.database, "--config", config,
                           "--at", "2026-06-01")[1]
        self.assertGreater(second["used_pct"], 100)

    def test_status_sums_up(self):
        tables = json.loads(self.done("status", "--db", self.database, "--json"))
        self.assertEqual(list(tables), ["verdict", "reasons", "log", "engines", "trouble_codes", "elements", "tanks",
                                         "range", "events"])
        runs = self.rows("runs", "--db", self.database)
        self.assertEqual(tables["engines"][0]["runs"], len(runs))
        self.assertAlmostEqual(tables["engines"][0]["fuel_l"], sum(r["fuel_l"] for r in runs))
        self.assertEqual(tables["log"][0]["captures"], 1)
        self.assertEqual(tables["log"][0]["bytes"], os.path.getsize(self.database))

    def test_status_tells_a_temperature_beside_its_usual_one(self):
        """In the middle of a healthy run: what is measured is what the hours before it have taught."""
        capture, _ = self.season("healthy", "--hours", "12", "--rates", "slow")
        with open(capture, encoding="ascii") as file:
            lines = file.readlines()
        half, database = self.path("half.log"), self.path("half.db")
        with open(half, "w", encoding="ascii") as file:
            file.writelines(lines[:len(lines) // 2])
        self.done("replay", half, "--db", database)
        reasons = json.loads(self.done("status", "--db", database, "--json"))["reasons"]
        says = next(row["says"] for row in reasons if row["about"] == "temperatures, engine 0")
        for part in ("coolant", "oil"):
            told = re.search(part + r" (\d+) °C, usual at this load (\d+) °C", says)
            self.assertIsNotNone(told, says)
            self.assertAlmostEqual(int(told[1]), int(told[2]), delta=3)
        # Without what was learned nothing is usual, and all the rest is told.
        with contextlib.closing(sqlite3.connect(database)) as db, db:
            db.execute("DELETE FROM checkpoints")
        reasons = json.loads(self.done("status", "--db", database, "--json"))["reasons"]
        self.assertIn(re.sub(r", usual at this load \d+ °C", "", says), [row["says"] for row in reasons])

    def test_listen_counts_what_the_lines_hold(self):
        tables = json.loads(self.done("listen", "--json", self.capture))
        frames = {}
        messages = {}
        first_of = {}
        with open(self.capture, encoding="ascii") as file:
            for line in file:
                identifier = int(line.split()[2].split("#")[0], 16)
                source = identifier & 255
                frames[source] = frames.get(source, 0) + 1
                pgn = identifier >> 8 & 0x3FFFF
                if pgn in (127488, 127493, 129025, 129026, 128259):  # one frame each
                    messages[source, pgn] = messages.get((source, pgn), 0) + 1
                    first_of.setdefault(pgn, line)
        self.assertEqual({s["source"]: s["frames"] for s in tables["sources"]}, frames)
        self.assertEqual({(m["source"], m["pgn"]): m["count"] for m in tables["messages"]
                          if (m["source"], m["pgn"]) in messages}, messages)
        self.assertEqual(tables["buses"][0]["frames"], sum(frames.values()))
        coverage = {row["analysis"]: row["covered"] for row in tables["coverage"]}
        self.assertEqual(coverage["fuel burned"], "yes")
        self.assertIn(coverage["starvation and air"], ("yes", "partly"))

    def test_export_agrees_with_the_views_and_the_runs(self):
        windows = self.csv_rows("export", "windows", "--db", self.database, "--signal",
                                "fuel_rate_lph")
        litres = sum(float(w["mean"]) for w in windows) * 10 / 3600
        runs = self.rows("runs", "--db", self.database)
        # A plain sum of 10 s means: near the integral, and made without it.
        self.assertAlmostEqual(litres, sum(r["fuel_l"] for r in runs), delta=0.02 * litres)
        day = windows[len(windows) // 2]["start_utc"][:10]
        of_day = self.rows("export", "windows", "--db", self.database, "--signal", "fuel_rate_lph",
                           "--since", day, "--until", day + "T23:59:59Z")
        self.assertEqual([w["start_utc"] for w in of_day],
                         [w["start_utc"] for w in windows if w["start_utc"][:10] == day])
        by_day = {d["start_utc"][:10]: d for d in self.csv_rows(
            "export", "days", "--db", self.database, "--signal", "fuel_rate_lph")}
        self.assertEqual(int(by_day[day]["count"]), sum(w["count"] for w in of_day))
        minutes = self.csv_rows("export", "minutes", "--db", self.database, "--signal",
                                "fuel_rate_lph")
        self.assertEqual(sum(int(m["count"]) for m in minutes), sum(int(w["count"]) for w in windows))

    def test_check_names_what_is_wrong(self):
        example = os.path.join(os.path.dirname(__file__), "../../docs/sightbowl.conf.example")
        rows = self.rows("check", "--no-machine", "--db", self.database, "--config", example)
        self.assertEqual({r["result"] for r in rows}, {"ok"})
        rows = self.rows("check", "--db", self.database, "--config", example)
        found = {r["subject"] for r in rows}
        self.assertLessEqual({"bus can0", "bus can1", "clock", "disk", "log"}, found)
        damaged = self.path("damaged.db")
        with open(self.database, "rb") as file:
            contents = bytearray(file.read())
        contents[4096:40960] = b"\x5a" * (40960 - 4096)
        with open(damaged, "wb") as file:
            file.write(contents)
        status, out, _ = run("check", "--db", damaged, "--json")
        self.assertEqual(status, 1)
        self.assertEqual([r["result"] for r in json.loads(out)["checks"] if r["subject"] == "log"],
                         ["failed"])

    def test_a_configuration_names_the_log_and_an_option_overrides_it(self):
        config = self.path("boat.conf")
        with open(config, "w", encoding="utf-8") as file:
            file.write(f"[log]\npath = {self.database}\n[boat]\nunits = us\n")
        self.assertEqual(self.rows("runs", "--config", config), self.rows("runs", "--db", self.database))
        out = self.done("runs", environment={"SIGHTBOWL_CONFIG": config})
        self.assertIn("fuel_gal", out)
        self.assertIn("fuel_l", self.done("runs", "--config", config, "--units", "metric"))

    def test_output_that_cannot_be_written_is_told(self):
        with open("/dev/full", "w", encoding="ascii") as full:
            done = subprocess.run([PROGRAM, "runs", "--db", self.database], stdout=full,
                                  stderr=subprocess.PIPE, text=True, check=False)
        self.assertEqual((done.returncode, done.stderr),
                         (1, "sightbowl runs: cannot write the output: No space left on device\n"))

    def test_any_sqlite_tool_reads_the_views(self):
        database = sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)
        document = os.path.join(os.path.dirname(__file__), "../../docs/log.md")
        with open(document, encoding="utf-8") as file:
            queries = re.findall(r"```sql\n(.*?)```", file.read(), re.S)
        self.assertGreater(len(queries), 4)
        for query in queries:
            self.assertGreater(len(database.execute(query).fetchall()), 0, query)
        database.close()


if __name__ == "__main__":
    main()
