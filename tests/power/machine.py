"""The program on a machine of its own (machine.c), its captures, and logs compared with each other."""
import bisect
import mmap
import os
import shutil
import sqlite3
import struct
import subprocess
import threading
import time

STATE_WORDS = 13
STATE_VISITS, STATE_VISITED = 8, 9
# What a log says of the boat; what else is in it says how it came to be.
TABLES = ("sessions", "slots", "windows", "minutes", "days", "trips", "runs", "events",
          "filter_states", "filter_course", "burn_points", "tank_states", "refuellings")


class Frames:
    """What a bus carried, no two frames at the same time: times_ns, and each one's line of a candump log."""

    def __init__(self, times_ns, lines):
        self.times_ns, self.lines = times_ns, lines

    def piece(self, path, from_ns, to_ns):
        """Writes the frames of from_ns to to_ns, both included, as a candump log; how many."""
        first = bisect.bisect_left(self.times_ns, from_ns)
        last = bisect.bisect_right(self.times_ns, to_ns)
        with open(path, "w") as out:
            out.writelines(self.lines[first:last])
        return last - first


class Capture(Frames):
    """A piece of the invented season."""

    def __init__(self, build, folder, kind, skip_s, length_s):
        text = subprocess.run([os.path.join(build, "tests/rig/rig_scenario"), kind, str(skip_s),
                               str(length_s)], capture_output=True, check=True).stdout.decode()
        super().__init__([], [])
        records = bytearray()
        before_us = 0
        for line in text.splitlines():
            stamp, _, what = line.split(" ")
            seconds, micros = stamp[1:-1].split(".")
            at_us = max(int(seconds) * 1000000 + int(micros), before_us + 1)
            before_us = at_us
            identifier, data = what.split("#")
            data = bytes.fromhex(data)
            self.times_ns.append(at_us * 1000)
            self.lines.append(f"({at_us // 1000000}.{at_us % 1000000:06d}) can0 {what}\n")
            records += struct.pack("<qIB3x8s", at_us * 1000, int(identifier, 16), len(data), data)
        self.path = os.path.join(folder, f"{kind}-{skip_s}-{length_s}")
        with open(self.path, "wb") as out:
            out.write(records)
        self.first_ns, self.last_ns = self.times_ns[0], self.times_ns[-1]


class Outcome:
    def __init__(self, status, messages, state):
        self.status, self.messages = status, messages
        (self.now_ns, self.heard_ns, self.operations, self.written, self.calls,
         self.failed, self.failed_ns, self.taken, _, _, self.open, self.bad_closes,
         self.by_libuv) = state


