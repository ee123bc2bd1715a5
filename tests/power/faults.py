#!/usr/bin/env python3
"""Each call that the daemon makes of the system, of libuv, of SQLite and of the heap fails in turn.

    faults.py BUILD [--all] [--most N] [--sanitized] [--valgrind] [--plain | --voyage] [CALL…]

Two journeys, sailed again and again. The plain one: a new log, a hundred seconds of a boat's bus; somebody
reads the log meanwhile. The voyage: a log with a past that is due to be dropped, the page with a password
and with visitors who read and write, raw frames recorded, a command that is told of events, the
service manager listening, a bus that goes down, one that is pulled out and put in again, and the
configuration reread three times: another bus added, one with a mistake in it, that bus gone again.

How often each kind of call is made is counted; then one of these calls fails: that one alone,
that one and the next twenty, or that one and all that follow. Of a call that is made often --most N (16) are
tried, half of them the first ones, with --all every one with every error. Each time:
  - it comes to its end: no crash, no hang, no file left open or closed twice, no leak of memory
    (--sanitized: BUILD has the sanitizers)
  - when it cannot begin, or not end in order, it says so; every line that it says is a sentence of its own
  - the log is sound, when it is there, and nothing is in it twice
  - what fails in the log's files costs nothing at all once the fault is over: all tables are as without
    it; what else fails may cost frames, and never what was logged before
  - of the voyage also: what the page said was written is in the book once, and nothing else is; a raw frame
    is in the captures once, or it is said that some were lost; an event is told to the command once, or
    it is said that it was not; and once the fault is over all of it works as if it had never been
"""
import base64
import ctypes
import ctypes.util
import errno
import http.client
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile

import time
import traceback
from concurrent.futures import ThreadPoolExecutor

from machine import Capture, Machine, TABLES, absorb, rows, sound

NOMEM, FULL, CANTOPEN, IOERR, BUSY, READONLY = 7, 13, 14, 10, 5, 8  # SQLite's result codes
FOREVER = 10 ** 9
BOUND_S = 30
PATIENCE_S = 40
CANNOT_BEGIN = "sightbowl watch: cannot begin: "

