#!/usr/bin/env python3
"""A piece of a season, live in time that passes faster: the same facts as its replay, and memory flat."""
import os
import sqlite3
import unittest

from live_season import differences, play, rows
from sightbowl_program import PROGRAM, ProgramTest, run

SHIM = os.environ.get("SEASON_BUS", "")


@unittest.skipUnless(os.path.exists(SHIM), "SKIPPED: a sanitized program takes no preloaded bus")
class LiveSeason(ProgramTest):
    def season(self, *options):
        self.done("demo", "--write-only", "--folder", self.folder, "--compression", "none", *options)
        return self.path("season.log")

    def test_live_it_gives_what_its_replay_gives(self):
        for protocol in ("nmea2000", "j1939"):
            capture = self.season("--hours", 6, "--seed", 5, "--protocol", protocol)
            measured = play(PROGRAM, SHIM, self.folder, capture, 3000)
            self.assertEqual(measured["status"], 0, measured["said"])
            self.assertNotIn("dropped", measured["said"])
            status, _, error = run("replay", "--db", self.path("replayed.db"), "--config", self.path("watch.conf"),
                                   capture)
            self.assertEqual(status, 0, error)
            self.assertGreaterEqual(len(rows(self.path("live.db"), "runs")), 2)
            self.assertGreater(len(rows(self.path("live.db"), "burn_points")), 0)
            self.assertGreater(len(rows(self.path("live.db"), "filter_course")), 0)
            self.assertEqual(differences(self.path("live.db"), self.path("replayed.db")), [], protocol)
            resident = measured["resident_kb"]
            half = resident[len(resident) // 2:]
            self.assertLess(max(half), 1.1 * min(half) + 300, resident)
            for name in os.listdir(self.folder):
                if name.startswith(("live", "replayed", "done", "season", "truth")):
                    os.remove(self.path(name))

    def test_another_program_that_reads_the_log_takes_nothing_away(self):
        capture = self.season("--hours", 2, "--seed", 7)
        read = []

        def read_and_close(log):
            # Opened for writing, as tools do it: the last to close a log takes its write-ahead log away.
            database = sqlite3.connect(log)
            try:
                read.append(database.execute("SELECT count(*) FROM windows").fetchone()[0])
            except sqlite3.OperationalError:
                pass  # not made yet
            finally:
                database.close()

        measured = play(PROGRAM, SHIM, self.folder, capture, 1000, meanwhile=read_and_close)
        self.assertEqual(measured["status"], 0, measured["said"])
        self.assertGreater(len(set(read)), 3, "what is read goes on growing")
        status, _, error = run("replay", "--db", self.path("replayed.db"), "--config", self.path("watch.conf"),
                                   capture)
        self.assertEqual(status, 0, error)
        self.assertEqual(differences(self.path("live.db"), self.path("replayed.db")), [])
        database = sqlite3.connect(self.path("live.db"))
        self.assertEqual(database.execute("PRAGMA integrity_check").fetchone(), ("ok",))
        database.close()


if __name__ == "__main__":
    unittest.main()
