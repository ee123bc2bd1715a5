#!/usr/bin/env python3
"""Ten years of readings in a log, and the daemon told to keep less: what becomes of file, facts and readers.

    retention.py BUILD

A log that the daemon made gets ten years of invented windows, minutes, days, runs and a book before it. The
daemon then sails on with less to keep, in size and in age, while readers make it commit. A second one that may
keep everything sails the same: what it writes less is what dropping costs.
"""
import os
import shutil
import sqlite3
import sys
import tempfile
import time

from machine import Capture, Machine, absorb, rows, sound

YEARS, WINDOWS_A_YEAR, SIGNALS = 10, 9000, 30
SIZE_MB, WINDOWS_MONTHS, MINUTES_MONTHS = 10, 36, 96
YEAR_S = 31557600
FACTS = ("trips", "runs", "events", "days", "book", "sessions")


def fill(log):
    """Before the first session: a sail of 360 windows each fortnight or so."""
    connection = sqlite3.connect(log)
    first_ns = connection.execute("SELECT min(first_ns) FROM sessions").fetchone()[0]
    begin_s = first_ns // 10 ** 9 // 60 * 60 - YEARS * YEAR_S
    sails = YEARS * WINDOWS_A_YEAR // 360
    row = b"\x64\x00\x10\x20\x00\x05\x00\x07\x00" * SIGNALS
    for sail in range(sails):
        at_s = begin_s + sail * (YEARS * YEAR_S // sails) // 60 * 60
        number = 1000 + sail
        connection.execute("INSERT INTO sessions VALUES(?, ?, ?, 0, ?, ?, 1)",
                           (number, at_s * 10 ** 9, (at_s + 3600) * 10 ** 9, at_s * 10 ** 9,
                            (at_s + 3600) * 10 ** 9))
        connection.executemany("INSERT INTO windows VALUES(?, ?, ?)",
                               ((at_s + 10 * i, number, row) for i in range(360)))
        connection.executemany("INSERT INTO minutes VALUES(?, ?, ?)",
                               ((at_s + 60 * i, number, row) for i in range(60)))
        connection.execute("INSERT OR REPLACE INTO days VALUES(?, ?)",
                           (at_s // 86400 * 86400, b"\x64\x00\x00\x00" + row))
        connection.execute("INSERT INTO trips VALUES(?, ?, ?, ?, ?, 0, 12.5)",
                           (number, number, number, at_s * 10 ** 9, (at_s + 3600) * 10 ** 9))
        connection.execute("INSERT INTO runs(run, trip, engine, start_session, end_session, start_ns, "
                           "end_ns, open, engine_h, fuel_l) VALUES(?, ?, 0, ?, ?, ?, ?, 0, 1, 4)",
                           (number, number, number, number, at_s * 10 ** 9, (at_s + 3600) * 10 ** 9))
        connection.execute("INSERT INTO events(event, kind, subject, severity, session, raised_ns) "
                           "VALUES(?, 'water-in-fuel', 'filter primary', 'warning', ?, ?)",
                           (number, number, at_s * 10 ** 9))
        connection.execute("INSERT INTO book(entry, revision, struck, kind, done_ns, written_ns) "
                           "VALUES(?, 1, 0, 'drain', ?, ?)", (number, at_s * 10 ** 9, at_s * 10 ** 9))
    connection.commit()
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()


def ask(log, question):
    connection = sqlite3.connect(log)
    try:
        return connection.execute(question).fetchone()[0]
    finally:
        connection.close()


def old(table_rows, number=1000):
    """The rows of the ten years, not of what the daemon itself sailed."""
    return [row for row in table_rows if row[0] >= number]


def main():
    build = os.path.abspath(sys.argv[1])
    started = time.monotonic()
    memory = "/dev/shm"
    folder = os.path.realpath(tempfile.mkdtemp(prefix="sightbowl-retention.",
                                               dir=memory if os.access(memory, os.W_OK) else None))
    try:
        configs = {}
        for name, log in (("all", "size_mb = 1000000\nwindows_months = 1200\nminutes_months = 1200\n"),
                          ("less", f"size_mb = {SIZE_MB}\nwindows_months = {WINDOWS_MONTHS}\n"
                                   f"minutes_months = {MINUTES_MONTHS}\n")):
            configs[name] = os.path.join(folder, name + ".conf")
            with open(configs[name], "w") as out:
                out.write(f"[bus can0]\n[web]\nlisten = none\n[log]\n{log}")
        capture = Capture(build, folder, "n2k", 0, 1500)
        half_ns = capture.first_ns + 60 * 10 ** 9
        first = Machine(build, os.path.join(folder, "first"), configs["all"])
        assert first.run(capture, end="stop", end_ns=half_ns).status == 0
        absorb(build, first.log)
        fill(first.log)
        size = os.path.getsize(first.log)
        facts = {table: old(rows(first.log, table)) for table in FACTS if table != "days"}
        facts["days"] = rows(first.log, "days")[:-1]
        machines, outcomes = {}, {}
        for name in configs:
            machines[name] = Machine(build, os.path.join(folder, name), configs[name])
            shutil.rmtree(machines[name].log_folder)
            shutil.copytree(first.log_folder, machines[name].log_folder)
            reads = [half_ns + i * 28 * 10 ** 9 for i in range(1, 50)]
            reader = sqlite3.connect(machines[name].log)
            reader.execute("BEGIN")
            count = reader.execute("SELECT count(*) FROM windows").fetchone()[0]
            outcomes[name] = machines[name].run(capture, start_ns=half_ns + 10 ** 9, end="stop",
                                                end_ns=capture.last_ns + 10 ** 9,
                                                reads_ns=",".join(str(at) for at in reads))
            assert outcomes[name].status == 0, outcomes[name].messages
            # This one has looked at the log all the while.
            assert reader.execute("SELECT count(*) FROM windows").fetchone()[0] == count
            reader.close()
            absorb(build, machines[name].log)
            assert sound(machines[name].log)
        less, everything = machines["less"].log, machines["all"].log
        for table in FACTS:
            found = rows(less, table)
            assert found == rows(everything, table), table
            kept = facts[table]
            assert len(kept) > 200 and all(row in found for row in kept), table
        end_s = ask(everything, "SELECT max(last_ns) FROM sessions") / 1e9
        for table, months in (("windows", WINDOWS_MONTHS), ("minutes", MINUTES_MONTHS)):
            found = rows(less, table)
            assert found == rows(everything, table)[-len(found):], table
            # The last commit went by what was logged before it.
            assert found[0][0] >= end_s - months * YEAR_S / 12 - 3600, table
        assert ask(less, "SELECT min(start_s) FROM minutes") < end_s - 0.9 * MINUTES_MONTHS * YEAR_S / 12
        used = ask(less, "SELECT (page_count - freelist_count) * page_size FROM pragma_page_count, "
                         "pragma_freelist_count, pragma_page_size")
        assert used <= SIZE_MB * 1e6, used
        assert os.path.getsize(less) <= os.path.getsize(everything)
        commits = outcomes["less"].written / 1e3
        dropped = len(rows(everything, "windows")) - len(rows(less, "windows"))
        cost_kb = (outcomes["less"].written - outcomes["all"].written) / 1e3
        assert cost_kb * 1000 / dropped < 300, (cost_kb, dropped)  # of rows of 270 bytes
        print(f"retention: of {size / 1e6:.1f} MB {used / 1e6:.1f} are used, {dropped} windows were dropped, nothing "
              f"else; {cost_kb:.0f} kB more were written for that ({commits:.0f} kB in all); "
              f"{time.monotonic() - started:.0f} s")
    finally:
        shutil.rmtree(folder)


main()
