#!/usr/bin/env python3
"""What the program prints of real captures, against a few lines that share nothing with it: integral.py for
litres, and the bus of a boat read here.

The captures are open but may not be passed on: SIGHTBOWL_OPEN_DATA names their folder.
"""
import gzip
import json
import os
import struct
import subprocess
import sys
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
FOLDER = os.path.join(os.environ.get("SIGHTBOWL_OPEN_DATA", ""), "j1939-trucks")
BOAT = os.path.join(os.environ.get("SIGHTBOWL_OPEN_DATA", ""), "n2k-boat", "boat-300s.log.gz")
KNOT_MPS = 1852 / 3600


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


def read_boat():
    """Messages of five PGNs, and the ground speeds (129026, bytes 4-5, 0.01 m/s a bit) and latitudes
    (129029, bytes 7-14, 1e-16 degrees a bit) in them. 129029 comes in 7 frames: 6 bytes and then 7 each,
    the first byte counts sequence and frame."""
    counts, speeds, latitudes, parts, frames = {}, [], [], {}, 0
    for line in gzip.open(BOAT, "rt"):
        frames += 1
        ident, data = line.split()[2].split("#")
        ident, data = int(ident, 16), bytes.fromhex(data)
        pgn, source = ident >> 8 & 0x1FFFF, ident & 0xFF
        if pgn == 129029:
            sequence, place = data[0] >> 5, data[0] & 31
            if place == 0:
                parts[source] = (sequence, [data[2:]])
                continue
            if source not in parts or parts[source][0] != sequence or len(parts[source][1]) != place:
                continue
            parts[source][1].append(data[1:])
            if place < 6:
                continue
            payload = b"".join(parts.pop(source)[1])
            latitudes.append(struct.unpack_from("<q", payload, 7)[0] * 1e-16)
        elif pgn == 129026:
            raw = data[4] | data[5] << 8
            speeds.append(raw * 0.01 / KNOT_MPS)
        elif pgn not in (126992, 128267, 129025):
            continue
        counts[pgn] = counts.get(pgn, 0) + 1
    return frames, counts, speeds, latitudes


@unittest.skipUnless(os.path.isfile(BOAT), "SKIPPED: no real capture of a boat here (SIGHTBOWL_OPEN_DATA)")
class OpenBoat(unittest.TestCase):
    def told(self, *arguments):
        out = subprocess.run([os.environ["SIGHTBOWL"], *arguments, "--json", BOAT], check=True, capture_output=True)
        return json.loads(out.stdout)

    def test_a_boats_bus(self):
        frames, counts, speeds, latitudes = read_boat()
        counters = {c["counter"]: c["count"] for c in self.told("replay")["counters"]}
        self.assertEqual(counters["frames"], frames)
        for name in ("incomplete", "out_of_sequence", "repeated", "orphans", "timed_out", "malformed"):
            self.assertEqual(counters[name], 0, name)
        tables = self.told("listen")
        heard = {}
        for row in tables["messages"]:
            heard[row["pgn"]] = heard.get(row["pgn"], 0) + row["count"]
        self.assertEqual({pgn: heard[pgn] for pgn in counts}, counts)
        self.assertGreater(counts[129029], 300)
        signals = {(row["signal"], row["pgn"]): row for row in tables["signals"]}
        speed = signals["ground_speed_kn", 129026]
        self.assertEqual(speed["numbers"], len(speeds))
        for name, value in (("low", min(speeds)), ("high", max(speeds)), ("last", speeds[-1])):
            self.assertAlmostEqual(speed[name], value, delta=1e-6)
        latitude = signals["latitude_deg", 129029]
        for name, value in (("low", min(latitudes)), ("high", max(latitudes)), ("last", latitudes[-1])):
            self.assertAlmostEqual(latitude[name], value, delta=1e-7)  # a centimetre


if __name__ == "__main__":
    unittest.main()
