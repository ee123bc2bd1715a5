#!/usr/bin/env python3
"""Litres of real captures of engines' buses, against integral.py, which shares nothing with the program.

The captures are open but may not be passed on: SIGHTBOWL_OPEN_DATA names their folder.
"""
import json
import os
import subprocess
import sys
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
FOLDER = os.path.join(os.environ.get("SIGHTBOWL_OPEN_DATA", ""), "j1939-trucks")


@unittest.skipUnless(os.path.isdir(FOLDER), "SKIPPED: no real captures here (SIGHTBOWL_OPEN_DATA)")
class OpenCaptures(unittest.TestCase):
    def litres(self, name):
        path = os.path.join(FOLDER, name)
        out = subprocess.run([os.environ["SIGHTBOWL"], "replay", "--json", path], check=True, capture_output=True)
        runs = json.loads(out.stdout)["runs"]
        self.assertEqual(len(runs), 1)
        plain = subprocess.run([sys.executable, os.path.join(HERE, "integral.py"), path], check=True,
                               capture_output=True, text=True).stdout
        return runs[0]["fuel_l"], float(plain.split()[-2])

    def test_driving(self):
        counted, plain = self.litres("truck-driving-30s.log.gz")
        self.assertAlmostEqual(counted, plain, delta=1e-5)

    def test_a_cold_start(self):
        counted, plain = self.litres("truck-cold-start-65s.log.gz")
        # What is injected below 300 rpm, while the starter turns it, is the run's, too.
        self.assertAlmostEqual(counted, plain, delta=1e-5)


if __name__ == "__main__":
    unittest.main()