# Call: the errors that it can have; whether only the log's files are at stake.
LOG, OTHER = True, False
CALLS = {
    "open": ((errno.EIO, errno.ENOSPC, errno.EROFS, errno.EMFILE, errno.ENOMEM, errno.EINTR), LOG),
    "pwrite": ((errno.ENOSPC, errno.EIO, errno.EROFS, errno.EINTR, errno.EDQUOT), LOG),
    "fsync": ((errno.EIO, errno.ENOSPC, errno.EROFS), LOG),
    "ftruncate": ((errno.EIO, errno.ENOSPC, errno.EINTR), LOG),
    "unlink": ((errno.EIO, errno.EROFS), LOG),
    "stat": ((errno.EIO, errno.ENOMEM), LOG),
    "flock": ((errno.ENOLCK, errno.EINTR, errno.EWOULDBLOCK), LOG),
    "fcntl": ((errno.ENOLCK, errno.EIO, errno.EINTR), LOG),
    "mmap": ((errno.ENOMEM, errno.EIO), LOG),
    "pread": ((errno.EIO, errno.EINTR), LOG),
    "read": ((errno.EIO, errno.EINTR), OTHER),  # of ordinary files
    "socket": ((errno.ENOMEM, errno.EMFILE), OTHER),
    "setsockopt": ((errno.ENOMEM, errno.ENOPROTOOPT), OTHER),
    "bind": ((errno.ENOMEM, errno.ENODEV), OTHER),
    "ioctl": ((errno.EIO, errno.ENODEV), OTHER),
    "if_nametoindex": ((errno.ENODEV,), OTHER),
    "recvmmsg": ((errno.ENOMEM, errno.EAGAIN, errno.EINTR, errno.ENETDOWN, errno.ENODEV,
                  errno.ENOBUFS), OTHER),
    "recv": ((errno.ENOMEM, errno.EINTR, errno.ENOBUFS), OTHER),
    "sendto": ((errno.ENOMEM, errno.EBUSY), OTHER),
    "epoll_create": ((errno.ENOMEM, errno.EMFILE), OTHER),
    "epoll_wait": ((errno.EINTR,), OTHER),
    "eventfd": ((errno.ENOMEM, errno.EMFILE), OTHER),
    "pipe": ((errno.EMFILE,), OTHER),
    "inotify_init": ((errno.EMFILE, errno.ENOMEM), OTHER),
    "inotify_add_watch": ((errno.ENOSPC, errno.ENOMEM), OTHER),
    "uv_loop_init": ((errno.ENOMEM,), OTHER),
    "uv_queue_work": ((errno.ENOMEM,), LOG),
    "uv_poll_init": ((errno.ENOMEM,), OTHER),
    "uv_poll_start": ((errno.ENOMEM,), OTHER),
    "uv_signal_start": ((errno.ENOMEM,), OTHER),
    "uv_mutex_init": ((errno.ENOMEM,), OTHER),
    "write": ((errno.ENOSPC, errno.EIO, errno.EINTR, errno.EROFS), LOG),  # of ordinary files
    "statvfs": ((errno.EIO, errno.EINTR), LOG),
    "mkdir": ((errno.ENOSPC, errno.EROFS, errno.EACCES), LOG),
    "rename": ((errno.ENOSPC, errno.EIO), LOG),
    "opendir": ((errno.EMFILE, errno.ENOMEM, errno.EIO), LOG),
    "fopen": ((errno.EMFILE, errno.ENOENT, errno.EIO), LOG),
    "fgets": ((errno.EIO,), LOG),
    "fread": ((errno.EIO,), LOG),
    "fclose": ((errno.EIO,), LOG),
    "accept": ((errno.EMFILE, errno.ECONNABORTED, errno.ENOBUFS, errno.EINTR), LOG),
    "listen": ((errno.EADDRINUSE,), LOG),
    "send": ((errno.ECONNRESET, errno.EAGAIN, errno.ENOBUFS, errno.EINTR), OTHER),
    "shutdown": ((errno.ENOTCONN,), LOG),
    "getsockname": ((errno.ENOBUFS,), OTHER),
    "getsockopt": ((errno.ENOPROTOOPT,), OTHER),
    "socketpair": ((errno.EMFILE, errno.ENFILE), LOG),
    "poll": ((errno.EINTR, errno.ENOMEM), LOG),
    "getrandom": ((errno.EINTR,), LOG),
    "epoll_ctl": ((errno.ENOMEM, errno.ENOSPC), LOG),  # of libmicrohttpd
    "fork": ((errno.EAGAIN, errno.ENOMEM), LOG),
    "exec": ((errno.ENOENT, errno.EACCES, errno.ENOMEM), LOG),
    "pthread_create": ((errno.EAGAIN,), OTHER),
    "sqlite3_open": ((NOMEM,), LOG),
    "sqlite3_prepare": ((NOMEM, IOERR, BUSY), LOG),
    "sqlite3_step": ((IOERR, FULL, NOMEM, BUSY, READONLY), LOG),
    "sqlite3_exec": ((NOMEM, IOERR, BUSY, CANTOPEN), LOG),
    "memory": ((errno.ENOMEM,), OTHER),
}




def spread(calls, most):
    """Of the calls 1 to calls, most: the first ones, and others spread over the rest."""
    if calls <= most:
        return list(range(1, calls + 1))
    half = (most + 1) // 2
    return list(range(1, half + 1)) + [half + (calls - half) * i // (most - half)
                                       for i in range(1, most - half + 1)]


