#!/usr/bin/env python3
"""Senders that fall silent, and buses: healthy seasons and real captures cry no wolf, a sender cut out of a
season's frames is found. The frames are read here by themselves, from the published layout of the messages."""
import datetime
import gzip
import json
import os
import unittest

from sightbowl_program import ProgramTest, run

OPEN_DATA = os.environ.get("SIGHTBOWL_OPEN_DATA", "")
KINDS = ("source-lost", "bus-fault")
ENGINE_SPEED = 127488  # byte 0 instance, bytes 1 and 2 speed in 0.25 rpm, little-endian
FLUID_LEVEL = 127505


def read_frame(line):
    """(time, PGN, source, data) of a line of candump -L."""
    time, _, frame = line.split()[:3]
    identifier, data = frame.split("#")
    number = int(identifier, 16)
    pgn = number >> 8 & 0x3FFFF
    if pgn >> 8 & 0xFF < 240:
        pgn &= 0x3FF00
    return float(time[1:-1]), pgn, number & 0xFF, bytes.fromhex(data)


def seconds(utc):
    return datetime.datetime.fromisoformat(utc.replace("Z", "+00:00")).timestamp()


class Liveness(ProgramTest):
    def replay(self, log, capture):
        status, _, error = run("replay", "--db", log, capture)
        self.assertEqual(status, 0, error)  # that it carries no date is told, and fine

    def events(self, log):
        rows = json.loads(self.done("events", "--db", log, "--json"))["events"]
        return [row for row in rows if row["kind"] in KINDS]

    def test_healthy_seasons_cry_no_wolf(self):
        for protocol in ("nmea2000", "j1939"):
            folder = self.path(protocol)
            self.done("demo", "--folder", folder, "--hours", 10, "--loss", 5, "--seed", 4,
                      "--protocol", protocol)
            self.assertEqual(self.events(os.path.join(folder, "boat.db")), [], protocol)

    @unittest.skipUnless(OPEN_DATA and os.path.isdir(OPEN_DATA),
                         "SKIPPED: no real captures here (SIGHTBOWL_OPEN_DATA)")
    def test_real_captures_cry_no_wolf(self):
        captures = [os.path.join(folder, name) for folder, _, names in os.walk(OPEN_DATA)
                    for name in sorted(names) if name.endswith(".log.gz")]
        self.assertGreaterEqual(len(captures), 3)
        for number, capture in enumerate(captures):
            log = self.path(f"real{number}.db")
            self.replay(log, capture)
            self.assertEqual(self.events(log), [], capture)
            # The same with holes of every kind.
            lines = gzip.open(capture, "rt").read().splitlines()
            holed = self.path(f"holed{number}.log")
            with open(holed, "w", encoding="ascii") as out:
                for at, line in enumerate(lines):
                    if at * 40 // len(lines) % 3 != 2:
                        print(line, file=out)
            log = self.path(f"holed{number}.db")
            self.replay(log, holed)
            self.assertEqual(self.events(log), [], capture)

    def test_a_sender_cut_out_of_a_season_is_found(self):
        folder = self.path("season")
        self.done("demo", "--folder", folder, "--hours", 8, "--seed", 3, "--write-only",
                  "--compression", "none")
        with open(os.path.join(folder, "season.log"), encoding="ascii") as season:
            lines = season.read().splitlines()
        frames = [read_frame(line) for line in lines]
        tank = next(source for _, pgn, source, _ in frames if pgn == FLUID_LEVEL)
        # The first stretch of an hour with the engine above 1200 rpm throughout.
        begin = last = None
        for time, pgn, _, data in frames:
            if pgn == ENGINE_SPEED:
                rpm = int.from_bytes(data[1:3], "little") / 4
                if not 1200 < rpm < 8000 or (last is not None and time - last > 5):
                    begin = None
                elif begin is None:
                    begin = time
                last = time
                if begin is not None and time - begin > 3600:
                    break
        self.assertIsNotNone(begin)
        self.assertGreater(last - begin, 3600)
        cut, back = begin + 1200, begin + 2400
        kept = [line for line, (time, _, source, _) in zip(lines, frames)
                if source != tank or not cut <= time < back]
        self.assertLess(len(kept), len(lines) - 100)
        capture = self.path("cut.log")
        with open(capture, "w", encoding="ascii") as out:
            out.write("\n".join(kept) + "\n")
        log = self.path("cut.db")
        self.done("replay", "--db", log, capture)
        events = self.events(log)
        self.assertEqual([event["kind"] for event in events], ["source-lost"])
        # (That sender may give other signals too; the address is what counts.)
        self.assertTrue(events[0]["subject"].startswith(f"source {tank} on "), events[0])
        self.assertTrue(60 <= seconds(events[0]["raised_utc"]) - cut <= 90, (cut, events[0]))
        self.assertTrue(10 <= seconds(events[0]["cleared_utc"]) - back <= 45, (back, events[0]))
        self.assertIn("power, fuse and plug", events[0]["message"])


if __name__ == "__main__":
    unittest.main()
