#!/usr/bin/env python3
"""Two engines with a tank each, filters in series and two in parallel behind a change-over valve: the whole path, from
frames to what the commands say. Rates are steady, so that every figure follows by pencil. The engines speak J1939
(source addresses 0 and 1), tanks and speed NMEA 2000, all on one bus."""
import struct

from sightbowl_program import BoatTest, main

START = 1748768400  # 2025-06-01T09:00Z
HOURS = 3
RATE_LPH = (6.0, 4.0)
FIRST_L = (150.0, 120.0)  # what is in the tanks at the start
KNOTS = 7.0
# Starboard tank: level in % to litres; port is a box of 250 L.
STRAPPING = [(0, 0.0), (40, 40.0), (100, 200.0)]
CONFIG = """
[boat]
name = Twin Dabchick
[engine 0]
label = port
tank = 0
[engine 1]
label = starboard
tank = 1
[tank 0]
capacity_l = 250
reserve_l = 30
[tank 1]
strapping = 0 0, 40 40, 100 200
reserve_l = 20
[filter port-a]
engine = 0
set = port-primary
change_l = 20
fitted = 2025-05-01
[filter port-b]
engine = 0
set = port-primary
change_l = 20
fitted = 2025-05-01
[filter port-fine]
engine = 0
change_h = 200
fitted = 2025-05-01
[filter starboard-primary]
engine = 1
change_l = 1000
fitted = 2025-05-01
[filter starboard-fine]
engine = 1
"""


def level_of(litres):
    for (low, low_l), (high, high_l) in zip(STRAPPING, STRAPPING[1:]):
        if litres <= high_l:
            return low + (high - low) * (litres - low_l) / (high_l - low_l)
    return 100.0


def frame(second, part, identifier, data):
    return f"({START + second}.{part:06d}) can0 {identifier}#{data.hex().upper()}\n"


def frames(first, last, running=(True, True)):
    for second in range(first, last):
        for engine in (0, 1):
            turns = 1800 * 8 if running[engine] else 0
            rate = round(RATE_LPH[engine] * 20) if running[engine] else 0
            yield frame(second, 1000 + engine, f"0CF004{engine:02X}", b"\xff\xff\xff" + struct.pack("<H", turns) + b"\xff" * 3)
            yield frame(second, 2000 + engine, f"18FEF2{engine:02X}", struct.pack("<H", rate) + b"\xff" * 6)
            if second % 2 == 0:
                litres = FIRST_L[engine] - RATE_LPH[engine] * second / 3600
                percent = litres / 250 * 100 if engine == 0 else level_of(litres)
                capacity = (2500, 2000)[engine]
                # 127505: instance and fluid (0: fuel), level in 0.004 %, capacity in 0.1 L.
                yield frame(second, 3000 + engine, "19F21123",
                            bytes([engine]) + struct.pack("<hI", round(percent / 0.004), capacity) + b"\xff")
        # 129026: SID, true north, course in 1e-4 rad, speed in 0.01 m/s.
        yield frame(second, 5000, "09F80224", bytes([second % 250, 0xFC]) + struct.pack("<HH", 10000, round(KNOTS * 1852 / 36)) + b"\xff\xff")


class TwoEngines(BoatTest):
    CONFIG = CONFIG
    frames = staticmethod(frames)

    def test_each_engine_has_its_own_account(self):
        self.replay(0, HOURS * 3600)
        runs = self.table("runs")["runs"]
        self.assertEqual([row["engine"] for row in runs], [0, 1])
        for row in runs:
            self.assertAlmostEqual(row["fuel_l"], HOURS * RATE_LPH[row["engine"]], delta=0.02)
        trips = self.table("trips")["trips"]
        self.assertEqual({row["trip"] for row in trips}, {1})
        for row in trips:
            self.assertAlmostEqual(row["distance_nm"], HOURS * KNOTS, delta=0.1)
        # Both tanks are told apart, one by its strapping table; level and burn agree.
        tanks = {row["tank"]: row for row in self.table("status")["tanks"]}
        for engine in (0, 1):
            self.assertAlmostEqual(tanks[engine]["fuel_l"], FIRST_L[engine] - HOURS * RATE_LPH[engine], delta=0.5)
        self.assertEqual(tanks[1]["capacity_l"], 200)
        self.assertEqual({row["kind"] for row in self.table("events")["events"]}, {"element-due"})
        # Port has 132 - 30 L at 6 L/h, starboard 108 - 20 L at 4 L/h: port ends first, after 17 h and 119 nm.
        usual = [row for row in self.table("status")["range"] if row["range"] == "usual"][0]
        self.assertAlmostEqual(usual["rate_lph"], 10, delta=0.05)
        self.assertAlmostEqual(usual["range_h"], 17, delta=0.2)
        self.assertAlmostEqual(usual["range_nm"], 119, delta=2)
        self.assertIn("tank 0 comes to its reserve first", usual["basis"])

    def test_filters_in_series_pass_all_and_in_parallel_one(self):
        self.replay(0, HOURS * 3600)
        through = {name: row["litres_through"] for name, row in self.elements().items()}
        for name, litres in (("port-a", 18), ("port-b", 0), ("port-fine", 18), ("starboard-primary", 12),
                             ("starboard-fine", 12)):
            self.assertAlmostEqual(through[name], litres, delta=0.1, msg=name)
        # 20 L are allowed in the set, 16 L passed after 2 h 40: a is due, b (out of use) is not.
        due = [row for row in self.table("events")["events"] if row["kind"] == "element-due"]
        self.assertEqual([row["subject"] for row in due], ["port-a"])
        self.assertIn(" of 20 L have passed", due[0]["message"])
        # The valve is turned; the next two hours go through b.
        self.done("book", "add", "switch", "--filter", "port-b", "--at", "2025-06-01T12:00:30Z", "--db", self.log, "--config",
                  self.config)
        self.replay(HOURS * 3600 + 60, HOURS * 3600 + 60 + 2 * 3600 + 1800)
        through = {name: row["litres_through"] for name, row in self.elements().items()}
        self.assertAlmostEqual(through["port-a"], 18, delta=0.15)
        self.assertAlmostEqual(through["port-b"], 15, delta=0.15)
        due = [row["subject"] for row in self.table("events")["events"] if row["kind"] == "element-due"]
        self.assertEqual(due, ["port-a"])
        # Half an hour more: 18 L through b as well.
        self.replay(HOURS * 3600 + 60 + 2 * 3600 + 1800, HOURS * 3600 + 60 + 3 * 3600)
        due = [row["subject"] for row in self.table("events")["events"] if row["kind"] == "element-due"]
        self.assertEqual(due, ["port-a", "port-b"])

    def test_one_engine_shut_down(self):
        self.replay(0, 3600)
        self.replay(3600, 2 * 3600, running=(False, True))
        runs = {row["engine"]: row for row in self.table("runs")["runs"]}
        self.assertAlmostEqual(runs[0]["engine_h"], 1, delta=0.01)
        self.assertAlmostEqual(runs[1]["engine_h"], 2, delta=0.01)
        self.assertAlmostEqual(runs[1]["fuel_l"], 8, delta=0.02)
        told = self.table("status")
        engines = {row["engine"]: row for row in told["engines"]}
        self.assertEqual(len(engines), 2)
        about = [row["about"] for row in told["reasons"]]
        for name in ("engine 0", "engine 1", "tank 0", "tank 1", "filter port-a", "filter starboard-fine", "water, engine 1"):
            self.assertIn(name, about)


if __name__ == "__main__":
    main()
