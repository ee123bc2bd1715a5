#!/usr/bin/env python3
"""Elements fall due by hours, by litres, by age: told before, told again when over, ended by a change, with the
same figures in elements, events and status. No sensor is on this bus, and that is said. The expected moments are
counted here, from frames of one engine at a steady rate."""
import datetime
import struct

from sightbowl_program import BoatTest, main

START = 1748768400  # 2025-06-01T09:00Z
RATE_LPH = 3.0
CONFIG = """
[engine 0]
[filter by-hours]
change_h = 2
change_l = 1000
change_months = 120
fitted = 2025-06-01
[filter by-litres]
change_h = 100
change_l = 6
fitted = 2025-06-01
[filter by-age]
rated_lph = 400
change_h = 1000
change_months = 12
fitted = 2024-06-08
[filter by-nothing]
"""
MONTH_DAYS = 146097 / 4800


def frames(first, last):
    """The engine runs throughout: EEC1 (0.125 rpm a bit), LFE (0.05 L/h a bit), each second."""
    for second in range(first, last):
        rpm = struct.pack("<H", 1800 * 8).hex().upper()
        rate = struct.pack("<H", round(RATE_LPH * 20)).hex().upper()
        yield f"({START + second}.000000) can0 0CF00400#FFFFFF{rpm}FFFFFF\n"
        yield f"({START + second}.100000) can0 18FEF200#{rate}FFFFFFFFFFFF\n"


def seconds(utc):
    return datetime.datetime.fromisoformat(utc.replace("Z", "+00:00")).timestamp() - START


class ElementDue(BoatTest):
    CONFIG = CONFIG
    frames = staticmethod(frames)

    def due(self):
        rows = self.table("events")["events"]
        return {row["subject"]: row for row in rows if row["kind"] == "element-due"}

    def test_each_criterion_is_told_with_its_evidence(self):
        self.replay(0, 6600)  # 1.83 h
        elements = self.elements()
        self.assertEqual({name: row["due_by"] for name, row in elements.items()},
                         {"by-hours": "hours", "by-litres": "litres", "by-age": "months", "by-nothing": None})
        self.assertEqual({row["basis"] for row in elements.values()}, {"counted"})
        self.assertAlmostEqual(elements["by-hours"]["used_pct"], 100 * 6600 / 7200, delta=0.5)
        self.assertAlmostEqual(elements["by-litres"]["used_pct"], 100 * 5.5 / 6, delta=0.5)
        self.assertIsNone(elements["by-nothing"]["used_pct"])
        due = self.due()
        self.assertEqual(set(due), {"by-hours", "by-litres", "by-age"})
        for name, row in due.items():
            self.assertEqual((row["severity"], row["basis"], row["unit"], row["limit"]),
                             ("advice", "counted", "%", 100), name)
            self.assertIn("Nothing measures this element", row["message"])
            self.assertIsNone(row["cleared_utc"])
        # A fifth of the allowance is left at 1.6 h and at 4.8 L: both 5760 s from the start.
        self.assertAlmostEqual(seconds(due["by-hours"]["raised_utc"]), 5760, delta=30)
        self.assertAlmostEqual(seconds(due["by-litres"]["raised_utc"]), 5760, delta=30)
        # 12 months end 365.24 days after 2024-06-08: a week ahead, so from the first window on.
        self.assertLess(seconds(due["by-age"]["raised_utc"]), 30)
        age = (START - datetime.datetime(2024, 6, 8, tzinfo=datetime.timezone.utc).timestamp()) / 86400
        self.assertAlmostEqual(due["by-age"]["value"], 100 * age / (12 * MONTH_DAYS), delta=0.2)
        self.assertIn("By age it is due in 7 days: 11.8 of 12.0 months", due["by-age"]["message"])
        told = self.table("status")
        says = {row["about"]: row["says"] for row in told["reasons"]}
        self.assertEqual(told["verdict"][0]["verdict"], "note")
        self.assertIn("nothing measures it", says["filter by-hours"])
        self.assertIn("% of its allowed litres are used", says["filter by-litres"])
        self.assertIn("nothing says when it is due", says["filter by-nothing"])

    def test_over_it_is_worse_and_a_change_ends_it(self):
        self.replay(0, 7500)
        due = self.due()
        self.assertEqual(due["by-hours"]["severity"], "caution")
        self.assertIn("By hours it is due: 2.0 of 2.0 h are run", due["by-hours"]["message"])
        self.assertEqual(due["by-litres"]["severity"], "caution")
        self.assertEqual(self.table("status")["verdict"][0]["verdict"], "look")
        # The skipper changes it while the engine is off; the next capture finds it done.
        self.done("book", "add", "change", "--db", self.log, "--config", self.config, "--filter", "by-hours",
                  "--at", "2025-06-01T12:00Z")
        self.replay(14400, 15000)
        due = self.due()
        self.assertIsNotNone(due["by-hours"]["cleared_utc"])
        self.assertIsNone(due["by-litres"]["cleared_utc"])
        elements = self.elements()
        self.assertEqual(elements["by-hours"]["due_by"], "hours")
        self.assertLess(elements["by-hours"]["used_pct"], 10)

    def test_cut_into_captures_it_is_told_the_same(self):
        self.replay(0, 6600)
        whole = self.due()
        self.log = self.path("cut.db")
        for first in range(0, 6600, 1100):
            self.replay(first, first + 1100)
        parts = self.due()
        self.assertEqual(set(parts), set(whole))
        for name, row in whole.items():
            self.assertAlmostEqual(seconds(row["raised_utc"]), seconds(parts[name]["raised_utc"]), delta=30)


if __name__ == "__main__":
    main()