class Journey:
    """What both have in common: how a fault is planned, and what must hold."""

    def __init__(self, options):
        self.options = options
        self.folder = tempfile.mkdtemp(dir=options.folder)

    def count(self):
        """How often each kind of call is made."""
        path = os.path.join(self.folder, "counts")
        machine, outcome = self.sail("count", "", 0, 0, 0, {"MACHINE_COUNTS": path})
        assert outcome.status == 0, outcome.messages
        with open(path) as file:
            counts = {call: int(number) for call, number in (line.split() for line in file)}
        _, outcome = self.sail("count-memory", "memory", 0, 0, 0)
        counts["memory"] = outcome.calls
        return counts

    def plan(self, call, calls):
        """The faults of one kind of call: number of the call, how many fail, the error."""
        errors, _ = CALLS[call]
        plan = []
        for i, first in enumerate(range(1, calls + 1) if self.options.every
                                  else spread(calls, self.options.most)):
            if self.options.every:
                plan += [(first, count, error) for error in errors for count in (1, 20)]
            else:
                plan.append((first, 1, errors[i % len(errors)]))
                plan.append((first, 20, errors[(i + 1) % len(errors)]))
            if i % 4 == 0:
                plan.append((first, FOREVER, errors[(i // 4) % len(errors)]))
        if call == "pipe":
            # libuv's first one is for signals: without it, libuv ends the program.
            plan = [fault for fault in plan if fault[0] > 1]
        # A call that is interrupted for ever is called for ever; and so is one that leaves what there is
        # to read where it is: the loop then never waits, and the machine's time stands still.
        return [fault for fault in plan
                if fault[1] < FOREVER or (fault[2] != errno.EINTR and call not in ("recv", "accept"))]

    def judge(self, number, call, first, count, error):
        """One fault. Returns what became of it, in two or three words."""
        of_log = CALLS[call][1]
        machine, outcome = self.sail(f"{call}{number}", call, first, count, error)
        said = outcome.messages
        if outcome.status == -signal.SIGABRT and outcome.by_libuv:
            kind = "ended by libuv"  # which knows no other way: as a power cut
        else:
            assert outcome.status in (0, 1), (outcome.status, said)
            assert outcome.bad_closes == 0, (outcome.bad_closes, said)
            # What libuv had when its loop could not be made it keeps.
            assert outcome.open <= self.open or said.startswith(CANNOT_BEGIN), (
                outcome.open, self.open, said)
            kind = "unharmed"
        assert "Sanitizer" not in said, said
        assert len(said.splitlines()) < 50, said
        for line in said.splitlines():
            assert line.startswith(("sightbowl watch: ", "sightbowl page: ")), (line, said)
        begun = "listening" in said
        if outcome.status == 1:
            assert said, "it ended without a word"
            kind = "ended with a word" if begun else "could not begin"
        if os.path.exists(machine.log):
            if outcome.status != 0 or not of_log:
                self.rest(machine)
            raw_ns = absorb(self.options.build, machine.log)
            assert sound(machine.log)
            if outcome.status == 0 and of_log and count < FOREVER:
                self.compare(machine.log, said)
            elif begun and outcome.failed == 1 and call != "memory":
                lost_s = (outcome.heard_ns - max(raw_ns, self.capture.first_ns)) / 1e9
                assert lost_s <= BOUND_S, (lost_s, said)
        else:
            assert outcome.status == 1, said
        if outcome.status >= 0:
            self.look(machine, outcome, call, count)
        shutil.rmtree(machine.folder)
        return kind

    def rest(self, machine):
        """Starts it again without a fault, with nothing more to hear."""
        c = self.capture
        outcome = machine.run(c, start_ns=c.last_ns + 2 * 10 ** 9, end="stop",
                              end_ns=c.last_ns + 4 * 10 ** 9, **self.around(machine))
        assert outcome.status == 0, outcome.messages

    def around(self, machine):
        return {"environment": {
            "ASAN_OPTIONS": "verify_asan_link_order=0:exitcode=97:allocator_may_return_null=1",
            "UBSAN_OPTIONS": "halt_on_error=1:exitcode=97"}}

    def library(self, call):
        return "libmachine_memory.so" if call == "memory" else "libmachine.so"

    def look(self, machine, outcome, call, count):
        """What else must hold after a journey."""


class Plain(Journey):
    name = "plain"

    def __init__(self, options):
        super().__init__(options)
        self.config = os.path.join(self.folder, "boat.conf")
        with open(self.config, "w") as out:
            out.write("[bus can0]\n[web]\nlisten = none\n")
        self.capture = Capture(options.build, self.folder, "n2k", 0, 100)
        machine, outcome = self.sail("reference", "", 0, 0, 0)
        assert outcome.status == 0, outcome.messages
        self.open = outcome.open
        absorb(options.build, machine.log)
        self.tables = {table: rows(machine.log, table) for table in TABLES}

    def sail(self, name, call, first, count, error, environment=None):
        folder = os.path.join(self.folder, name)
        os.makedirs(folder)
        machine = Machine(self.options.build, folder, self.config, self.library(call),
                          self.options.before)
        around = self.around(machine)
        around["environment"].update(environment or {})
        c = self.capture
        return machine, machine.run(
            c, start_ns=c.first_ns, end="stop", end_ns=c.last_ns + 10 ** 9,
            reads_ns=c.first_ns + 65 * 10 ** 9, fault=f"{call}:{first}:{count}:{error}",
            patience_s=PATIENCE_S, **around)

    def compare(self, log, said):
        for table in TABLES:
            found = rows(log, table)
            assert found == self.tables[table], (table, found[:2], self.tables[table][:2], said)


class Visitor:
    """Somebody with a browser; and the service manager, who only listens."""

    def __init__(self, folder, port):
        self.port = port
        self.answers = []  # what was asked, and the status of the answer or what went wrong
        self.stream = None
        self.manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.manager.bind(os.path.join(folder, "manager"))
        self.manager.setblocking(False)
        self.notices = []

    def ask(self, method, path, password="heron", body=None):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        headers = {"Sightbowl-Page": "1"}
        if password:
            headers["Authorization"] = "Basic " + base64.b64encode(f":{password}".encode()).decode()
        try:
            connection.request(method, path, json.dumps(body) if body else None, headers)
            answer = connection.getresponse()
            if path.endswith("live"):
                answer.read(1)
                self.stream = connection
            else:
                answer.read()
            status = answer.status
        except (OSError, http.client.HTTPException) as error:
            status = type(error).__name__
        if self.stream is not connection:
            connection.close()
        self.answers.append((method, path, password, status))
        self.hear()

    def write(self, remark):
        self.ask("POST", "/api/v1/book",
                 body={"book": [{"kind": "note", "remark": remark, "done_utc": "2025-05-01T10:00:00Z"}]})

    def arrive(self):
        self.ask("GET", "/api/v1/overview", None)
        self.ask("GET", "/api/v1/overview", "wrong")
        self.ask("GET", "/")
        self.ask("GET", "/api/v1/overview")
        self.ask("GET", "/api/v1/live")

    def look_around(self):
        self.write("first")
        self.ask("GET", "/api/v1/trips")
        self.ask("GET", "/api/v1/series?signals=engine_speed_rpm:0&since=2026-01-01T00:00Z&until=2027-01-01T00:00Z")
        self.ask("POST", "/api/v1/acknowledge", body={"event": 1})
        self.ask("GET", "/metrics")

    def leave(self):
        if self.stream is not None:
            self.stream.close()
        self.write("last")
        self.ask("GET", "/")
        self.ask("GET", "/api/v1/buses")
        self.ask("GET", "/api/v1/overview")

    def hear(self):
        """What the service manager was told."""
        while True:
            try:
                self.notices.append(self.manager.recv(4096).decode())
            except BlockingIOError:
                return


def plain_text(path):
    """What a zstd file holds, as far as it can be read; by the library's own decoder."""
    zstd = ctypes.CDLL(ctypes.util.find_library("zstd"))
    zstd.ZSTD_createDCtx.restype = ctypes.c_void_p
    zstd.ZSTD_decompressStream.restype = ctypes.c_size_t

    class Buffer(ctypes.Structure):
        _fields_ = [("bytes", ctypes.c_void_p), ("size", ctypes.c_size_t), ("at", ctypes.c_size_t)]

    with open(path, "rb") as file:
        packed = file.read()
    context = ctypes.c_void_p(zstd.ZSTD_createDCtx())
    room = ctypes.create_string_buffer(1 << 16)
    source = Buffer(ctypes.cast(ctypes.c_char_p(packed), ctypes.c_void_p), len(packed), 0)
    text = b""
    while True:
        out = Buffer(ctypes.cast(room, ctypes.c_void_p), len(room), 0)
        before = source.at
        left = zstd.ZSTD_decompressStream(context, ctypes.byref(out), ctypes.byref(source))
        text += room.raw[:out.at]
        if zstd.ZSTD_isError(ctypes.c_size_t(left)) or (out.at == 0 and source.at == before):
            break
    zstd.ZSTD_freeDCtx(context)
    return text.decode()


MONTH = 40 * 86400 * 10 ** 9


class Voyage(Journey):
    name = "voyage"

    def __init__(self, options):
        super().__init__(options)
        self.capture = Capture(options.build, self.folder, "n2k", 600, 100)
        done = subprocess.run([os.path.join(options.build, "sightbowl"), "password"], input="heron\nheron\n",
                              capture_output=True, text=True, check=True)
        self.password = re.search(r"password = \S+", done.stdout).group()
        self.past = os.path.join(self.folder, "past.db")
        self.begin_log()
        self.lines = set(self.capture.lines)
        machine, outcome = self.sail("reference", "", 0, 0, 0)
        assert outcome.status == 0, outcome.messages
        self.open = outcome.open
        absorb(options.build, machine.log)
        self.tables = {table: rows(machine.log, table) for table in TABLES}
        self.told = self.told_to_command(machine)
        self.answers = machine.visitor.answers
        if options.talk:
            print(outcome.messages, self.told, self.answers, machine.visitor.notices)
        wanted = {("GET", "/api/v1/overview", None): 401, ("GET", "/api/v1/overview", "wrong"): 401}
        for method, path, password, status in self.answers:
            assert status == wanted.get((method, path, password), 200), self.answers
        assert len(self.answers) == 14 and self.told, (self.answers, self.told)
        self.look(machine, outcome, "", 0)
        assert len(self.recorded(machine)) == outcome.taken, (len(self.recorded(machine)), outcome.taken)
        assert not os.path.exists(self.old_capture(machine)), "retention of captures"
        oldest = min(row[0] for row in self.tables["windows"])
        assert oldest > self.capture.first_ns // 10 ** 9 - 60, "retention of windows"

    def begin_log(self):
        """A log with a past of more than a month ago."""
        c = self.capture
        past = os.path.join(self.folder, "past.log")
        with open(past, "w") as out:
            for t_ns, line in zip(c.times_ns, c.lines):
                # Without the messages in which the bus tells the date (126992, 129029, 129033).
                if line.split(" ")[2][2:6] in ("F010", "F805", "F809"):
                    continue
                t_us = (t_ns - MONTH) // 1000
                out.write(f"({t_us // 1000000}.{t_us % 1000000:06d}) {line.split(' ', 1)[1]}")
        config = os.path.join(self.folder, "past.conf")
        with open(config, "w") as out:
            out.write("[bus can0]\n")
        done = subprocess.run([os.path.join(self.options.build, "sightbowl"), "replay", "--config",
                               config, "--db", self.past, past], capture_output=True, text=True,
                              check=False)
        assert done.returncode == 0, done.stderr

    def configuration(self, folder, port, buses):
        return ("[boat]\nname = Grey Heron\n"
                + "".join(f"[bus {bus}]\n" for bus in buses)
                + "[limits]\ncoolant_c = 40\n"
                + f"[log]\nwindows_months = 1\ncapture_folder = {folder}/captures\n"
                + "capture_mb = 1\ncapture_days = 1\n"
                + f"[web]\nlisten = 127.0.0.1:{port}\n{self.password}\nwrite = yes\n"
                + f"[notify]\ncommand = /bin/sh {folder}/tell {folder}/told\nseverity = advice\n")

    @staticmethod
    def old_capture(machine):
        return os.path.join(machine.folder, "captures", "sightbowl-000001-2025-05-01T00-00-00Z.log.zst")

    def sail(self, name, call, first, count, error, environment=None):
        folder = os.path.join(self.folder, name)
        config = os.path.join(folder, "boat.conf")
        os.makedirs(folder)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        for path, buses in ((config, ["can0"]), (config + ".more", ["can0", "can1"]),
                            (config + ".less", ["can0"])):
            with open(path, "w") as out:
                out.write(self.configuration(folder, port, buses))
        with open(config + ".wrong", "w") as out:
            out.write("[bus can0]\nprotocol = smoke\n")
        with open(os.path.join(folder, "tell"), "w") as out:
            out.write('echo "$SIGHTBOWL_EVENT $SIGHTBOWL_STATE $SIGHTBOWL_KIND" >>$1\n')
        machine = Machine(self.options.build, folder, config, self.library(call), self.options.before)
        shutil.copy(self.past, machine.log)
        if call != "mkdir":
            os.makedirs(os.path.join(folder, "captures"))
            with open(self.old_capture(machine), "wb") as out:
                out.truncate(10 ** 6)  # all that captures may take
        visitor = machine.visitor = Visitor(folder, port)
        around = self.around(machine)
        around["environment"].update(environment or {})
        c = self.capture
        acts = ((10, "visit"), (20, "hup=more"), (30, "down=can0"), (36, "up=can0"), (40, "hup=wrong"),
                (45, "visit"), (50, "gone=can0"), (52, "up=can0"), (62, "hup=less"), (80, "visit"))
        outcome = machine.run(
            c, visits=(visitor.arrive, visitor.look_around, visitor.leave), start_ns=c.first_ns,
            end="stop", end_ns=c.last_ns + 10 ** 9,
            acts=",".join(f"{c.first_ns + s * 10 ** 9}:{act}" for s, act in acts),
            config=config, fault=f"{call}:{first}:{count}:{error}", patience_s=PATIENCE_S, **around)
        outcome.raised = [f"{event} raised {kind}" for event, kind in query(
            machine.log, "SELECT event, kind FROM events")] if outcome.status == 0 else []
        return machine, outcome

    def around(self, machine):
        around = super().around(machine)
        around["environment"]["NOTIFY_SOCKET"] = os.path.join(machine.folder, "manager")
        around["environment"]["WATCHDOG_USEC"] = "20000000"
        return around

    @staticmethod
    def recorded(machine):
        """The frames in the captures, in their files' order."""
        folder = os.path.join(machine.folder, "captures")
        lines = []
        for name in sorted(os.listdir(folder)) if os.path.isdir(folder) else ():
            if not name.startswith("sightbowl-000001-2025-05-01"):
                lines += plain_text(os.path.join(folder, name)).splitlines(True)
        return lines

    @staticmethod
    def told_to_command(machine):
        path = os.path.join(machine.folder, "told")
        if not os.path.exists(path):
            return []
        with open(path) as file:
            return file.read().splitlines()

    def compare(self, log, said):
        for table in TABLES:
            found, expected = rows(log, table), self.tables[table]
            if table in ("windows", "minutes"):  # how many of the past have gone, its commits say
                found, expected = ([row for row in window if row[0] >= self.capture.first_ns // 10 ** 9 - 60]
                                   for window in (found, expected))
            if table == "events":  # can1 is missed only, one is acknowledged only when it was asked for
                found, expected = ([row[1:-1] for row in events if row[1] != "bus-fault"]
                                   for events in (found, expected))
            assert found == expected, (table, [row for row in found if row not in expected][:2],
                                       [row for row in expected if row not in found][:2], said)

    def look(self, machine, outcome, call, count):
        said = outcome.messages
        visitor = machine.visitor
        visitor.hear()
        visitor.manager.close()
        # The book.
        book = [row[0] for row in query(machine.log, "SELECT remark FROM book")]
        assert len(set(book)) == len(book), book
        writes = [status for method, path, _, status in visitor.answers
                  if path == "/api/v1/book" and method == "POST"]
        for remark, status in zip(("first", "last"), writes):
            assert remark in book if status == 200 else True, (remark, book, visitor.answers, said)
        # The captures.
        lines = self.recorded(machine)
        assert len(set(lines)) == len(lines), "a frame was recorded twice"
        assert all(line in self.lines or not line.endswith("\n") for line in lines)
        lost = outcome.taken - len(lines)
        assert lost <= 0 or "aw frames" in said or "no memory" in said or outcome.status == 1, (
            f"{lost} of {outcome.taken} frames not recorded, without a word", said)
        # The command.
        told = self.told_to_command(machine)
        assert len(set(told)) == len(told), told
        missing = [line for line in outcome.raised if line not in told]
        assert not missing or "[notify]" in said or outcome.status == 1, (
            f"{missing} was not told", told, said)
        # A page that could not be served at first, or when the configuration was reread, is later.
        if outcome.status == 0 and call and outcome.failed == count and (
                outcome.failed_ns < self.capture.first_ns + 25 * 10 ** 9):
            met, usual = ([answer for answer in answers[5:10] if "acknowledge" not in answer[1]]
                          for answers in (visitor.answers, self.answers))
            assert met == usual, (met, said)
        # Once it is over, all is well again.
        over_ns = self.capture.first_ns + 60 * 10 ** 9
        if outcome.status == 0 and call and (outcome.failed == 0 or (
                outcome.failed == count and outcome.failed_ns < over_ns)):
            assert visitor.answers[-4:] == self.answers[-4:], (visitor.answers[-4:], said)
            expected = [line for t_ns, line in zip(self.capture.times_ns, self.capture.lines)
                        if t_ns > over_ns + 25 * 10 ** 9]
            assert lines[-len(expected):] == expected, "recording does not go on: " + said


def query(log, sql):
    connection = sqlite3.connect(log)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


class Options:
    def __init__(self, arguments):
        self.most = 16
        if "--most" in arguments:
            at = arguments.index("--most")
            self.most = int(arguments[at + 1])
            arguments = arguments[:at] + arguments[at + 2:]
        self.build = os.path.abspath(arguments[0])
        self.every = "--all" in arguments
        self.sanitized = "--sanitized" in arguments
        self.talk = "--talk" in arguments
        self.before = ["valgrind", "-q", "--error-exitcode=97", "--leak-check=full",
                       "--errors-for-leak-kinds=definite"] if "--valgrind" in arguments else []
        wanted = [argument for argument in arguments[1:] if not argument.startswith("--")]
        self.calls = {call: CALLS[call] for call in wanted} if wanted else CALLS
        self.journeys = [journey for journey, other in ((Plain, "--voyage"), (Voyage, "--plain"))
                         if other not in arguments]
        memory = "/dev/shm"
        self.folder = os.path.realpath(tempfile.mkdtemp(
            prefix="sightbowl-faults.", dir=memory if os.access(memory, os.W_OK) else None))


def main():
    options = Options(sys.argv[1:])
    started = time.monotonic()
    failures = []
    total = 0
    for journey in [kind(options) for kind in options.journeys]:
        counts = journey.count()
        jobs = [(call, number, fault) for call in options.calls
                for number, fault in enumerate(journey.plan(call, counts.get(call, 0)))]
        kinds = {call: {} for call in options.calls}

        def judge(job):
            call, number, (first, count, error) = job
            try:
                kind = journey.judge(number, call, first, count, error)
            except Exception:
                kind = "FAILED"
                failures.append((call, first, count, error, traceback.format_exc()))
            kinds[call][kind] = kinds[call].get(kind, 0) + 1

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(judge, jobs))
        total += len(jobs)
        hit = 0
        for call in options.calls:
            number = sum(kinds[call].values())
            hit += number > 0
            print(f"{journey.name}: {call}: {counts.get(call, 0)} calls, {number} faults: "
                  + ", ".join(f"{kinds[call][kind]} {kind}" for kind in sorted(kinds[call])))
        print(f"{journey.name}: {hit} kinds of calls of {len(options.calls)} made and hit; "
              f"{sum(counts.values())} calls", flush=True)
    for call, first, count, error, trace in failures[:60]:
        print(f"FAILED {call} number {first}, {count} times, error {error}:\n{trace}", file=sys.stderr)
    print(f"faults: {total} journeys, {len(failures)} failed ({time.monotonic() - started:.0f} s)")
    if not failures:
        shutil.rmtree(options.folder)
    else:
        print(f"left as it was: {options.folder}", file=sys.stderr)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
