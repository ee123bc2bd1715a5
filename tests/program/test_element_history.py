#!/usr/bin/env python3
"""What is known of an element after it was taken out, and a change of which only the configuration tells. The
expected figures are counted here: one engine at a steady speed, whose suction-side filter loads evenly."""
import datetime
import sqlite3
import struct

from sightbowl_program import BoatTest, main, run

START = 1748768400  # 2025-06-01T09:00Z
CHANGED = 6 * 3600  # seconds after the start; the engine stands from five minutes before until five after
OLD_H = (CHANGED - 300 - 600) / 3600
HOURS = 9
NEW_H = (HOURS * 3600 - CHANGED - 300) / 3600
PUMP_LPH = 80.0
CONFIG = """
[engine 0]
supply = pump 80 L/h at 1800 rpm
[filter primary]
sensor = spn1382
sensor_kind = differential
limit_kpa = 60
reference_lph = 80
change_h = 8
{fitted}
[filter secondary]
change_h = 10
"""


def stamp(second):
    return datetime.datetime.fromtimestamp(START + second, datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def restriction(second):
    """8 kPa when new, 4 kPa more each hour."""
    return 8 + 4 * (second - (CHANGED if second >= CHANGED else 0)) / 3600


def frames(first, last):
    for second in range(first, last):
        runs = second >= 600 and not CHANGED - 300 <= second < CHANGED + 300
        rpm = struct.pack("<H", 1800 * 8 if runs else 0).hex().upper()
        rate = struct.pack("<H", 300 if runs else 0).hex().upper()
        kpa = round((restriction(second) if runs else 0) / 2)
        yield f"({START + second}.000000) can0 0CF00400#FFFFFF{rpm}FFFFFF\n"
        yield f"({START + second}.100000) can0 18FEF200#{rate}FFFFFFFFFFFF\n"
        yield f"({START + second}.200000) can0 18FE6A00#FFFF{kpa:02X}FFFFFFFFFF\n"
        yield f"({START + second}.300000) can0 18FEEE00#6E50FFFFFFFFFFFF\n"  # coolant 70 °C, fuel 40 °C


class ElementHistory(BoatTest):
    CONFIG = CONFIG.format(fitted="")
    frames = staticmethod(frames)

    def tell(self, fitted):
        with open(self.config, "w", encoding="utf-8") as file:
            file.write(CONFIG.format(fitted=fitted))

    def history(self, name):
        return [row for row in self.table("elements", "--at", "end")["elements"] if row["filter"] == name]

    def check_two_elements(self, at_s):
        old, new = self.history("primary")
        self.assertEqual((old["removed_utc"], new["fitted_utc"]), (stamp(at_s), stamp(at_s)))
        self.assertIsNone(new["removed_utc"])
        self.assertAlmostEqual(old["engine_h"], OLD_H, delta=0.02)
        self.assertAlmostEqual(new["engine_h"], NEW_H, delta=0.02)
        # What passed is counted once: as much as passed the filter that was not changed.
        only, = self.history("secondary")
        self.assertAlmostEqual(old["litres_through"] + new["litres_through"], only["litres_through"], delta=0.01)
        self.assertAlmostEqual(only["litres_through"], PUMP_LPH * (OLD_H + NEW_H), delta=8)
        # The old one as it was at its removal: nearly used up by hours, and what it showed last.
        self.assertEqual((old["basis"], old["due_by"]), ("measured", "hours"))
        self.assertAlmostEqual(old["used_pct"], 100 * OLD_H / 8, delta=0.5)
        self.assertAlmostEqual(old["restriction_kpa"], restriction(CHANGED - 1), delta=3)
        self.assertAlmostEqual(old["reference_kpa"], restriction(CHANGED - 1), delta=4)
        self.assertIsNone(old["left_h_p50"])
        self.assertIsNone(old["due_utc"])
        # The new one shows its own.
        self.assertAlmostEqual(new["reference_kpa"], restriction(HOURS * 3600 - 1), delta=4)

    def test_a_date_within_the_log_is_a_change(self):
        self.tell(f"fitted = {stamp(CHANGED)}")
        self.replay(0, HOURS * 3600)
        self.check_two_elements(CHANGED)

    def test_a_date_that_is_told_afterwards_divides_the_litres_too(self):
        self.replay(0, HOURS * 3600)
        self.assertEqual(len(self.history("primary")), 1)
        self.tell(f"fitted = {stamp(CHANGED)}")
        old, new = self.history("primary")
        self.assertAlmostEqual(old["engine_h"], OLD_H, delta=0.02)
        self.assertAlmostEqual(new["engine_h"], NEW_H, delta=0.02)

    def test_the_books_entry_of_that_day_wins(self):
        self.tell("fitted = 2025-06-01")
        self.done("book", "add", "change", "--filter", "primary", "--at", stamp(CHANGED), "--db", self.log,
                  "--config", self.config)
        self.replay(0, HOURS * 3600)
        self.check_two_elements(CHANGED)

    def test_an_element_that_nothing_measured_keeps_its_count(self):
        self.done("book", "add", "change", "--filter", "secondary", "--at", stamp(CHANGED), "--db", self.log,
                  "--config", self.config)
        self.replay(0, HOURS * 3600)
        old, new = self.history("secondary")
        self.assertEqual((old["basis"], old["due_by"]), ("counted", "hours"))
        self.assertAlmostEqual(old["used_pct"], 100 * OLD_H / 10, delta=0.5)
        self.assertIsNone(old["restriction_kpa"])
        self.assertAlmostEqual(new["used_pct"], 100 * NEW_H / 10, delta=0.5)

    def test_another_order_in_the_file_swaps_no_histories(self):
        self.replay(0, 4 * 3600)
        with open(self.config, encoding="utf-8") as file:
            parts = file.read().split("[filter ")
        with open(self.config, "w", encoding="utf-8") as file:
            file.write("[filter ".join([parts[0], parts[2] + "\n", parts[1]]))
        self.assertEqual(self.history("primary")[0]["basis"], "measured")
        self.assertEqual(self.history("secondary")[0]["basis"], "counted")
        self.replay(4 * 3600, 5 * 3600)
        row, = self.history("primary")
        self.assertEqual(row["basis"], "measured")
        self.assertAlmostEqual(row["reference_kpa"], restriction(5 * 3600), delta=4)
        database = sqlite3.connect(self.log)
        self.assertEqual(database.execute("SELECT filter, name FROM filters ORDER BY filter").fetchall(),
                         [(0, "primary"), (1, "secondary")])
        names = database.execute("SELECT DISTINCT name FROM filter_course_list").fetchall()
        database.close()
        self.assertEqual(names, [("primary",)])
        self.assertEqual(self.history("secondary")[0]["basis"], "counted")
        # Another name is another filter, of which the log knows nothing.
        with open(self.config, encoding="utf-8") as file:
            text = file.read()
        with open(self.config, "w", encoding="utf-8") as file:
            file.write(text.replace("[filter primary]", "[filter day]"))
        self.assertEqual(self.history("day")[0]["basis"], "counted")

    def test_check_refuses_a_date_that_has_not_come(self):
        self.tell("fitted = 2199-01-01")
        status, out, _ = run("check", "--no-machine", "--config", self.config)
        self.assertEqual(status, 1)
        self.assertIn("has not come yet", out)
        self.tell("fitted = 2025-06-01")
        status, out, _ = run("check", "--no-machine", "--config", self.config)
        self.assertEqual((status, "has not come yet" in out), (0, False))


if __name__ == "__main__":
    main()
