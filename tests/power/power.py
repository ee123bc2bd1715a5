#!/usr/bin/env python3
"""The daemon's promise at a power cut and at a kill: the log is sound, no more than the last 30 s are
lost, and what it has is what a replay of the same frames gives.

    power.py cuts|kills COUNT BUILD [SEED]

Boats sail with a computer that is cut off, or whose program is killed, one to four times on a passage,
at instants drawn from SEED (printed; 1 unless it is given), and is started again. After each: SQLite finds the log whole; the
loss is the time from the last frame that the log knows to the end; the readings and what is over are
those of the replay of these frames. When the passage is over: every table is as the replay of
all pieces makes it.
"""
import os
import random
import shutil
import sys
import tempfile
import time
import traceback
from concurrent.futures import ThreadPoolExecutor

from machine import Capture, Machine, absorb, as_replayed, replay, sound

BOUND_S = 30
SYNC_MS = 600  # at most five syncs in a write of the log: below the 3 s that watch counts on


class Passage:
    def __init__(self, shared, kind, seed):
        self.shared, self.kind, self.seed = shared, kind, seed
        self.draws = random.Random(f"{kind} {seed}")
        self.losses = []
        self.folder = os.path.join(shared.folder, f"passage{seed}")
        os.makedirs(self.folder)
        self.machine = Machine(shared.build, self.folder, shared.config)
        self.long = seed % 16 == 15
        self.capture = shared.long_capture if self.long else self.draws.choice(shared.captures)
        self.pieces = []

    def compare(self, log, whole):
        """With the replay of the pieces."""
        scratch = os.path.join(self.folder, "scratch")
        shutil.rmtree(scratch, ignore_errors=True)
        os.makedirs(scratch)
        truth = os.path.join(scratch, "truth.db")
        replay(self.shared.build, self.shared.config, truth, self.capture, self.pieces, scratch)
        if not os.path.exists(truth):
            return
        as_replayed(log, truth, whole)

    def end_once(self, start_ns):
        """One start, to the cut or kill. Returns the machine's time then."""
        c = self.capture
        machine = {"start_ns": start_ns, "seed": self.draws.randrange(1 << 30), "sync_ms": SYNC_MS,
                   "end": "cut" if self.kind == "cuts" else "kill",
                   "reads_ns": ",".join(str(t) for t in self.readings(start_ns))}
        # At any time, at any write (those are thick where the log takes over), or at an early one.
        machine["end_ns"] = c.last_ns
        way = self.draws.choice(("time", "time", "write", "early"))
        if self.long and start_ns == c.first_ns:
            machine["end_ns"] = start_ns + int(self.draws.uniform(3599.9, 3603) * 1e9)
            machine["reads_ns"] = ""
        elif way == "time":
            machine["end_ns"] = self.draws.randint(start_ns, c.last_ns)
        elif way == "write":
            machine["end_op"] = self.draws.randint(1, 400)
        else:
            machine["end_op"] = self.draws.randint(1, 60)
        outcome = self.machine.run(c, **machine)
        assert outcome.status == (99 if self.kind == "cuts" else -9), (outcome.status, outcome.messages)
        if self.kind == "cuts":
            self.machine.restart_from_disk()
        examined = os.path.join(self.folder, "examined")
        shutil.rmtree(examined, ignore_errors=True)
        shutil.copytree(self.machine.log_folder, examined)
        log = os.path.join(examined, "boat.db")
        raw_ns = 0
        if os.path.exists(log):
            raw_ns = absorb(self.shared.build, log)
            assert sound(log)
        lost_ns = outcome.now_ns - max(raw_ns, start_ns)
        self.losses.append(lost_ns / 1e9)
        assert lost_ns <= BOUND_S * 1e9, ("lost", lost_ns / 1e9, machine, outcome.messages)
        if raw_ns >= start_ns:
            self.pieces.append((start_ns, raw_ns))
        if self.pieces:
            assert raw_ns == self.pieces[-1][1], "what an earlier start had kept was lost"
            self.compare(log, False)
        return outcome.now_ns

    def readings(self, start_ns):
        count = self.draws.choice((0, 0, 1, 4, 20))
        return sorted(self.draws.randint(start_ns, self.capture.last_ns) for _ in range(count))

    def sail(self, most):
        at_ns = self.capture.first_ns
        for _ in range(min(most, self.draws.randint(1, 4))):
            now_ns = self.end_once(at_ns)
            at_ns = now_ns + int(self.draws.choice((0, 1, 20, 120)) * self.draws.random() * 1e9) + 1
            if at_ns > self.capture.last_ns - 10 ** 9:
                break
        outcome = self.machine.run(self.capture, start_ns=at_ns, end="stop",
                                   end_ns=max(at_ns, self.capture.last_ns) + 10 ** 9)
        assert outcome.status == 0, outcome.messages
        self.pieces.append((at_ns, self.capture.last_ns))
        assert sound(self.machine.log)
        absorb(self.shared.build, self.machine.log)
        self.compare(self.machine.log, True)
        shutil.rmtree(self.folder)


class Shared:
    def __init__(self, build):
        self.build = build
        memory = "/dev/shm"  # the machine's disk is in its imagination: this one need not be waited for
        self.folder = os.path.realpath(tempfile.mkdtemp(
            prefix="sightbowl-power.", dir=memory if os.access(memory, os.W_OK) else None))
        self.config = os.path.join(self.folder, "boat.conf")
        with open(self.config, "w") as out:
            out.write("[bus can0]\n[web]\nlisten = none\n")
        self.captures = [Capture(build, self.folder, *what) for what in
                         (("n2k", 0, 600), ("n2k", 600, 300), ("j1939", 0, 400))]
        # Longer than an hour, so that the log takes over by itself.
        self.long_capture = Capture(build, self.folder, "n2k", 2000, 3900)


def main():
    kind, count, build = sys.argv[1], int(sys.argv[2]), sys.argv[3]
    seed = int(sys.argv[4]) if len(sys.argv) > 4 else 1
    started = time.monotonic()
    shared = Shared(build)
    losses, failures = [], []

    def sail(number):
        passage = Passage(shared, kind, number)
        try:
            passage.sail(count)
        except Exception:
            failures.append((number, traceback.format_exc()))
        return passage.losses

    try:
        number = seed * 100000
        with ThreadPoolExecutor(2) as pool:
            while len(losses) < count and not failures:
                for some in pool.map(sail, range(number, number + 8)):
                    losses += some
                number += 8
        for failed, trace in failures[:3]:
            print(f"{kind}: passage {failed}:\n{trace}", file=sys.stderr)
        losses = sorted(losses) or [float("nan")]
        print(f"{kind}, seed {seed}: {len(losses)} in {number - seed * 100000} passages, the log "
              f"sound after {'each' if not failures else 'some'}; lost at most {losses[-1]:.1f} s, median "
              f"{losses[len(losses) // 2]:.1f} s ({time.monotonic() - started:.0f} s)")
    finally:
        if not failures:
            shutil.rmtree(shared.folder)
        else:
            print(f"{kind}: left as it was: {shared.folder}", file=sys.stderr)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
