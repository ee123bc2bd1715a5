#!/usr/bin/env python3
"""Each call that a command makes of the system, of SQLite and of the heap fails in turn.

    command_faults.py BUILD [--all] [--most N] [--sanitized] [--talk] [COMMAND…]

The commands that read or write a log, a capture or a file are run with each kind of call failing as faults.py
lets them: one alone, that one and the next twenty, or that one and all that follow. Each time:
  - it ends: no crash, no hang, no file closed twice, no leak (--sanitized)
  - with status 0 everything is as without the fault: what it prints, the files that it writes, the log; else it
    says why, and says it first
  - the log is sound, and nothing that was in it is gone or changed
  - once the fault is over the same command does what it did not
"""
import ctypes
import ctypes.util
import gzip
import itertools
import os
import re
import shutil
import subprocess
import sys

import time
import traceback
from concurrent.futures import ThreadPoolExecutor

from faults import CALLS, FOREVER, PATIENCE_S, Journey, Options, query
from machine import Capture, Machine, TABLES, rows, sound


def packed(text):
    """As one zstd frame."""
    zstd = ctypes.CDLL(ctypes.util.find_library("zstd"))
    zstd.ZSTD_compress.restype = ctypes.c_size_t
    room = ctypes.create_string_buffer(len(text) + 1024)
    size = zstd.ZSTD_compress(room, ctypes.c_size_t(len(room)), text, ctypes.c_size_t(len(text)), 3)
    return room.raw[:size]


# Name, words (LOG, FOLDER and the shore's files put in), what the log is before: none, half a capture, a day
# of it, and whether the command may write to it.
NONE, HALF, DAY = None, "half.db", "day.db"
COMMANDS = (
    ("replay-new", "replay --config CONF --db LOG SHORE/short.log", NONE, True),
    ("replay-more", "replay --config CONF --db LOG SHORE/short.log", HALF, True),
    ("replay-gzip", "replay --config CONF SHORE/short.log.gz", NONE, False),
    ("replay-zstd", "replay --config CONF --json SHORE/short.log.zst", NONE, False),
    ("listen-capture", "listen --config CONF --json SHORE/short.log.zst", NONE, False),
    ("listen-bus", "listen --config CONF --bus can0 --seconds 20", NONE, False),
    ("export-minutes", "export minutes --config CONF --db LOG", DAY, False),
    ("export-json", "export minutes --json --signal fuel_rate_lph --config CONF --db LOG", DAY, False),
    ("trips", "trips --config CONF --db LOG", DAY, False),
    ("elements", "elements --csv --config CONF --db LOG", DAY, False),
    ("status", "status --config CONF --db LOG", DAY, False),
    ("report", "report --config CONF --db LOG --output FOLDER/report.html", DAY, False),
    ("book-add", "book add drain --filter primary --water 150mL --config CONF --db LOG", DAY, True),
    ("book-import", "book import SHORE/book.csv --config CONF --db LOG", DAY, True),
    ("acknowledge", "events acknowledge 1 --config CONF --db LOG", DAY, True),
    ("check", "check --config CONF --db LOG", DAY, False),
    ("demo", "demo --hours 1 --folder FOLDER", NONE, False),
)
ALL_TABLES = TABLES + ("captures", "book")


