#!/usr/bin/env python3
"""Each call that the daemon makes of the system, of libuv and of SQLite fails in turn.

    faults.py BUILD [--all] [--most N] [--sanitized] [--valgrind] [CALL…]

A boat sails for a hundred seconds; somebody reads the log meanwhile. How often each kind of call is made is
counted; then it sails again and again, and each time another of these calls fails: that one alone,
that one and the next twenty, or that one and all that follow. Of a call that is made often --most N (16) are
tried, half of them the first ones, with --all every one with every error. Each time:
  - it comes to its end: no crash, no leak (--sanitized: a build with the sanitizers is asked)
  - when it cannot begin, or not end in order, it says so
  - the log is sound, when it is there
  - what fails in the log's files costs nothing at all once the fault is over: all tables are as without
    it; what else fails may cost frames, and never what was logged before
"""
import errno
import os
import shutil
import sys
import tempfile
import time
import traceback
from concurrent.futures import ThreadPoolExecutor

from machine import Capture, Machine, TABLES, absorb, rows, sound

NOMEM, FULL, CANTOPEN, IOERR, BUSY, READONLY = 7, 13, 14, 10, 5, 8  # SQLite's result codes
FOREVER = 10 ** 9
BOUND_S = 30

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
    "sqlite3_open": ((NOMEM,), LOG),
    "sqlite3_prepare": ((NOMEM, IOERR, BUSY), LOG),
    "sqlite3_step": ((IOERR, FULL, NOMEM, BUSY, READONLY), LOG),
    "sqlite3_exec": ((NOMEM, IOERR, BUSY, CANTOPEN), LOG),
    "memory": ((errno.ENOMEM,), OTHER),
}


class Sea:
    def __init__(self, arguments):
        self.most = 16
        if "--most" in arguments:
            at = arguments.index("--most")
            self.most = int(arguments[at + 1])
            arguments = arguments[:at] + arguments[at + 2:]
        self.build = os.path.abspath(arguments[0])
        self.every = "--all" in arguments
        self.sanitized = "--sanitized" in arguments
        self.before = ["valgrind", "-q", "--error-exitcode=97", "--leak-check=full",
                       "--errors-for-leak-kinds=definite"] if "--valgrind" in arguments else []
        wanted = [argument for argument in arguments[1:] if not argument.startswith("--")]
        self.calls = {call: CALLS[call] for call in wanted} if wanted else CALLS
        memory = "/dev/shm"
        self.folder = os.path.realpath(tempfile.mkdtemp(
            prefix="sightbowl-faults.", dir=memory if os.access(memory, os.W_OK) else None))
        self.config = os.path.join(self.folder, "boat.conf")
        with open(self.config, "w") as out:
            out.write("[bus can0]\n[web]\nlisten = none\n")
        self.capture = Capture(self.build, self.folder, "n2k", 0, 100)
        self.reference = self.sail("reference", "memory", 0, 0, 0)[0].log
        absorb(self.build, self.reference)
        self.tables = {table: rows(self.reference, table) for table in TABLES}

    def sail(self, name, call, first, count, error):
        folder = os.path.join(self.folder, name)
        os.makedirs(folder)
        machine = Machine(self.build, folder, self.config,
                          "libmachine_memory.so" if call == "memory" and not self.sanitized
                          else "libmachine.so", self.before)
        environment = {"ASAN_OPTIONS": "verify_asan_link_order=0:exitcode=97:allocator_may_return_null=1",
                       "UBSAN_OPTIONS": "halt_on_error=1:exitcode=97"}
        c = self.capture
        outcome = machine.run(c, environment, start_ns=c.first_ns, end="stop",
                              end_ns=c.last_ns + 10 ** 9, reads_ns=c.first_ns + 65 * 10 ** 9,
                              fault=f"{call}:{first}:{count}:{error}")
        return machine, outcome

    def rest(self, machine):
        """Starts it again without a fault, with nothing more to hear."""
        c = self.capture
        outcome = machine.run(c, start_ns=c.last_ns + 2 * 10 ** 9, end="stop",
                              end_ns=c.last_ns + 4 * 10 ** 9)
        assert outcome.status == 0, outcome.messages

    def judge(self, number, call, first, count, error):
        of_log = self.calls[call][1]
        machine, outcome = self.sail(f"{call}{number}", call, first, count, error)
        assert outcome.status in (0, 1), (outcome.status, outcome.messages)
        assert "Sanitizer" not in outcome.messages, outcome.messages
        assert len(outcome.messages.splitlines()) < 40, outcome.messages
        begun = "listening" in outcome.messages
        kind = "unharmed"
        if outcome.status == 1:
            assert outcome.messages.startswith("sightbowl watch: "), outcome.messages
            kind = "ended with a word" if begun else "could not begin"
        if os.path.exists(machine.log):
            if outcome.status == 1 or not of_log:
                self.rest(machine)
            raw_ns = absorb(self.build, machine.log)
            assert sound(machine.log)
            if outcome.status == 0 and of_log and count < FOREVER:
                for table in TABLES:
                    found = rows(machine.log, table)
                    assert found == self.tables[table], (table, found[:2], self.tables[table][:2],
                                                         outcome.messages)
            elif begun and outcome.failed == 1 and call != "memory":
                lost_s = (self.capture.last_ns - raw_ns) / 1e9
                assert lost_s <= BOUND_S, (lost_s, outcome.messages)
        else:
            assert outcome.status == 1, outcome.messages
        shutil.rmtree(machine.folder)
        return kind

    def sailings(self, call):
        """The faults of one kind of call: number of the call, how many fail, the error."""
        errors, _ = self.calls[call]
        _, outcome = self.sail(f"count-{call}", call, 0, 0, 0)
        assert outcome.status == 0, outcome.messages
        calls = outcome.calls
        firsts = list(range(1, calls + 1))
        if not self.every and calls > self.most:
            half = self.most // 2
            firsts = firsts[:half] + [half + (calls - half) * i // half for i in range(1, half + 1)]
        plan = []
        for i, first in enumerate(firsts):
            if self.every:
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
        plan = [fault for fault in plan
                if fault[1] < FOREVER or (fault[2] != errno.EINTR and call != "recv")]
        return calls, plan


def main():
    sea = Sea(sys.argv[1:])
    started = time.monotonic()
    failures = []
    total = 0
    for call in sea.calls:
        if call == "memory" and sea.sanitized:
            continue  # the sanitizers' own allocator is in use
        calls, plan = sea.sailings(call)
        kinds = {}

        def judge(numbered):
            number, (first, count, error) = numbered
            try:
                kind = sea.judge(number, call, first, count, error)
                kinds[kind] = kinds.get(kind, 0) + 1
            except Exception:
                failures.append((call, first, count, error, traceback.format_exc()))

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(judge, enumerate(plan)))
        total += len(plan)
        print(f"{call}: {calls} calls, {len(plan)} faults: "
              + ", ".join(f"{kinds[kind]} {kind}" for kind in sorted(kinds)), flush=True)
    for call, first, count, error, trace in failures[:60]:
        print(f"FAILED {call} number {first}, {count} times, error {error}:\n{trace}", file=sys.stderr)
    print(f"faults: {total} sailings, {len(failures)} failed ({time.monotonic() - started:.0f} s)")
    if not failures:
        shutil.rmtree(sea.folder)
    else:
        print(f"left as it was: {sea.folder}", file=sys.stderr)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
