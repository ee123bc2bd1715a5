"""The scoreboard's judge and statistics: each verdict can go either way, and for the reason it says."""

import importlib.machinery
import importlib.util
import os
import sys
import unittest

sys.dont_write_bytecode = True
HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, HERE)
import judge  # noqa: E402

loader = importlib.machinery.SourceFileLoader("board", os.path.join(HERE, "run"))
board = importlib.util.module_from_spec(importlib.util.spec_from_loader("board", loader))
loader.exec_module(board)

HOUR = 3600.0


def event(kind, raised_h, subject="primary", cleared_h=None, message="", told=()):
    return {"event": 1, "kind": kind, "subject": subject, "raised": raised_h * HOUR,
            "cleared": None if cleared_h is None else cleared_h * HOUR, "value": 1, "limit": 1,
            "message": message, "told": [{"t": h * HOUR, "value": value, "message": text} for h, value, text in told]}


def season(number=1000000, events=(), faults=(), wet=(), starving=(), course=None, feed_kpa=100, drains=(),
           refuellings=(), **element):
    """One run of 100 hours; a primary whose restriction rises evenly from 2 to 20 kPa, limit 20, and
    2,000 L; dirt as usual."""
    one = {"filter": 0, "number": 1, "fitted": 0, "removed": None, "engine_h": 100, "litres": 2000,
           "reference_kpa": 20, "limit_kpa": 20, "limit_l": 2000, "limit_h": 100}
    one.update(element)
    if course is None:
        course = [{"element": 0, "t": h * HOUR, "litres": 20 * h, "dirt_l": 20 * h, "kpa": 2 + 0.18 * h}
                  for h in range(101)]
    return judge.Season({
        "season": number, "engine_h": 100, "fault_over_h": 10, "faults": list(faults),
        "events": list(events), "filters": [{"name": "primary", "sensor": "spn95", "blocking": "cake"}],
        "elements": [one], "runs": [{"engine": 0, "start": 0, "end": 100 * HOUR, "max_coolant_c": 85,
                                     "least_feed_kpa": feed_kpa}],
        "course": course, "wet": [{"start": a, "end": b, "every_source": True} for a, b in wet],
        "starving": [{"start": a * HOUR, "end": b * HOUR, "least_kpa": 10} for a, b in starving],
        "drains": [{"start": h * HOUR} for h in drains],
        "refuellings": [{"start": h * HOUR, "litres": litres, "dirt_factor": dirt, "water_l": 0}
                        for h, litres, dirt in refuellings],
        "forecasts": [], "fuel_least_c": None, "tank_l": 200})


def fault(kind, at_h, size, full_h=None):
    return {"kind": kind, "filter": 0, "start": at_h * HOUR,
            "full": None if full_h is None else full_h * HOUR, "size": size}


class Verdicts(unittest.TestCase):
    def verdict(self, one, **about):
        return judge.judge_event(season(events=[one], **about), one)

    def test_restriction_high_must_be_near_the_limit(self):
        self.assertEqual(self.verdict(event("restriction-high", 95)), judge.TRUE)
        self.assertEqual(self.verdict(event("restriction-high", 60)), judge.FALSE)

    def test_a_lying_sensor_misleads(self):
        drift = fault("sensor-drift", 10, 20)
        self.assertEqual(self.verdict(event("restriction-high", 60), faults=[drift]), judge.MISLED)

    def test_an_even_course_has_no_jump_and_no_rising(self):
        self.assertEqual(self.verdict(event("restriction-jump", 50)), judge.FALSE)
        self.assertEqual(self.verdict(event("restriction-rising", 50)), judge.FALSE)

    def test_a_step_is_a_jump_and_more_dirt_a_rising(self):
        course = [{"element": 0, "t": h * HOUR, "litres": 20 * h,
                   "dirt_l": 20 * h + (20 * (h - 50) if h > 50 else 0), "kpa": 2 if h <= 50 else 5}
                  for h in range(101)]
        self.assertEqual(self.verdict(event("restriction-jump", 51), course=course), judge.TRUE)
        self.assertEqual(self.verdict(event("restriction-rising", 54), course=course), judge.TRUE)
        self.assertEqual(self.verdict(event("restriction-rising", 49), course=course), judge.FALSE)

    def test_due_must_not_come_with_much_left(self):
        self.assertEqual(self.verdict(event("element-due", 70)), judge.TRUE)
        self.assertEqual(self.verdict(event("element-due", 50)), judge.FALSE)

    def test_starvation_needs_a_lack_of_fuel(self):
        self.assertEqual(self.verdict(event("starvation", 50)), judge.FALSE)
        self.assertEqual(self.verdict(event("starvation", 50), starving=[(49.9, 50.1)]), judge.TRUE)
        self.assertEqual(self.verdict(event("starvation", 50), faults=[fault("air", 40, 1)]), judge.TRUE)
        self.assertEqual(self.verdict(event("starvation", 50), feed_kpa=50), judge.TRUE)

    def test_a_sunk_pressure_needs_a_loaded_element_or_a_lack_of_fuel(self):
        sunk = "Fuel pressure has sunk: for hours it is far below what it was"
        self.assertEqual(self.verdict(event("fuel-pressure-low", 80, message=sunk)), judge.FALSE)
        self.assertEqual(self.verdict(event("fuel-pressure-low", 95, message=sunk)), judge.TRUE)
        self.assertEqual(self.verdict(event("fuel-pressure-low", 95)), judge.FALSE)
        self.assertEqual(self.verdict(event("fuel-pressure-low", 80, message=sunk), feed_kpa=50), judge.TRUE)

    def test_burn_needs_a_cause(self):
        growing = [fault("fouling", 40, 10)]
        self.assertEqual(self.verdict(event("burn-high", 50)), judge.FALSE)
        self.assertEqual(self.verdict(event("burn-high", 42), faults=growing), judge.TRUE)
        self.assertEqual(self.verdict(event("burn-high", 40.5), faults=growing), judge.FALSE)
        self.assertEqual(self.verdict(event("burn-low", 60), faults=growing), judge.FALSE)

    def test_water_needs_thirty_seconds_of_indication(self):
        self.assertEqual(self.verdict(event("water-in-fuel", 1), wet=[(HOUR - 30, HOUR + 5)]), judge.TRUE)
        self.assertEqual(self.verdict(event("water-in-fuel", 1), wet=[(HOUR - 20, HOUR + 5)]), judge.FALSE)
        self.assertEqual(self.verdict(event("water-in-fuel", 1)), judge.FALSE)

    def test_what_nobody_knows_is_false_and_what_the_engine_says_is_passed_on(self):
        self.assertEqual(self.verdict(event("bus-fault", 1)), judge.FALSE)
        self.assertEqual(self.verdict(event("temperature-high", 1, message="The engine itself reports it")),
                         judge.RELAYED)
        self.assertEqual(self.verdict(event("temperature-high", 1)), judge.FALSE)