class Shore:
    """What the commands have to work on."""

    def __init__(self, options):
        self.options = options
        self.folder = os.path.join(options.folder, "shore")
        os.makedirs(self.folder)
        self.config = self.path("boat.conf")
        with open(self.config, "w") as out:
            out.write("[bus can0]\n[limits]\ncoolant_c = 40\n")
        self.capture = Capture(options.build, self.folder, "n2k", 600, 100)
        c = self.capture
        c.piece(self.path("short.log"), c.first_ns, c.last_ns)
        c.piece(self.path("first.log"), c.first_ns, c.first_ns + 50 * 10 ** 9)
        with open(self.path("short.log"), "rb") as file:
            text = file.read()
        with gzip.open(self.path("short.log.gz"), "wb") as out:
            out.write(text)
        with open(self.path("short.log.zst"), "wb") as out:
            out.write(packed(text))
        day = Capture(options.build, self.folder, "n2k", 0, 7200)
        day.piece(self.path("day.log"), day.first_ns, day.last_ns)
        self.do("replay", "--db", self.path(HALF), self.path("first.log"))
        self.do("replay", "--db", self.path(DAY), self.path("day.log"))
        self.do("book", "--db", self.path(DAY), "add", "note", "--remark", "before")
        with open(self.path("book.csv"), "wb") as out:
            out.write(b"kind,done_utc,filter,item,remark\r\n"
                      b"change,2025-06-01T10:00:00Z,primary,spin-on,\r\n"
                      b"note,2025-06-02T10:00:00Z,,,\"a quote, \"\"so\"\"\"\r\n")

    def path(self, name):
        return os.path.join(self.folder, name)

    def do(self, *words):
        done = subprocess.run([os.path.join(self.options.build, "sightbowl"), words[0], "--config",
                               self.config, *words[1:]], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def content(path):
    with open(path, "rb") as file:
        return file.read()


class Command(Journey):
    def __init__(self, shore, name, words, log, writes):
        super().__init__(shore.options)
        self.shore, self.name, self.words, self.before_log, self.writes = shore, name, words, log, writes
        self.numbers = itertools.count()
        machine, outcome = self.sail("reference", "", 0, 0, 0)
        assert outcome.status == 0, outcome.messages
        self.open, self.output, self.messages = outcome.open, outcome.output, outcome.messages
        self.files = self.written(machine)
        self.tables = self.log_rows(machine)
        if shore.options.talk:
            print(name, outcome.output[:300], outcome.messages, list(self.files), outcome.now_ns)

    def sail(self, name, call, first, count, error, environment=None):
        folder = os.path.join(self.folder, name)
        os.makedirs(folder)
        machine = Machine(self.options.build, folder, self.shore.config, self.library(call),
                          self.options.before)
        os.makedirs(os.path.join(folder, "out"))
        if self.before_log:
            shutil.copy(self.shore.path(self.before_log), machine.log)
        return machine, self.again(machine, call, first, count, error, environment)

    def again(self, machine, call="", first=0, count=0, error=0, environment=None):
        around = self.around(machine)
        around["environment"].update(environment or {})
        words = [word.replace("SHORE", self.shore.folder).replace("CONF", self.shore.config)
                 .replace("LOG", machine.log).replace("FOLDER", os.path.join(machine.folder, "out"))
                 for word in self.words.split()]
        c = self.shore.capture
        outcome = machine.run(c, command=words, start_ns=c.first_ns, patience_s=PATIENCE_S,
                              fault=f"{call}:{first}:{count}:{error}", **around)
        outcome.output = re.sub(rb"\d+ MB are free", b"MB are free",
                                outcome.output.replace(machine.folder.encode(), b"FOLDER"))
        return outcome

    @staticmethod
    def written(machine):
        """The files that it wrote, but for logs: those are looked into."""
        folder = os.path.join(machine.folder, "out")
        return {name: content(os.path.join(folder, name)).replace(machine.folder.encode(), b"FOLDER")
                for name in sorted(os.listdir(folder)) if ".db" not in name}

    def log_rows(self, machine):
        found = {}
        demo = os.path.join(machine.folder, "out")
        for log in [machine.log] + [os.path.join(demo, name) for name in sorted(os.listdir(demo))
                                    if name.endswith(".db")]:
            if os.path.exists(log):
                assert sound(log), log
                for table in ALL_TABLES:
                    if query(log, f"SELECT count(*) FROM sqlite_master WHERE name='{table}'")[0][0]:
                        found[os.path.basename(log), table] = [tuple(
                            cell.replace(machine.folder, "FOLDER") if isinstance(cell, str) else cell
                            for cell in row) for row in rows(log, table)]
        return found

    def judge(self, number, call, first, count, error):
        # Tables are as wide as the names in them.
        machine, outcome = self.sail(f"{next(self.numbers):09}", call, first, count, error)
        said = outcome.messages
        assert outcome.status in (0, 1), (outcome.status, said)
        assert outcome.bad_closes == 0, (outcome.bad_closes, said)
        assert "Sanitizer" not in said, said
        assert len(said.splitlines()) < 30, said
        found = self.log_rows(machine)
        if outcome.status == 0:
            # A bus that could not be read for a moment was not heard then; and check says what it finds.
            assert outcome.output == self.output or (self.name == "listen-bus" and not CALLS[call][1]) or (
                self.name == "check" and count > 0), (said, difference(outcome.output, self.output))
            files = self.written(machine)
            assert files.keys() == self.files.keys(), (said, files.keys())
            for name in files:
                assert files[name] == self.files[name], (name, len(files[name]), len(self.files[name]), said)
            self.same(found, said)
            kind = "unharmed"
        else:
            assert said.startswith("sightbowl") or (
                self.name == "check" and b"failed" in outcome.output), (said, outcome.output)
            kind = "failed with a word"
        if outcome.status != 0 and self.writes:
            if self.is_done(found):
                kind = "failed with a word, done all the same"  # it could not be shown
            else:
                outcome = self.again(machine)
                assert outcome.status == 0, (said, outcome.messages)
                self.same(self.log_rows(machine), said)
        elif outcome.status != 0 and self.before_log:
            self.same(found, said)  # it was only read
        shutil.rmtree(machine.folder)
        return kind

    def is_done(self, found):
        """Whether a command that says that it failed has done it; half of it must not be done."""
        if self.name.startswith("book"):
            book, expected = found["boat.db", "book"], self.tables["boat.db", "book"]
            assert len(book) in (1, len(expected)), book
            return len(book) == len(expected)
        return found == self.tables

    def same(self, found, said):
        for name, expected in self.tables.items():
            have = found.get(name, [])
            if name[1] == "book":  # without when it was written down
                have, expected = ([row[:4] + row[6:] for row in book] for book in (have, expected))
            assert have == expected, (name, len(have), len(expected), have[:1], expected[:1], said)


def difference(found, expected):
    at = next((i for i, (a, b) in enumerate(zip(found, expected)) if a != b), min(len(found), len(expected)))
    return len(found), len(expected), found[max(0, at - 80):at + 80], expected[max(0, at - 80):at + 80]


def full(command):
    """What is printed goes to a disk that is full."""
    machine = Machine(command.options.build, os.path.join(command.folder, "full"), command.shore.config)
    os.makedirs(os.path.join(machine.folder, "out"))
    if command.before_log:
        shutil.copy(command.shore.path(command.before_log), machine.log)
    words = [word.replace("SHORE", command.shore.folder).replace("CONF", command.shore.config)
             .replace("LOG", machine.log).replace("FOLDER", os.path.join(machine.folder, "out"))
             for word in command.words.split()]
    with open("/dev/full", "w") as nowhere:
        done = subprocess.run([os.path.join(command.options.build, "sightbowl"), *words],
                              stdout=nowhere, stderr=subprocess.PIPE, text=True, timeout=PATIENCE_S,
                              stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 1 and done.stderr.startswith("sightbowl"), (done.returncode, done.stderr)


def main():
    arguments = sys.argv[1:]
    names = [name for name, *_ in COMMANDS if name in arguments]
    options = Options([argument for argument in arguments if argument not in names])
    started = time.monotonic()
    failures = []
    total = 0
    shore = Shore(options)
    for name, words, log, writes in COMMANDS:
        if names and name not in names:
            continue
        began = time.monotonic()
        command = Command(shore, name, words, log, writes)
        counts = command.count()
        # Locks that can never be had are waited for with patience, by each question anew.
        jobs = [(call, number, fault) for call in options.calls
                for number, fault in enumerate(command.plan(call, counts.get(call, 0)))
                if call != "fcntl" or fault[1] < FOREVER]
        kinds = {}

        def judge(job):
            call, number, (first, count, error) = job
            try:
                kind = command.judge(number, call, first, count, error)
            except Exception:
                kind = "FAILED"
                failures.append((name, call, first, count, error, traceback.format_exc()))
            kinds[kind] = kinds.get(kind, 0) + 1

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(judge, jobs))
        if command.output:
            try:
                full(command)
            except Exception:
                failures.append((name, "full", 0, 0, 0, traceback.format_exc()))
        total += len(jobs)
        print(f"{name}: {sum(counts.values())} calls of {len(counts)} kinds, {len(jobs)} faults: "
              + ", ".join(f"{kinds[kind]} {kind}" for kind in sorted(kinds))
              + f" ({time.monotonic() - began:.0f} s)", flush=True)
    for name, call, first, count, error, trace in failures[:60]:
        print(f"FAILED {name}: {call} number {first}, {count} times, error {error}:\n{trace}",
              file=sys.stderr)
    print(f"faults: {total} commands, {len(failures)} failed ({time.monotonic() - started:.0f} s)")
    if not failures:
        shutil.rmtree(options.folder)
    else:
        print(f"left as it was: {options.folder}", file=sys.stderr)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