class Machine:
    """One boat's computer: its folder has the log in it, from one start to the next."""

    def __init__(self, build, folder, config, library="libmachine.so", before=()):
        self.build, self.folder, self.config, self.before = build, folder, config, list(before)
        self.library = os.path.join(build, "tests/power", library)
        self.log_folder = os.path.join(folder, "log")
        self.log = os.path.join(self.log_folder, "boat.db")
        self.disk = os.path.join(folder, "disk")
        os.makedirs(self.log_folder)

    def run(self, capture, environment=None, visits=(), command=(), patience_s=120, **machine):
        """Starts the program and waits for the machine's end. Each of visits is called when the machine
        calls for its visitor; command: what the program does, instead of watching."""
        state = os.path.join(self.folder, "state")
        with open(state, "wb") as out:
            out.write(bytes(8 * STATE_WORDS))
        shutil.rmtree(self.disk, ignore_errors=True)
        os.makedirs(self.disk)
        variables = {key: value for key, value in os.environ.items()
                     if not key.startswith("MACHINE_")}
        variables.update(MACHINE_FRAMES=capture.path, MACHINE_STATE=state,
                         MACHINE_FOLDER=self.log_folder, MACHINE_DISK=self.disk)
        preload = [self.library]
        if environment and "LD_PRELOAD" in environment:
            preload.insert(0, environment["LD_PRELOAD"])
        variables.update(environment or {})
        variables["LD_PRELOAD"] = " ".join(preload)
        variables.update({"MACHINE_" + key.upper(): str(value) for key, value in machine.items()})
        over = threading.Event()
        visitor = threading.Thread(target=self.visit, args=(state, visits, over))
        visitor.start()
        try:
            done = subprocess.run(self.before + [os.path.join(self.build, "sightbowl"),
                                   *(command or ("watch", "--config", self.config, "--db", self.log))],
                                  env=variables, timeout=patience_s, stdin=subprocess.DEVNULL,
                                  capture_output=True, check=False)
        finally:
            over.set()
            visitor.join()
        with open(state, "rb") as file:
            words = struct.unpack(f"{STATE_WORDS}q", file.read())
        outcome = Outcome(done.returncode, done.stderr.decode(errors="replace"), words)
        outcome.output = done.stdout
        return outcome

    @staticmethod
    def visit(state, visits, over):
        with open(state, "r+b") as file, mmap.mmap(file.fileno(), 0) as mapped, \
                memoryview(mapped) as plain, plain.cast("q") as words:
            while not over.is_set():
                number = words[STATE_VISITED]
                if words[STATE_VISITS] == number:
                    time.sleep(0.002)
                    continue
                visits[number]()
                words[STATE_VISITED] = number + 1

    def restart_from_disk(self):
        """What the power cut left is what the next start finds."""
        shutil.rmtree(self.log_folder)
        os.rename(self.disk, self.log_folder)


def sound(log):
    """Whether SQLite finds the log whole. It is opened as it lies there."""
    with_log = sqlite3.connect(log)
    try:
        return [row[0] for row in with_log.execute("PRAGMA integrity_check")] == ["ok"]
    finally:
        with_log.close()


def order(row):
    return [(cell is None, 0 if cell is None else cell) for cell in row[:3]]


def rows(log, table):
    connection = sqlite3.connect(log)
    try:
        return sorted(connection.execute(f"SELECT * FROM {table}").fetchall(), key=order)
    finally:
        connection.close()


def absorb(build, log):
    """The recorder's time up to which the log knows, once it was opened as the daemon does."""
    done = subprocess.run([os.path.join(build, "tests/power/absorb"), log], capture_output=True,
                          text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


def replay(build, config, log, capture, pieces, scratch):
    """The log that a replay of pieces of a capture makes, one replay a piece."""
    for number, (from_ns, to_ns) in enumerate(pieces):
        path = os.path.join(scratch, f"piece{number}.log")
        if capture.piece(path, from_ns, to_ns) == 0:
            continue
        done = subprocess.run([os.path.join(build, "sightbowl"), "replay", "--config", config, "--db",
                               log, path], capture_output=True, text=True, timeout=300, check=False)
        assert done.returncode == 0, done.stderr
        os.unlink(path)


def as_replayed(log, truth, whole):
    """Asserts that a log says what a replay of the same frames made; whole: to the last row, else (the log
    was ended in the middle) what is over."""
    if whole:
        for table in TABLES:
            found, expected = rows(log, table), rows(truth, table)
            assert found == expected, (table, difference(found, expected))
        return
    # What is open is told when it is committed to the log, or over.
    found, expected = rows(log, "windows"), rows(truth, "windows")[:-1]
    assert found[:len(expected)] == expected and len(found) <= len(expected) + 1, (
        "windows", len(found), len(expected), difference(found, expected))
    for table, closed in (("runs", 7), ("trips", 5)):
        found = [row for row in rows(log, table) if row[closed] == 0]
        expected = [row for row in rows(truth, table) if row[closed] == 0]
        assert found == expected, (table, difference(found, expected))
    raised = [row[:4] for row in rows(log, "events")]
    expected = [row[:4] for row in rows(truth, "events")]
    assert raised == expected, ("events", difference(raised, expected))


def difference(found, expected):
    more = [row for row in found if row not in expected][:3]
    less = [row for row in expected if row not in found][:3]
    return {"found": more, "expected": less}