class Chances(unittest.TestCase):
    def test_the_burn_counts_from_five_percent(self):
        told = season(events=[event("burn-high", 47)], faults=[fault("fouling", 40, 10, 50)])
        (chance,) = [c for c in judge.chances_of(told) if c.kind.startswith("burn")]
        self.assertAlmostEqual(chance.delay, 2.0)
        missed = season(faults=[fault("fouling", 40, 10, 50)])
        (chance,) = [c for c in judge.chances_of(missed) if c.kind.startswith("burn")]
        self.assertIsNone(chance.delay)

    def test_water_counts_from_its_indication(self):
        told = season(events=[event("water-in-fuel", 1)], wet=[(HOUR - 30, 2 * HOUR)])
        self.assertAlmostEqual(judge.water_chances(told)[0].delay, 30.0)
        self.assertIsNone(judge.water_chances(season(wet=[(HOUR, 2 * HOUR)]))[0].delay)
        self.assertEqual(judge.water_chances(season(wet=[(HOUR, HOUR + 20)])), [])

    def test_water_that_is_being_told_is_no_new_chance(self):
        told = season(events=[event("water-in-fuel", 1)], wet=[(HOUR - 30, HOUR + 60), (2 * HOUR, 3 * HOUR)])
        self.assertEqual(len(judge.water_chances(told)), 1)

    def test_an_element_at_its_limit_counts_when_it_passed_it(self):
        passed = season(events=[event("restriction-high", 96)], limit_h=95, reference_kpa=23)
        self.assertAlmostEqual(judge.high_chances(passed)[0].delay, 1.0)
        self.assertIsNone(judge.high_chances(season(limit_h=95, reference_kpa=23))[0].delay)
        self.assertEqual(judge.high_chances(season(limit_h=95, reference_kpa=20.5)), [])


