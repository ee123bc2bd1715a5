#!/usr/bin/env python3
"""A piece of a season, live in time that passes faster: the same facts as its replay, and memory flat."""
import os
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
            status, _, error = run("replay", "--db", self.path("replayed.db"), capture)
            self.assertEqual(status, 0, error)
            self.assertGreaterEqual(len(rows(self.path("live.db"), "runs")), 2)
            self.assertEqual(differences(self.path("live.db"), self.path("replayed.db")), [], protocol)
            resident = measured["resident_kb"]
            half = resident[len(resident) // 2:]
            self.assertLess(max(half), 1.1 * min(half) + 300, resident)
            for name in os.listdir(self.folder):
                if name.startswith(("live", "replayed", "done", "season", "truth")):
                    os.remove(self.path(name))


if __name__ == "__main__":
    unittest.main()
