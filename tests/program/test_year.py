"""A year in the life of an invented boat, through the commands alone. Every figure is worked by hand.

The engine is heard as J1939: speed (EEC1, 0.125 rpm a bit), fuel rate (LFE, 0.05 L/h a bit), once a
second; the position as NMEA 2000 (129025, 1e-7 degrees a bit). It has two primary filters in a
change-over set, left and right, and a secondary. All litres pass the filters (no return line).

     run  starts (UTC)      hours  L/h  litres  primary in use
      1   2025-04-10 08:00    4     3     12    left
      2   2025-05-05 10:00    5     4     20    left
      3   2025-06-01 06:00    6     3     18    right (switched on 05-06)
      4   2025-06-15 06:00    8     5     40    right for 2 h (10 L), then left for 6 h (30 L)
      5   2025-07-10 05:00   10     4     40    left
      6   2025-08-10 06:00    3     2      6    left, its second element (changed on 08-01)
      7   2025-09-20 07:00    2     3      6    left, its second element
                             38          142

     element          hours               litres
     left, first      4 + 5 + 6 + 10 = 25  12 + 20 + 30 + 40 = 102
     left, second     3 + 2 = 5            6 + 6 = 12
     right, first     6 + 2 = 8            18 + 10 = 28   (changed on 06-20)
     right, second    0                    0
     secondary        38                   142
"""

import calendar
import json
import os
import shlex
import shutil
import sqlite3
import struct
import subprocess
import time

from sightbowl_program import PROGRAM, ProgramTest, main, run

CONFIG = """\
[boat]
name = Dunlin
use = sailing

[engine 0]
supply = burn
injection = mechanical

[filter left]
set = duplex
stage = primary
element = spin-on 10 micron
micron = 10
rated_lph = 200
change_h = 30
change_months = 12
bowl = clear
drain = tap
loading = spin-on
height = above-tank
priming = hand-pump
shut_off = yes
vent = yes
volume_l = 0.6

[filter right]
set = duplex
stage = primary
element = spin-on 10 micron
micron = 10
rated_lph = 200
change_h = 30
change_months = 12

[filter secondary]
stage = secondary
element = cartridge 2 micron
micron = 2
rated_lph = 120
change_months = 12
"""

RUNS = (("2025-04-10T08:00", 4, 3, 49.0), ("2025-05-05T10:00", 5, 4, 49.5),
        ("2025-06-01T06:00", 6, 3, 50.0), ("2025-06-15T06:00", 8, 5, 50.5),
        ("2025-07-10T05:00", 10, 4, 51.0), ("2025-08-10T06:00", 3, 2, 51.5),
        ("2025-09-20T07:00", 2, 3, 52.0))


def seconds(text):
    return calendar.timegm(time.strptime(text, "%Y-%m-%dT%H:%M"))


def frames():
    """The year as candump lines: each run with 20 s of a standing engine before and after."""
    for start, hours, lph, latitude in RUNS:
        first = seconds(start)
        position = struct.pack("<ii", round(latitude * 1e7), round(-5.25 * 1e7)).hex().upper()
        for second in range(first - 20, first + hours * 3600 + 21):
            running = first <= second <= first + hours * 3600
            rpm = struct.pack("<H", 1800 * 8 if running else 0).hex().upper()
            rate = struct.pack("<H", lph * 20 if running else 0).hex().upper()
            yield f"({second}.000000) can0 0CF00400#FFFFFF{rpm}FFFFFF\n"
            yield f"({second}.100000) can0 18FEF200#{rate}FFFFFFFFFFFF\n"
            if second % 10 == 0:
                yield f"({second}.200000) can0 09F80110#{position}\n"