class Causes(unittest.TestCase):
    """What events say of their cause, in the program's words."""

    HULL = "a fouled hull or propeller"
    INJECTOR = "a leaking or worn injector"

    def burn(self, named, fault_kind="injector"):
        text = f"Burn is 4.0 % above this engine's own map for 3.0 engine hours. {named}. Load +1.0 %."
        told = season(events=[event("burn-high", 46, told=[(46, 4.0, text)])], faults=[fault(fault_kind, 42, 5, 45)])
        return judge.burn_causes(told)

    def test_the_first_named_cause_is_the_true_one_or_not(self):
        self.assertEqual([c.said for c in self.burn(f"Likely: {self.INJECTOR}; {self.HULL}")], [judge.RIGHT] * 2)
        self.assertEqual([c.said for c in self.burn(f"Likely: {self.HULL}; {self.INJECTOR}")], [judge.WRONG] * 2)
        self.assertEqual([c.said for c in self.burn(f"Likely: {self.HULL}", "fouling")], [judge.RIGHT] * 2)

    def test_what_is_not_told_apart_is_neither(self):
        for named in (f"{self.HULL}, or else {self.INJECTOR}; fuel", f"{self.INJECTOR}, or else {self.HULL}; fuel"):
            self.assertEqual(self.burn("Not told apart yet: " + named)[0].said, judge.UNDECIDED)
        self.assertEqual(self.burn(f"Not told apart yet: air, or else {self.HULL}; {self.INJECTOR}")[0].said,
                         judge.WRONG)

    def test_size_and_beginning_are_held_against_the_truth(self):
        first, last = self.burn(f"Likely: {self.INJECTOR}")
        self.assertAlmostEqual(first.size_error, 4.0 - 5.0)
        self.assertAlmostEqual(first.since_error, 46 - 3.0 - 42)
        self.assertAlmostEqual(last.size_error, 4.0 - 5.0)

    def test_a_false_alarm_has_no_true_cause(self):
        told = season(events=[event("burn-high", 46, told=[(46, 4.0, "Likely: " + self.HULL)])])
        self.assertEqual(judge.burn_causes(told), [])

    def test_the_load_of_fuel_that_is_named_is_the_bad_one_or_not(self):
        for litres, said in ((100, judge.RIGHT), (60, judge.WRONG)):
            text = f"Restriction now rises 3.0 times as fast as before, since {litres} L were taken in. Think of it"
            told = season(events=[event("restriction-rising", 45, message=text)],
                          faults=[fault("bad-fuel", 42, 10)], refuellings=[(20, 61, 1.0), (42, 102, 10.0)])
            self.assertEqual([c.said for c in judge.rising_causes(told)], [said])
        told = season(events=[event("restriction-rising", 45, message="Restriction now rises.")],
                      faults=[fault("bad-fuel", 42, 10)], refuellings=[(42, 102, 10.0)])
        self.assertEqual([c.said for c in judge.rising_causes(told)], [judge.UNDECIDED])

    def test_air_is_not_a_filter(self):
        for text, said in (("Air gets in: look", judge.RIGHT), ("A filter is loaded", judge.WRONG), ("Look", judge.UNDECIDED)):
            told = season(events=[event("starvation", 50, message=text)], faults=[fault("air", 40, 1)])
            self.assertEqual([c.said for c in judge.starving_causes(told)], [said])
        strained = [event("starvation", 50, message="Air gets in: look")]
        (cause,) = judge.starving_causes(season(events=strained, faults=[fault("air", 40, 1)], feed_kpa=50))
        self.assertEqual((cause.kind, cause.said), ("starvation: air", judge.RIGHT))
        (cause,) = judge.starving_causes(season(events=strained, feed_kpa=50))
        self.assertEqual((cause.kind, cause.said), ("starvation: a blocked line", judge.WRONG))

    def test_water_is_again_only_after_a_drain(self):
        wet = [(HOUR - 30, HOUR + 5)]
        for kind, drains, said in (("water-recurring", [0.5], judge.RIGHT), ("water-recurring", [], judge.WRONG),
                                   ("water-in-fuel", [], judge.RIGHT), ("water-in-fuel", [0.5], judge.WRONG)):
            told = season(events=[event(kind, 1)], wet=wet, drains=drains)
            self.assertEqual([c.said for c in judge.water_causes(told)], [said])


class Numbers(unittest.TestCase):
    def test_a_fault_s_seasons_are_every_eleventh_of_the_odd_ones(self):
        # By hand: half of 1460005, rounded down, is 730002 = 11 · 66363 + 9, which counts from 0: a stuck tank sender.
        self.assertEqual(board.numbers_of(1460005, 2, ["tank-stuck"]), [1460005, 1460027])
        self.assertEqual(board.numbers_of(1460000, 1, ["tank-stuck"]), [1460005])

    def test_without_a_fault_healthy_and_faulty_ones_take_turns(self):
        self.assertEqual(board.numbers_of(1000000, 2, None), [1000000, 1000001, 1000002, 1000003])


class Statistics(unittest.TestCase):
    def test_garwood_gives_the_tabled_limits(self):
        # Poisson confidence limits, 95 %, as commonly tabled (Garwood 1936; Pearson and Hartley).
        for n, low, high in ((0, 0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)):
            got = board.garwood(n)
            self.assertAlmostEqual(got[0], low, places=3)
            self.assertAlmostEqual(got[1], high, places=3)

    def test_wilson_gives_a_worked_interval(self):
        # 15 of 148, a published worked example (Newcombe 1998, table I): 0.0624 to 0.1605.
        low, high = board.wilson(15, 148)
        self.assertAlmostEqual(low, 0.0624, places=4)
        self.assertAlmostEqual(high, 0.1605, places=4)

    def test_a_quantile_lies_between_its_neighbours(self):
        self.assertEqual(board.quantile([3, 1, 2], 0.5), 2)
        self.assertEqual(board.quantile([1, 2], 0.75), 1.75)


if __name__ == "__main__":
    unittest.main()
