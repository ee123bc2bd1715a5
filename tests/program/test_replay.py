"""Captures into a log: known again, grown, overlapping, from before, undated, damaged, refused."""

import fcntl
import gzip
import json
import os
import re
import signal
import sqlite3
import subprocess
import time

from sightbowl_program import PROGRAM, ProgramTest, log_contents, main, run

FACTS = ["sessions", "windows", "minutes", "days", "runs", "trips", "events", "slots", "buses"]


class Replay(ProgramTest):

    @classmethod
    def setUpClass(cls):
        """One season for all tests: nine engine hours in some days, everything kept in memory."""
        keeper = cls("test_standard_input_is_read")
        ProgramTest.setUp(keeper)
        capture, cls.truth = keeper.season("season", "--hours", "9", "--protocol", "both")
        with open(capture, encoding="ascii") as file:
            cls.lines = file.readlines()
        keeper.done("replay", "--db", keeper.path("whole.db"), capture)
        cls.whole = log_contents(keeper.path("whole.db"))
        cls.whole_speeds = sum(row["count"] for row in keeper.rows(
            "export", "windows", "--db", keeper.path("whole.db"), "--signal", "engine_speed_rpm"))
        cls.whole_runs = keeper.rows("runs", "--db", keeper.path("whole.db"))
        keeper.tearDown()

    def write(self, name, lines):
        path = self.path(name)
        with open(path, "w", encoding="ascii") as file:
            file.writelines(lines)
        return path

    def assert_same_facts(self, database, but=()):
        actual = log_contents(database)
        for table in (table for table in FACTS if table not in but):
            self.assertEqual(actual[table], self.whole[table], table)

    def test_the_account_agrees_with_the_truth(self):
        true_l = sum(run["fuel_l"] for run in self.truth["runs"])
        logged_l = sum(run["fuel_l"] for run in self.whole_runs)
        self.assertLess(abs(logged_l / true_l - 1), 0.002)

    def test_the_same_again_is_refused_by_whatever_name(self):
        capture = self.write("a.log", self.lines)
        database = self.path("boat.db")
        self.done("replay", "--db", database, capture)
        before = log_contents(database)
        message = (f"this was replayed already ({len(self.lines)} frames, as '{capture}'); "
                   "nothing was changed")
        self.refused(1, f"sightbowl replay: '{capture}': {message}",
                     "replay", "--db", database, capture)
        packed = self.path("b.gz")
        with gzip.open(packed, "wt", encoding="ascii", compresslevel=1) as file:
            file.writelines(self.lines)
        self.refused(1, f"sightbowl replay: '{packed}': {message}",
                     "replay", "--db", database, packed)
        self.assertEqual(log_contents(database), before)

    def test_a_capture_that_has_grown_adds_its_new_frames(self):
        database = self.path("boat.db")
        for share in (0.001, 0.3, 0.30001, 0.77, 1):
            capture = self.write("boat.log", self.lines[:int(len(self.lines) * share)])
            self.done("replay", "--db", database, capture)
        self.assert_same_facts(database)
        captures = self.rows("export", "captures", "--db", database)
        # Heads of fewer than 4096 frames are recognised too: it stays one capture.
        self.assertEqual([c["frames"] for c in captures], [len(self.lines)])

    def test_an_overlapping_capture_adds_only_what_is_new(self):
        database = self.path("boat.db")
        count = len(self.lines)
        self.done("replay", "--db", database, self.write("a.log", self.lines[:count * 6 // 10]))
        self.done("replay", "--db", database, self.write("b.log", self.lines[count * 4 // 10:]))
        self.assert_same_facts(database)
        known = self.rows("export", "captures", "--db", database)[1]["known"]
        self.assertAlmostEqual(known, count * 2 // 10, delta=20)
        status, out, error = run("replay", "--db", database,
                                 self.write("c.log", self.lines[count // 10:count // 2]))
        self.assertEqual((status, out), (1, ""))
        self.assertIn("all of it lies in time that the log covers already", error)

    def test_a_capture_from_before_and_one_for_a_hole_are_added(self):
        database = self.path("boat.db")
        count = len(self.lines)
        parts = [self.lines[count * n // 10:count * (n + 1) // 10] for n in range(10)]
        late = self.write("late.log", parts[8] + parts[9])
        middle = self.write("middle.log", parts[3] + parts[4] + parts[5])
        self.done("replay", "--db", database, middle)
        self.done("replay", "--db", database, late)
        # All of it: the beginning, the hole between, and what is known.
        capture = self.write("all.log", self.lines)
        self.done("replay", "--db", database, capture)
        added = self.rows("export", "captures", "--db", database)[2]
        self.assertAlmostEqual(added["known"], count // 2, delta=60)
        runs = self.rows("runs", "--db", database)
        self.assertEqual(len({run["run"] for run in runs}), len(runs))
        # Cutting runs at the seams costs no litre: every frame was counted once.
        for column in ("fuel_l", "engine_h"):
            self.assertAlmostEqual(sum(run[column] for run in runs),
                                   sum(run[column] for run in self.whole_runs), delta=0.01, msg=column)
        speeds = self.rows("export", "windows", "--db", database, "--signal", "engine_speed_rpm")
        self.assertEqual(sum(row["count"] for row in speeds), self.whole_speeds)
        self.refused(1, f"sightbowl replay: '{capture}': this was replayed already ({count} frames, as "
                     f"'{capture}'); nothing was changed", "replay", "--db", database, capture)

    def test_the_log_goes_on_at_its_end_after_an_earlier_capture(self):
        database = self.path("boat.db")
        count = len(self.lines)
        a, b, c = (self.lines[:count // 4], self.lines[count // 4:count // 2],
                   self.lines[count // 2:])
        self.done("replay", "--db", database, self.write("b.log", b))
        self.done("replay", "--db", database, self.write("a.log", a))
        self.done("replay", "--db", database, self.write("c.log", c))
        runs = self.rows("runs", "--db", database)
        self.assertEqual(len({run["run"] for run in runs}), len(runs))
        self.assertAlmostEqual(sum(run["fuel_l"] for run in runs),
                               sum(run["fuel_l"] for run in self.whole_runs), delta=0.01)

    def test_several_files_in_one_go_are_one_stream(self):
        database = self.path("boat.db")
        count = len(self.lines)
        names = [self.write("2.log", self.lines[count // 3:]), self.write("1.log",
                                                                         self.lines[:count // 3])]
        self.done("replay", "--db", database, *names)
        self.assert_same_facts(database, but=["buses"])  # numbered in the files' order
        # One file a bus, side by side.
        database = self.path("sides.db")
        buses = [self.write(f"{bus}.log", [line for line in self.lines if f" {bus} " in line])
                 for bus in ("can0", "can1")]
        self.done("replay", "--db", database, *buses)
        runs = self.rows("runs", "--db", database)
        self.assertEqual(len(runs), len(self.whole_runs))
        for one, other in zip(runs, self.whole_runs):
            self.assertAlmostEqual(one["fuel_l"], other["fuel_l"], places=3)

    def test_standard_input_is_read(self):
        part = "".join(self.lines[:200000])
        from_pipe = json.loads(self.done("replay", "--json", "-", input=part))
        from_file = json.loads(self.done("replay", "--json",
                                         self.write("a.log", self.lines[:200000])))
        self.assertEqual(from_pipe["runs"], from_file["runs"])
        self.assertEqual(from_pipe["counters"], from_file["counters"])

    def undated(self, name, count, bus):
        """The first frames of a bus as candump's screen shows them with times from zero."""
        first = float(self.lines[0][1:18])
        lines = []
        for line in (line for line in self.lines[:count] if f" {bus} " in line):
            stamp, bus, frame = line.split()
            identifier, data = frame.split("#")
            pairs = " ".join(re.findall("..", data))
            lines.append(f" ({float(stamp[1:-1]) - first:010.6f})  {bus}  {identifier}   "
                         f"[{len(data) // 2}]  {pairs}\n")
        return self.write(name, lines)

    def test_a_capture_without_a_date_is_a_session_of_its_own(self):
        count = len(self.lines) // 5
        capture = self.undated("screen.txt", count, "can1")  # J1939 brings no time
        note = (f"sightbowl replay: '{capture}' carries no date: its times are unknown; "
                "--start TIME tells when it began\n")
        database = self.path("boat.db")
        status, _, error = run("replay", "--db", database, capture)
        self.assertEqual((status, error), (0, note))
        runs = self.rows("runs", "--db", database)
        self.assertGreater(len(runs), 0)
        self.assertIsNone(runs[0]["start_utc"])
        self.assertGreater(runs[0]["fuel_l"], 0.1)
        # Known again, whatever start one gives it.
        for options in ([], ["--start", "2026-01-01"]):
            status, out, error = run("replay", "--db", database, *options, capture)
            self.assertEqual((status, out), (1, ""))
            self.assertIn("this was replayed already", error)
        # A dated log before and behind it is none of its business.
        self.done("replay", "--db", database, self.write("dated.log", self.lines))
        self.assertEqual(len(self.rows("runs", "--db", database)),
                         len(runs) + len(self.whole_runs))
        dated = self.path("told.db")
        self.done("replay", "--db", dated, "--start", "2026-06-01T08:30:00Z", capture)
        sessions = self.rows("export", "sessions", "--db", dated)
        self.assertEqual((sessions[0]["start_utc"][:16], sessions[0]["clock"]),
                         ("2026-06-01T08:30", "recorder"))
        self.assertEqual([r["fuel_l"] for r in self.rows("runs", "--db", dated)],
                         [r["fuel_l"] for r in runs])

    def test_the_bus_dates_a_capture_that_has_no_date(self):
        capture = self.undated("screen.txt", len(self.lines) // 5, "can0")
        database = self.path("boat.db")
        self.done("replay", "--db", database, capture)
        runs = self.rows("runs", "--db", database)
        self.assertEqual(runs[0]["start_utc"][:17], self.whole_runs[0]["start_utc"][:17])

    def test_damage_is_named_and_nothing_before_or_behind_it_is_lost(self):
        lines = self.lines[:300000]
        whole = self.path("whole.db")
        self.done("replay", "--db", whole, self.write("whole.log", lines))
        broken = lines[:]
        broken.insert(1000, "this is no frame\n")
        broken.insert(70000, "(1749.1) can0 09F2\n")
        broken.append("(17470376")
        capture = self.write("broken.log", broken)
        database = self.path("boat.db")
        status, _, error = run("replay", "--db", database, capture)
        self.assertEqual(status, 0)
        self.assertRegex(error, rf"sightbowl replay: '{capture}': \d damaged places were skipped, "
                         "the first at line 1001: ")
        actual, expected = log_contents(database), log_contents(whole)
        for table in FACTS:
            self.assertEqual(actual[table], expected[table], table)

    def test_what_is_no_capture_is_refused(self):
        database = self.path("boat.db")
        empty = self.write("empty.log", [])
        prose = self.write("prose.txt", ["It was a dark and stormy night.\n"] * 200)
        for what in (empty, prose, self.folder, self.path("nowhere.log")):
            status, out, error = run("replay", "--db", database, what)
            self.assertEqual((status, out), (1, ""), what)
            self.assertIn(what, error)
            self.assertEqual(error.count("\n"), 1)
        contents = log_contents(database)
        self.assertEqual(contents["captures"] + contents["sessions"] + contents["buses"], [])

    def test_a_log_that_is_none_of_ours_is_not_touched(self):
        capture = self.write("a.log", self.lines[:5000])
        foreign = self.path("recipes.db")
        database = sqlite3.connect(foreign)
        database.execute("CREATE TABLE recipes(name)")
        database.commit()
        database.close()
        text = self.write("diary.db", ["dear diary\n"])
        for path in (foreign, text):
            with open(path, "rb") as file:
                before = file.read()
            self.refused(1, f"sightbowl replay: '{path}' is not a log of this program; it was not "
                         "touched", "replay", "--db", path, capture)
            self.refused(1, f"sightbowl runs: '{path}' is not a log of this program; it was not "
                         "touched", "runs", "--db", path)
            with open(path, "rb") as file:
                self.assertEqual(file.read(), before)
        newer = self.path("newer.db")
        self.done("replay", "--db", newer, capture)
        database = sqlite3.connect(newer)
        database.execute("PRAGMA user_version = 4711")
        database.close()
        self.refused(1, f"sightbowl replay: log '{newer}' was written by a newer version of this "
                     "program; it was not touched", "replay", "--db", newer, capture)

    def test_a_second_writer_is_refused_while_readers_go_on(self):
        database = self.path("boat.db")
        self.done("replay", "--db", database, self.write("a.log", self.lines[:100000]))
        more = self.write("b.log", self.lines)
        with open(database + ".lock", "a", encoding="ascii") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            status, out, error = run("replay", "--db", database, more)
            self.assertEqual((status, out), (1, ""))
            self.assertIn(f"log '{database}' is being written by another sightbowl", error)
            self.done("runs", "--db", database)

    def test_a_stop_commits_and_tells_how_to_go_on(self):
        capture = self.write("a.log", self.lines)
        database = self.path("boat.db")
        for number in (signal.SIGTERM, signal.SIGINT):
            process = subprocess.Popen([PROGRAM, "replay", "--db", database, capture],
                                       stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            time.sleep(0.15)
            process.send_signal(number)
            _, error = process.communicate()
            if process.returncode == 1 and "stopped" in error:
                self.assertRegex(error, r"^sightbowl replay: stopped after \d+ frames, which are "
                                 r"logged; the same command goes on from there\n$")
        status, _, error = run("replay", "--db", database, capture)
        self.assertTrue(status == 0 or "this was replayed already" in error, error)
        self.assert_same_facts(database)

    def test_a_broken_checkpoint_is_told_and_costs_no_fact(self):
        database = self.path("boat.db")
        half = len(self.lines) // 2
        self.done("replay", "--db", database, self.write("a.log", self.lines[:half]))
        runs = self.rows("runs", "--db", database)
        tampered = sqlite3.connect(database)
        tampered.execute("UPDATE checkpoints SET data = zeroblob(length(data))")
        tampered.commit()
        tampered.close()
        status, _, error = run("replay", "--db", database, self.write("b.log", self.lines[half:]))
        self.assertEqual(status, 0)
        self.assertIn("could not be understood", error)
        after = self.rows("runs", "--db", database)
        self.assertEqual([r["run"] for r in after[:len(runs)]], [r["run"] for r in runs])
        self.assertEqual(len({r["run"] for r in after}), len(after))
        self.assertAlmostEqual(sum(r["fuel_l"] for r in after),
                               sum(r["fuel_l"] for r in self.whole_runs), delta=0.3)

    def test_without_a_log_nothing_is_kept(self):
        capture = self.write("a.log", self.lines[:300000])
        before = sorted(os.listdir(self.folder))
        tables = json.loads(self.done("replay", "--json", capture, cwd=self.folder))
        self.assertEqual(sorted(os.listdir(self.folder)), before)
        self.assertEqual(list(tables), ["trips", "runs", "events", "engines", "captures",
                                         "replay", "counters"])
        self.assertEqual(tables["replay"][0]["frames"], 300000)
        self.assertEqual({c["counter"]: c["count"] for c in tables["counters"]}["frames"], 300000)
        self.assertAlmostEqual(tables["engines"][0]["fuel_l"],
                               sum(r["fuel_l"] for r in tables["runs"]))


class FullDisk(ProgramTest):
    """Needs the right to mount a file system; says so and is skipped without it."""

    def test_a_disk_that_fills_up_keeps_what_was_committed(self):
        capture, _ = self.season("season", "--hours", "5")
        disk = self.path("disk")
        os.mkdir(disk)
        script = (f"mount -t tmpfs -o size=600k none {disk} || exit 77\n"
                  f"{PROGRAM} replay --commit 0.01 --db {disk}/boat.db {capture} > /dev/null\n"
                  f"test $? = 1 || exit 70\n"
                  f"{PROGRAM} check --no-machine --db {disk}/boat.db || exit 71\n"
                  f"{PROGRAM} export captures --db {disk}/boat.db --json || exit 72\n")
        done = subprocess.run(["unshare", "-m", "sh", "-c", script], capture_output=True, text=True,
                              check=False)
        if done.returncode in (1, 77) and "boat.db" not in done.stderr:
            self.skipTest("needs the right to mount a file system: " + done.stderr)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertRegex(done.stderr, r"^sightbowl replay: no room left to write log '.*'; nothing after "
                         r"the last commit was kept\n$")
        self.assertIn("is sound", done.stdout)
        captures = json.loads(done.stdout[done.stdout.index("{"):])["captures"]
        self.assertFalse(captures[0]["complete"])
        self.assertGreater(captures[0]["frames"], 1000)


if __name__ == "__main__":
    main()