class Year(ProgramTest):

    @classmethod
    def setUpClass(cls):
        cls.keeper = cls("test_the_accounts_of_the_elements")
        ProgramTest.setUp(cls.keeper)
        cls.keeper.live_the_year()

    @classmethod
    def tearDownClass(cls):
        ProgramTest.tearDown(cls.keeper)

    def setUp(self):
        ProgramTest.setUp(self)
        self.database = self.keeper.database
        self.config = self.keeper.config

    def say(self, *arguments):
        return self.done(*arguments, "--db", self.database, "--config", self.config)

    def told(self, *arguments):
        return self.rows(*arguments, "--db", self.database, "--config", self.config)

    def live_the_year(self):
        self.database = self.path("dunlin.db")
        self.config = self.path("dunlin.conf")
        capture = self.path("year.log")
        with open(self.config, "w", encoding="utf-8") as file:
            file.write(CONFIG)
        with open(capture, "w", encoding="utf-8") as file:
            file.writelines(frames())

        # Before the first run there is no log yet: the book begins one.
        self.say("spares", "add", "spin-on 10 micron", "--pieces", 4, "--micron", 10, "--rated", 200,
                 "--at", "2025-04-01")
        self.say("spares", "add", "cartridge 2 micron", "--pieces", 2, "--micron", 2, "--rated", 120,
                 "--at", "2025-04-01")
        self.say("spares", "add", "seal kit", "--pieces", 3, "--at", "2025-04-01")
        for filter_name in ("left", "right", "secondary"):
            # First fitting: no old element becomes waste.
            self.say("book", "add", "change", "--filter", filter_name, "--waste-elements", 0,
                     "--at", "2025-04-02T09:00")

        # The season: the boat's computer logs, the skipper writes, in no particular order.
        self.done("replay", "--db", self.database, "--config", self.config, capture)
        self.say("book", "add", "switch", "--filter", "right", "--at", "2025-05-06T12:00")
        self.say("book", "add", "switch", "--filter", "left", "--at", "2025-06-15T08:00")
        self.say("book", "add", "drain", "--filter", "left", "--water", "200 mL", "--looks",
                 "clear, a little rust", "--at", "2025-06-16T10:00")
        self.changed = self.say("book", "add", "change", "--filter", "right", "--seals", "seal kit",
                                "--waste-fuel", 0.6, "--at", "2025-06-25T12:00")
        self.say("book", "add", "refuel", "--litres", 90, "--price", 148.5, "--place", "Quay, east",
                 "--at", "2025-06-21T09:00")
        self.say("book", "add", "change", "--filter", "left", "--seals", "seal kit", "--waste-fuel",
                 0.5, "--at", "2025-08-01T10:00")
        self.say("book", "add", "additive", "--item", "biocide", "--litres", 0.1,
                 "--at", "2025-08-02")
        self.say("book", "add", "refuel", "--litres", 99, "--at", "2025-08-03")
        # Entries: 1 to 3 spares, 4 to 6 first fitting, 7 and 8 switches, 9 drain, 10 change of right,
        # 11 refuel, 12 change of left, 13 additive, 14 refuel.
        self.say("book", "correct", 10, "--at", "2025-06-20T12:00", "--reason", "wrong week")
        self.say("book", "strike", 14, "--reason", "was the neighbour's")

    def test_the_accounts_of_the_elements(self):
        elements = self.told("elements", "--at", "2025-10-01")
        figures = [(e["filter"], e["element"], e["fitted_utc"], e["removed_utc"],
                    round(e["engine_h"], 1), round(e["litres_through"], 1)) for e in elements]
        self.assertEqual(figures, [
            ("left", "spin-on 10 micron", "2025-04-02T09:00:00Z", "2025-08-01T10:00:00Z", 25.0, 102.0),
            ("left", "spin-on 10 micron", "2025-08-01T10:00:00Z", None, 5.0, 12.0),
            ("right", "spin-on 10 micron", "2025-04-02T09:00:00Z", "2025-06-20T12:00:00Z", 8.0, 28.0),
            ("right", "spin-on 10 micron", "2025-06-20T12:00:00Z", None, 0.0, 0.0),
            ("secondary", "cartridge 2 micron", "2025-04-02T09:00:00Z", None, 38.0, 142.0)])
        # What passed the set is what passed the secondary is what was burned, within 0.2 %.
        burned = sum(r["fuel_l"] for r in self.told("runs"))
        self.assertAlmostEqual(burned, 142, delta=0.28)
        self.assertAlmostEqual(sum(e["litres_through"] for e in elements[:4]), burned, places=6)
        self.assertAlmostEqual(elements[4]["litres_through"], burned, places=6)
        # 5 h of 30 h: 17 %. 182 days of a year (10-01 less 04-02) are 50 %.
        self.assertAlmostEqual(elements[1]["used_pct"], 100 * 5 / 30, delta=0.2)
        self.assertAlmostEqual(elements[4]["used_pct"], 100 * 181.6 / 365.25, delta=0.2)
        self.assertEqual((elements[1]["due_by"], elements[4]["due_by"]), ("hours", "months"))

    def test_the_change_told_what_had_passed(self):
        # By 06-25 the right one had passed 18 L + 10 L in 8 h; 2 of 4 spares were fitted before.
        self.assertIn("the old element passed 28.0 L in 8.0 h", self.keeper.changed)
        self.assertIn("spares left of spin-on 10 micron: 1", self.keeper.changed)

    def test_hours_litres_and_position_are_filled_in_from_the_log(self):
        book = {e["entry"]: e for e in self.told("book")}
        # The drain on 06-16: runs 1 to 4 were over, 23 h and 90 L; at the place of run 4.
        self.assertAlmostEqual(book[9]["engine_h"], 23, delta=0.05)
        self.assertAlmostEqual(book[9]["engine_fuel_l"], 90, delta=0.2)
        self.assertAlmostEqual(book[9]["latitude_deg"], 50.5, places=4)
        self.assertAlmostEqual(book[9]["longitude_deg"], -5.25, places=4)
        # The switch in run 4, at 2 h of 8: 15 h + 2 h, 50 L + 10 L.
        self.assertAlmostEqual(book[8]["engine_h"], 17, delta=0.05)
        self.assertAlmostEqual(book[8]["engine_fuel_l"], 60, delta=0.2)
        # Written before there was a log.
        self.assertIsNone(book[4]["engine_h"])
        # No position is known from more than a day before.
        self.assertIsNone(book[12]["latitude_deg"])
        self.assertNotIn(14, book)
        self.assertEqual(book[10]["done_utc"], "2025-06-20T12:00:00Z")

    def test_spares_and_what_to_buy(self):
        spares = {s["item"]: s for s in self.told("spares", "--at", "2025-10-01")}
        # 4 - 2 (first fitting) - 2 (changes); 2 - 1; 3 - 2.
        self.assertEqual({item: (s["aboard"], s["used"]) for item, s in spares.items()},
                         {"spin-on 10 micron": (0, 4), "cartridge 2 micron": (1, 1),
                          "seal kit": (1, 2)})
        # Over the next 60 h: left, with 25 h left, at 25 h and 55 h; right is out of use and only
        # ages. 38 h in 174 days (04-10 to 10-01) are 0.22 h a day, 0.12 in the last 90 days (15 h
        # - 10 h of 07-10, which are 83 days before: 15 h in 90 days = 0.167): 60 h take 360 days,
        # in which right (fitted 06-20) and the secondary (04-02) reach their year, once each.
        shopping = {s["item"]: s for s in self.told("spares", "shopping", "--hours", 60,
                                                    "--at", "2025-10-01")}
        self.assertEqual((shopping["spin-on 10 micron"]["needed"],
                          shopping["spin-on 10 micron"]["to_buy"]), (3, 3))
        self.assertNotIn("cartridge 2 micron", shopping)  # 1 needed, 1 aboard
        self.assertEqual(shopping["seal kit"]["needed"], 3)  # the changes of left and right
        text = self.say("spares", "--months", 12, "--at", "2025-10-01")
        self.assertIn("warning: 0 of spin-on 10 micron aboard, left, right may need", text)

    def test_waste_is_landed(self):
        # Water 0.2 L, 0.6 L and 0.5 L caught; the elements of two changes.
        rows = {w["what"]: w for w in self.told("waste")}
        self.assertAlmostEqual(rows["fuel and water"]["taken_out"], 1.3)
        self.assertEqual(rows["elements"]["taken_out"], 2)
        other = self.path("landed.db")
        with open(self.path("book.csv"), "w", encoding="utf-8", newline="") as file:
            file.write(self.say("book", "export"))
        self.done("book", "import", self.path("book.csv"), "--db", other, "--config", self.config)
        self.done("waste", "land", "--place", "harbour office", "--waste-fuel", 1, "--at",
                  "2025-10-02", "--db", other, "--config", self.config)
        rows = {w["what"]: w for w in self.rows("waste", "--db", other, "--config", self.config)}
        self.assertAlmostEqual(rows["fuel and water"]["aboard"], 0.3)
        self.assertEqual(rows["elements"]["aboard"], 2)
        self.done("waste", "land", "--place", "harbour office", "--at", "2025-10-03", "--db", other,
                  "--config", self.config)
        rows = {w["what"]: w for w in self.rows("waste", "--db", other, "--config", self.config)}
        self.assertAlmostEqual(rows["fuel and water"]["aboard"], 0)
        self.assertEqual(rows["elements"]["aboard"], 0)
        moves = self.rows("waste", "moves", "--db", other, "--config", self.config)
        self.assertAlmostEqual(sum(m["fuel_l"] for m in moves), 0)

    def test_the_book_goes_out_and_comes_back(self):
        for option, name in (("--csv", "book.csv"), ("--json", "book.json")):
            other = self.path(name + ".db")
            text = self.say("book", "export", option)
            with open(self.path(name), "w", encoding="utf-8", newline="") as file:
                file.write(text)
            self.assertEqual(
                self.done("book", "import", self.path(name), "--db", other, "--config", self.config),
                "16 rows imported, 0 were in the book already\n")
            self.assertEqual(
                self.done("book", "import", self.path(name), "--db", other, "--config", self.config),
                "0 rows imported, 16 were in the book already\n")
            again = self.done("book", "export", option, "--db", other, "--config", self.config)
            self.assertEqual(again, text)
        # The log itself knows all of it already.
        self.assertEqual(self.say("book", "import", self.path("book.csv")),
                         "0 rows imported, 16 were in the book already\n")

    def test_strikes_and_corrections_are_reversible(self):
        before = self.told("elements", "--at", "2025-10-01")
        text = self.say("book", "export")
        other = self.path("other.db")
        with sqlite3.connect(self.database) as source, sqlite3.connect(other) as target:
            source.backup(target)
        source.close()
        target.close()

        def at_other(*arguments):
            return self.rows(*arguments, "--db", other, "--config", self.config)

        self.done("book", "strike", 12, "--db", other, "--config", self.config)
        struck = at_other("elements", "--at", "2025-10-01")
        # Without the change of left, one element passed 102 L + 12 L in 30 h.
        self.assertEqual([(e["filter"], round(e["engine_h"]), round(e["litres_through"]))
                          for e in struck if e["filter"] == "left"], [("left", 30, 114)])
        self.done("book", "restore", 12, "--db", other, "--config", self.config)
        self.assertEqual(at_other("elements", "--at", "2025-10-01"), before)
        self.done("book", "correct", 12, "--at", "2025-07-01", "--db", other, "--config", self.config)
        moved = at_other("elements", "--at", "2025-10-01")
        self.assertEqual([round(e["litres_through"]) for e in moved if e["filter"] == "left"],
                         [62, 52])  # run 5's 40 L pass the new one
        self.done("book", "correct", 12, "--at", "2025-08-01T10:00", "--db", other, "--config",
                  self.config)
        self.assertEqual(at_other("elements", "--at", "2025-10-01"), before)
        history = self.done("book", "list", "--history", "--db", other, "--config", self.config)
        self.assertEqual(sum(line.split()[0] == "12" for line in history.split("\n")[1:] if line), 5)
        self.assertEqual(self.say("book", "export"), text)

    def test_advice_comes_from_the_boats_own_figures(self):
        tables = json.loads(self.done("advise", "--filter", "left", "--json", "--db", self.database,
                                      "--config", self.config))
        fitted = next(a for a in tables["advice"] if a["from"] == "fitted")
        # At most 5 L/h of 200: 2.5 %.
        self.assertAlmostEqual(fitted["rating_used_pct"], 2.5, places=2)
        self.assertEqual(tables["advice"][0]["verdict"], "fits")
        for reason in tables["reasons"]:
            self.assertTrue(reason["source"] or reason["against"], reason)
        # The worked example (common practice, no source): rated 60 US gal/h, burning 1 US gal/h.
        tables = json.loads(self.done("advise", "--burn", "1 gal/h", "--rated", "60 gal/h", "--micron",
                                      2, "--hours-a-year", 100, "--json"))
        asked = next(a for a in tables["advice"] if a["from"] == "asked")
        self.assertLess(asked["rating_used_pct"], 2)
        self.assertEqual((asked["verdict"], asked["ends_by"]), ("fits", "age"))
        self.assertEqual(tables["advice"][0], asked)
        tables = json.loads(self.done("advise", "--use", "planing", "--supply", "35 gal/h", "--rated",
                                      "60 gal/h", "--micron", 10, "--json"))
        self.assertEqual((tables["advice"][0]["micron"], tables["advice"][0]["verdict"]), (10, "fits"))

    def test_steps_fit_the_filter(self):
        steps = self.rows("steps", "change", "--filter", "left", "--config", self.config)
        text = " ".join(s["text"] for s in steps)
        self.assertEqual(steps[0]["container_l"], 1.2)  # twice 0.6 L
        self.assertIn("Work the hand pump", text)
        self.assertIn("Turn the set's handle", text)
        self.assertNotIn("lift pump", text)
        page = self.done("steps", "drain", "--filter", "left", "--html", "--config", self.config)
        self.assertTrue(page.startswith("<!DOCTYPE html>"))
        self.assertNotIn("http", page.split("</head>")[1])

    def test_work_answers_events(self):
        other = self.path("events.db")
        with sqlite3.connect(self.database) as source, sqlite3.connect(other) as target:
            source.backup(target)
            session = target.execute("SELECT session, utc_offset_ns FROM sessions ORDER BY session "
                                     "LIMIT 1").fetchone()
            for number, kind, subject, when in (
                    (901, "water-in-fuel", "left", "2025-06-15T09:00"),
                    (902, "water-in-fuel", "right", "2025-06-15T09:00"),
                    (903, "element-due", "left", "2025-07-30T09:00"),
                    (904, "element-due", "left", "2025-09-20T08:00")):
                target.execute(
                    "INSERT INTO events(event, kind, subject, severity, session, raised_ns, message) "
                    "VALUES(?, ?, ?, 'caution', ?, ?, '-')",
                    (number, kind, subject, session[0],
                     seconds(when) * 10**9 - session[1]))
        source.close()
        target.close()
        where = ("--db", other, "--config", self.config)

        def handling():
            return {e["event"]: (e["acknowledged_utc"], e["answered_by"])
                    for e in self.rows("events", "handling", *where) if e["event"] > 900}

        self.assertEqual(handling(), {
            901: ("2025-06-16T10:00:00Z", 9),    # the drain of left
            902: ("2025-06-20T12:00:00Z", 10),   # no drain of right, but its change
            903: ("2025-08-01T10:00:00Z", 12),   # the change of left
            904: (None, None)})                  # nothing since
        self.done("book", "strike", 9, *where)
        # Then it was the change of left that answered the water there.
        self.assertEqual(handling()[901], ("2025-08-01T10:00:00Z", 12))
        self.done("book", "restore", 9, *where)
        self.assertEqual(handling()[901], ("2025-06-16T10:00:00Z", 9))
        standing = [e["event"] for e in self.rows("events", "--standing", *where) if e["event"] > 900]
        self.assertEqual(standing, [904])
        self.done("events", "shelve", 904, "--for", "2 days", *where)
        standing = [e["event"] for e in self.rows("events", "--standing", *where) if e["event"] > 900]
        self.assertEqual(standing, [])
        self.done("events", "unshelve", 904, *where)
        self.done("events", "acknowledge", 904, *where)
        self.assertIsNotNone(handling()[904][0])
        self.refused(1, "sightbowl events: there is no event 12345 in the log", "events",
                     "acknowledge", 12345, *where)

    def is_made(self, database):
        if not os.path.exists(database):
            return False
        log = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
        try:
            return log.execute("PRAGMA user_version").fetchone()[0] > 0
        except sqlite3.OperationalError:
            return False  # not yet
        finally:
            log.close()

    def test_the_book_is_written_while_the_log_is(self):
        config = self.path("watch.conf")
        database = self.path("watch.db")
        with open(config, "w", encoding="utf-8") as file:
            # No such bus: watch waits for it, the log's writer all the same.
            file.write(f"[bus nosuchbus0]\n[log]\npath = {database}\n[web]\nlisten = none\n")
        watch = subprocess.Popen([PROGRAM, "watch", "--config", config], stderr=subprocess.PIPE)
        try:
            deadline = time.monotonic() + 60
            # Not before watch has made the log: the replay below must not be there first, and the book needs
            # its tables.
            while not self.is_made(database) and time.monotonic() < deadline:
                time.sleep(0.05)
            while time.monotonic() < deadline:
                # A writer of the whole log is refused as soon as watch has it.
                status, _, error = run("replay", "--config", config, os.devnull)
                if status == 1 and "is being written by another sightbowl" in error:
                    break
                time.sleep(0.05)
            else:
                self.fail("watch did not take the log")
            for litres in range(1, 6):
                self.done("book", "add", "refuel", "--litres", litres, "--at", "2025-05-01",
                          "--config", config)
            rows = self.rows("book", "--config", config)
            self.assertEqual([row["litres"] for row in rows], [1, 2, 3, 4, 5])
        finally:
            watch.terminate()
            self.assertEqual(watch.wait(timeout=60), 0)
            watch.stderr.close()
        self.assertEqual(len(self.rows("book", "--config", config)), 5)

    def test_wrong_use_is_explained_in_one_line(self):
        def book(message, *arguments):
            self.refused(2, f"sightbowl book: {message} (see sightbowl book --help)", "book",
                         *arguments, "--db", self.path("none.db"), "--config", self.config)

        book("add: what was done? change, drain, bleed, refuel …", "add")
        book("add: there is no kind of work 'party'", "add", "party")
        book("change: --filter: which filter?; the boat's filters are: left, right, secondary",
             "add", "change")
        book("drain: --filter: there is no filter of that name; the boat's filters are: left, right, "
             "secondary", "add", "drain", "--filter", "middle")
        book("refuel: --litres: how many litres?", "add", "refuel")
        book("refuel: --water: this kind of entry does not take it", "add", "refuel", "--litres", 5,
             "--water", 1)
        book("--litres: expected a number, alone or with a unit: L, l, mL, gal, US gal, imp gal; got "
             "'much'", "add", "refuel", "--litres", "much")
        book("--at: 'May' is no time; expected 2026-06-01 or 2026-06-01T08:30Z (UTC)", "add", "refuel",
             "--litres", 5, "--at", "May")
        book("correct: which entry? Give its number", "correct")
        book("strike: 'x' is no entry's number", "strike", "x")
        book("'burn' is nothing to do with the book; expected list, add, correct, strike, restore, "
             "export or import", "burn")
        self.assertFalse(os.path.exists(self.path("none.db")))
        self.refused(1, "sightbowl book: there is no entry 99 in the book", "book", "strike", 99,
                     "--db", self.database, "--config", self.config)
        self.refused(1, "sightbowl book: entry 12 is not struck", "book", "restore", 12,
                     "--db", self.database, "--config", self.config)
        self.refused(2, "sightbowl book: correct: nothing is told that differs from entry 12 (see "
                     "sightbowl book --help)", "book", "correct", 12, "--db", self.database,
                     "--config", self.config)
        for message, arguments in (
                ("spares: add: which spare? Give its name", ("spares", "add")),
                ("spares: --hours and --months: give one of them",
                 ("spares", "--hours", "5", "--months", "5")),
                ("waste: land: where? --place TEXT", ("waste", "land")),
                ("events: shelve: which event? Give its number", ("events", "shelve")),
                ("events: --for: expected hours or days, up to 366 days; got 'a while'",
                 ("events", "shelve", "1", "--for", "a while"))):
            self.refused(2, f"sightbowl {message} (see sightbowl {arguments[0]} --help)", *arguments,
                         "--db", self.database, "--config", self.config)
        self.refused(2, "sightbowl steps: 'paint' is no such work; expected drain, change or bleed (see "
                     "sightbowl steps --help)", "steps", "paint")
        self.refused(2, "sightbowl steps: --bowl: expected one of unknown, clear, metal, none; got "
                     "'glass' (see sightbowl steps --help)", "steps", "drain", "--bowl", "glass")
        self.refused(2, "sightbowl advise: --filter: there is no such filter (see sightbowl advise "
                     "--help)", "advise", "--filter", "middle")
        self.refused(2, "sightbowl advise: --fuel: expected an ISO 4406 code, such as 18/16/13; got "
                     "'dirty' (see sightbowl advise --help)", "advise", "--fuel", "dirty")

    def test_every_example_of_the_help_works_as_printed(self):
        """A new user types what --help shows, in a folder with boat.db and boat.conf."""
        shell = {"SIGHTBOWL_CONFIG": "boat.conf"}
        template = self.path("template")
        os.mkdir(template)
        self.prepare_example(template)
        tried = 0
        for command in ("book", "spares", "waste", "advise", "steps", "events"):
            text = self.done(command, "--help")
            examples = [line.strip() for line in text.split("\n")
                        if line.startswith(f"  sightbowl {command}")]
            self.assertGreaterEqual(len(examples), 3, command)
            for example in examples:
                folder = self.path(f"example-{tried}")
                shutil.copytree(template, folder)
                words = shlex.split(example.split("  (")[0])[1:]
                if ">" in words:
                    words = words[:words.index(">")]
                status, _, error = run(*words, cwd=folder, environment=shell)
                self.assertEqual((status, error), (0, ""), example)
                tried += 1
        self.assertGreater(tried, 25)

    def prepare_example(self, folder):
        """A boat with the default filters, some entries in the book, and two events."""
        database = os.path.join(folder, "boat.db")
        with open(os.path.join(folder, "boat.conf"), "w", encoding="utf-8") as file:
            file.write("[boat]\nname = Knot\n[log]\npath = boat.db\n")
        rows = os.path.join(folder, "rows.csv")
        with open(rows, "w", encoding="utf-8") as file:
            file.write("kind,done_utc,litres\n" + "refuel,2025-05-01,10\n" * 13)
        self.assertEqual(self.done("book", "import", rows, "--db", database),
                         "13 rows imported, 0 were in the book already\n")
        text = self.done("book", "export", "--db", database)
        with open(os.path.join(folder, "book.csv"), "w", encoding="utf-8", newline="") as file:
            file.write(text)
        connection = sqlite3.connect(database)
        for number in (12, 13):
            connection.execute("INSERT INTO events(event, kind, subject, severity, session, raised_ns) "
                               "VALUES(?, 'element-due', 'primary', 'advice', 1, 0)", (number,))
        connection.commit()
        connection.close()


if __name__ == "__main__":
    main()
