#!/usr/bin/env python3
"""Logs of every version that there was are read as they were, and go on.

old_logs/ holds, for each version of the log, one that the program of that time wrote (as SQL), and what
that very program said of it (as JSON); of version 1, tests/unit/data has one. They are kept as they are. When the version rises, the program
that still writes the old one adds its own, before:

    SIGHTBOWL=build/sightbowl tests/program/test_old_logs.py --make tests/program/old_logs
"""

import glob
import hashlib
import json
import os
import re
import sqlite3
import struct
import sys
import tempfile

from sightbowl_program import ProgramTest, main, run

FOLDER = os.path.join(os.path.dirname(os.path.abspath(__file__)), "old_logs")
START = 1748768400  # 2025-06-01T09:00Z
RATE_LPH = 3.0
# The engine runs for 600 s, then again from here for 900 s; the old log ends 300 s into that.
SECOND = 2400
CUT = SECOND + 300
END = SECOND + 900
TABLES = ("runs", "trips", "events")


def frames(first, last):
    """An engine each second as J1939: EEC1 (0.125 rpm a bit), LFE (0.05 L/h a bit), water in the fuel."""
    for second in range(first, last):
        runs = 20 <= second < 620 or SECOND <= second < END
        rpm = struct.pack("<H", 1800 * 8 if runs else 0).hex().upper()
        rate = struct.pack("<H", round(RATE_LPH * 20) if runs else 0).hex().upper()
        yield f"({START + second}.000000) can0 0CF00400#FFFFFF{rpm}FFFFFF\n"
        yield f"({START + second}.100000) can0 18FEF200#{rate}FFFFFFFFFFFF\n"
        if second % 10 == 0:
            water = "FD" if SECOND + 60 <= second < SECOND + 240 else "FC"
            yield f"({START + second}.200000) can0 18FEFF00#{water}FFFFFFFFFFFFFF\n"


def write_frames(path, first, last):
    with open(path, "w", encoding="ascii") as file:
        file.writelines(frames(first, last))


def answers(database):
    """What the program says of a log."""
    told = {}
    for command in TABLES + ("book",):
        status, out, error = run(command, "--json", "--db", database)
        if status == 2 and command == "book":
            continue  # there was no book yet
        assert (status, error) == (0, ""), (command, error)
        told.update(json.loads(out))
    return told


def make(folder):
    """Writes the log of the present program and its answers."""
    with tempfile.TemporaryDirectory() as place:
        database = os.path.join(place, "log.db")
        write_frames(os.path.join(place, "old.log"), 0, CUT)
        assert run("replay", "--db", database, os.path.join(place, "old.log"))[0] == 0
        run("book", "add", "drain", "--filter", "primary", "--water", "150 mL", "--looks", "clear",
            "--at", "2025-06-01T09:30Z", "--db", database)  # fails where there was no book yet
        told = answers(database)
        with sqlite3.connect(database) as log:
            version, application = (log.execute(f"PRAGMA {name}").fetchone()[0]
                                    for name in ("user_version", "application_id"))
            lines = [f"PRAGMA application_id = {application}; PRAGMA user_version = {version};"]
            lines += log.iterdump()
        log.close()
    name = os.path.join(folder, f"log_version_{version}")
    with open(name + ".sql", "w", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
    with open(name + ".json", "w", encoding="utf-8") as file:
        json.dump(told, file, indent=1)
        file.write("\n")


class OldLogs(ProgramTest):

    def each(self):
        """The old logs, made anew: (version, path, what was said of it)."""
        found = sorted(glob.glob(os.path.join(FOLDER, "log_version_*.sql")))
        self.assertTrue(found)
        for name in found:
            version = int(re.search(r"(\d+)\.sql$", name)[1])
            database = self.path(f"version_{version}.db")
            log = sqlite3.connect(database)
            with open(name, encoding="utf-8") as file:
                log.executescript(file.read())
            log.close()
            with open(name[:-3] + "json", encoding="utf-8") as file:
                yield version, database, json.load(file)

    def present_version(self):
        database = self.path("present.db")
        self.done("book", "add", "note", "--remark", "a log", "--db", database)
        with sqlite3.connect(database) as log:
            version = log.execute("PRAGMA user_version").fetchone()[0]
        log.close()
        return version

    def test_there_is_one_of_every_version_before_the_present_one(self):
        versions = {version for version, _, _ in self.each()}
        self.assertEqual(set(range(2, self.present_version())) - versions, set())

    def test_readers_tell_what_was_told_and_leave_the_file_alone(self):
        for version, database, told in self.each():
            with self.subTest(version=version):
                with open(database, "rb") as file:
                    before = hashlib.sha256(file.read()).hexdigest()
                now = answers(database)
                for name, rows in told.items():
                    self.assertEqual(now[name], rows, name)
                for command in ("status", "elements", "spares", "waste", "report"):
                    self.assertEqual(run(command, "--db", database)[0], 0, command)
                self.assertEqual(run("export", "windows", "--db", database)[0], 0)
                with open(database, "rb") as file:
                    self.assertEqual(hashlib.sha256(file.read()).hexdigest(), before)

    def test_the_book_is_written_into_an_old_log(self):
        for version, database, told in self.each():
            with self.subTest(version=version):
                self.done("book", "add", "note", "--remark", "still here", "--db", database)
                self.assertEqual(self.rows("runs", "--db", database), told["runs"])
                self.assertEqual([e["remark"] for e in self.rows("book", "--db", database)][-1],
                                 "still here")

    def test_the_log_goes_on_in_the_present_version(self):
        capture = self.path("rest.log")
        write_frames(capture, CUT, END + 60)
        for version, database, told in self.each():
            with self.subTest(version=version):
                status, _, error = run("replay", "--db", database, capture)
                self.assertEqual(status, 0, error)
                runs = self.rows("runs", "--db", database)
                # By hand: 600 s and 900 s at 3 L/h are 0.5 L and 0.75 L.
                self.assertAlmostEqual(sum(r["fuel_l"] for r in runs), 1.25, delta=0.005)
                self.assertAlmostEqual(sum(r["engine_h"] for r in runs) * 3600, 1500, delta=5)
                self.assertEqual(runs[0], told["runs"][0])
                # What was open is taken up again, or it is said that it could not be.
                if len(runs) == 2:
                    self.assertEqual(error, "")
                else:
                    self.assertIn("could not be understood", error)
                if "book" in told:
                    self.assertEqual(self.rows("book", "--db", database), told["book"])
                with sqlite3.connect(database) as log:
                    self.assertEqual(log.execute("PRAGMA user_version").fetchone()[0],
                                     self.present_version())
                    self.assertEqual(log.execute("PRAGMA integrity_check").fetchone()[0], "ok")
                log.close()


if __name__ == "__main__":
    if sys.argv[1:2] == ["--make"]:
        make(sys.argv[2])
    else:
        main()
