#!/usr/bin/env python3
"""SIGHUP of the daemon: what it takes at once and what it loses by that (nothing), and what is done to it by
signals that come thick, by a file that is half written, and by an end in the middle."""
import os
import random
import signal
import sqlite3
import subprocess
import time
import unittest
import urllib.request

from live_season import FULL_RATE, differences, full_bus, play
from sightbowl_program import PROGRAM, ProgramTest, run

SHIM = os.environ.get("SEASON_BUS", "")
PATIENCE_S = 120
REREAD = "the configuration was reread"


class Bus(ProgramTest):
    """On a bus that is full all the time."""

    def unpacked(self, *folders):
        """The frames of all captures in these folders, sorted, without what differs by nature."""
        lines = []
        for folder in folders:
            for name in sorted(os.listdir(folder)):
                done = subprocess.run(["zstd", "-dc", os.path.join(folder, name)], capture_output=True, text=True,
                                      check=True, timeout=PATIENCE_S)
                lines += done.stdout.splitlines()
        return sorted(lines)

    def replace(self, path, text):
        """As one should: the file is never half there. Made long ago, so that nothing waits for it."""
        with open(path + ".new", "w", encoding="utf-8") as file:
            file.write(text)
        os.utime(path + ".new", (1777000000, 1777000000))
        os.rename(path + ".new", path)

    @unittest.skipUnless(os.path.exists(SHIM), "SKIPPED: a sanitized program takes no preloaded bus")
    def through_signals(self, minutes, speed, configurations):
        """A full bus, and another of the configurations by SIGHUP each 20 ms; returns what was said, and how
        many signals there were."""
        capture = self.path("season.log")
        full_bus(capture, minutes)
        config = self.path("watch.conf")
        self.replace(config, configurations[0])
        sent = []

        class Signaller:
            def __init__(self, test):
                self.test = test

            def __call__(self, log):
                pid = int(subprocess.run(["pgrep", "-f", log], capture_output=True, text=True,
                                         check=True).stdout.split()[0])
                for _ in range(40):
                    if os.path.exists(self.test.path("done")):
                        return
                    sent.append(1)
                    self.test.replace(config, configurations[len(sent) % len(configurations)])
                    os.kill(pid, signal.SIGHUP)
                    time.sleep(0.02)

        measured = play(PROGRAM, SHIM, self.folder, capture, speed, config, meanwhile=Signaller(self))
        self.assertEqual(measured["status"], 0, measured["said"])
        self.assertNotIn("dropped", measured["said"])
        self.assertGreater(measured["said"].count(REREAD), 50)
        self.assertNotIn("stays", measured["said"])
        return measured["said"]

    def assert_as_replayed(self):
        status, _, error = run("replay", "--db", self.path("replayed.db"), "--config", self.path("watch.conf"),
                               self.path("season.log"))
        self.assertEqual(status, 0, error)
        self.assertEqual(differences(self.path("live.db"), self.path("replayed.db")), [])

    def test_a_full_bus_loses_no_frame_over_many_signals(self):
        folders = [self.path("one"), self.path("other")]
        begin = "[bus can0]\n[web]\nlisten = none\n"
        said = self.through_signals(2, 20, [
            f"{begin}[log]\ncapture_folder = {folders[0]}\n",
            f"{begin}[log]\ncapture_folder = {folders[1]}\ncapture_mb = 400\n",
            f"{begin}[bus can7]\n[log]\ncapture_folder = {folders[1]}\n",
        ])
        with open(self.path("season.log"), encoding="ascii") as file:
            sent = sorted(file.read().splitlines())
        self.assertEqual(len(sent), 2 * 60 * FULL_RATE)
        kept = self.unpacked(*folders)
        self.assertEqual(len(kept), len(sent), said)
        self.assertEqual(kept, sent)
        self.assertGreater(min(len(os.listdir(folder)) for folder in folders), 10)
        self.assert_as_replayed()

    def test_recording_that_goes_on_and_off_costs_the_log_nothing(self):
        begin = "[bus can0]\n[web]\nlisten = none\n"
        self.through_signals(2, 20, [
            begin, f"{begin}[log]\ncapture_folder = {self.path('captures')}\n",
        ])
        self.assert_as_replayed()
        self.assertGreater(len(os.listdir(self.path("captures"))), 10)


if __name__ == "__main__":
    unittest.main()
