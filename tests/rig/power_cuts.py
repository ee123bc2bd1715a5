#!/usr/bin/env python3
"""Power cuts of a computer with a real kernel and file system, in QEMU.

    power_cuts.py COUNT BUILD [SEED]

A boat's computer watches a bus and logs to an ext4 disk, and QEMU is killed; it starts again from what the
disk then held, watches on, is killed again, and so on; at last it ends in good order. QEMU keeps a
log of each write and each flush that the guest sent to its disk (its driver blklogwrites, in the format of
Linux's dm-log-writes), with the guest's time between them (rig_marks.c). From it COUNT disks are
rebuilt, each as a cut at one instant could have left it: what was written before the last flush is
there; of what was written since, nothing (CUT_DROPPED), each write or not and in any order (CUT_SUBSET), each
4 KiB block or not (CUT_TORN), or all (CUT_KEPT). No block is torn: ext4 with a torn superblock, or a torn
commit block of its journal, cannot be mounted, whoever wrote to it; torn sectors are for tests/power. Some of the instants are those just before and just
after a flush. One of them, or what the killed QEMU left, is what the next start finds.

The guest mounts each disk, which recovers it from its journal. Then the file system must be sound
(e2fsck), the log too (SQLite's integrity_check, and the program's own check), at most BOUND_S of
what the bus carried may be missing, and what the log says must be what a replay of the frames that it
kept says. After the last start every table must be, row by row, that of a replay. What was heard
comes from candump, over the guest's second serial line. The instants are drawn from SEED (1).
"""
import bisect
import json
import os
import random
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
import traceback
from concurrent.futures import ThreadPoolExecutor

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(HERE, "..", "power"))
from machine import Frames, absorb, as_replayed, replay, sound  # noqa: E402

BOUND_S = 30
IMAGES_A_ROUND = 50
BLOCK = 4096
SECTOR = 512
DISK_BYTES = 32 << 20  # the file system's; the marks lie behind it
# ext4 by itself commits its journal each 5 s, and the data that belong to it: that covers up for a sync that a
# program forgot.
MOUNTS = ("commit=300", "defaults", "lazytime,commit=300")
NS = 10 ** 9
SKIPPED = 77

# linux/drivers/md/dm-log-writes.c: struct log_write_super, struct log_write_entry.
LOG_MAGIC = 0x6A736677736872
LOG_FLUSH, LOG_FUA, LOG_DISCARD = 1, 2, 4

CUT_DROPPED, CUT_SUBSET, CUT_TORN, CUT_KEPT = "dropped", "subset", "torn", "kept"


class Entry:
    def __init__(self, at, flags, data):
        self.at, self.flags, self.data = at, flags, data


def read_write_log(path):
    """The entries of a log of writes, and for each the time of the first mark at or behind it (ns)."""
    with open(path, "rb") as file:
        log = file.read()
    magic, version, _, sector_bytes = struct.unpack_from("<QQQI", log)
    assert (magic, version, sector_bytes) == (LOG_MAGIC, 1, SECTOR), "not a log of writes"
    entries, marks = [], []
    position = SECTOR
    # The count in the first sector is that of an end in good order; a killed QEMU leaves the entries.
    while position + SECTOR <= len(log):
        sector, sectors, flags, _ = struct.unpack_from("<QQQQ", log, position)
        position += SECTOR
        data = b""
        if sectors and not flags & LOG_DISCARD:
            data = log[position:position + sectors * SECTOR]
            position += sectors * SECTOR
        if position > len(log) or (not sectors and not flags):
            break
        if data and sector * SECTOR >= DISK_BYTES:
            assert data[:8] == b"rig_mark"
            marks.append((len(entries), struct.unpack_from("<q", data, 8)[0]))
        elif sectors or flags:
            entries.append(Entry(sector * SECTOR, flags, data if not flags & LOG_DISCARD else
                                 bytes(sectors * SECTOR)))
    places = [place for place, _ in marks]
    # A mark counts the entries before it: the first one that counts an entry comes behind it.
    times_ns = [marks[min(bisect.bisect_right(places, number), len(marks) - 1)][1]
                for number in range(len(entries))]
    return entries, times_ns


def write(disk, at, data):
    disk[at:at + len(data)] = data


class Cut:
    """A disk as a cut after its entry `place` of the log of writes of round `number` could leave it."""

    def __init__(self, number, kind, place, now_ns):
        self.number, self.kind, self.place, self.now_ns = number, kind, place, now_ns
        self.left_out = 0
        self.image = None

    def __str__(self):
        return f"round {self.number}, after write {self.place}, {self.kind} ({self.left_out} left out)"

    def make(self, flushed, since, draws):
        """flushed: the disk at the last flush; since: what was written after it."""
        disk = bytearray(flushed)
        if self.kind == CUT_KEPT:
            kept = since
        elif self.kind == CUT_DROPPED:
            kept = []
        else:
            kept = [entry for entry in since if draws.random() < 0.5]
            draws.shuffle(kept)
        self.left_out = len(since) - len(kept)
        for entry in kept:
            if self.kind == CUT_TORN:
                for at in range(0, len(entry.data), BLOCK):
                    if draws.random() < 0.5:
                        write(disk, entry.at + at, entry.data[at:at + BLOCK])
            else:
                write(disk, entry.at, entry.data)
        return disk


class Voyage:
    def __init__(self, build, folder, seed):
        self.build, self.folder = build, folder
        self.draws = random.Random(seed)
        self.disk = os.path.join(folder, "disk")
        self.images = os.path.join(folder, "images")
        self.image_count = 0
        self.config = os.path.join(folder, "boat.conf")
        self.frames = self.season()
        self.heard = []    # of each round: Frames
        self.pieces = []   # of each round that was cut: (first, last heard) of its timeline
        self.chosen = []   # of each round that was cut: the Cut that the next one found
        self.cuts = []
        with open(self.disk, "wb") as out:
            out.truncate(DISK_BYTES + BLOCK)
        self.call("mke2fs", "-q", "-t", "ext4", "-b", str(BLOCK), self.disk, str(DISK_BYTES // BLOCK))

    @staticmethod
    def call(*words, ok=(0,)):
        done = subprocess.run(words, capture_output=True, text=True, errors="replace", check=False)
        assert done.returncode in ok, (words, done.returncode, done.stdout, done.stderr)
        return done.stdout

    def season(self):
        """(time in ns, line) of an invented season's frames."""
        text = self.call(os.path.join(self.build, "tests/rig/rig_scenario"), "n2k", "0", "10000")
        frames = []
        for line in text.splitlines(keepends=True):
            seconds, micros = line[1:line.index(")")].split(".")
            frames.append((int(seconds) * NS + int(micros) * 1000, line))
        return frames

    def boot(self, test, *options, at_second=None, **variables):
        """Boots the rig; kills QEMU when its script is at a second. Returns what it told."""
        pidfile = os.path.join(self.folder, "pid")
        command = [os.path.join(HERE, "run"), "--build", self.build, "--virtual-time", "--minutes", "10",
                   "--pidfile", pidfile, *options, test]
        told, killed = [], False
        with open(os.path.join(self.folder, "messages"), "w+") as messages, subprocess.Popen(
                command, stdout=subprocess.PIPE, stderr=messages, text=True, errors="replace",
                stdin=subprocess.DEVNULL, env={**os.environ, **variables}) as run:
            for line in run.stdout:
                told.append(line)
                if at_second is not None and not killed and line == f"RIG at {at_second}\n":
                    time.sleep(self.draws.random() * 0.03)
                    with open(pidfile) as file:
                        os.kill(int(file.read()), signal.SIGKILL)
                    killed = True
            status = run.wait()
            messages.seek(0)
            said = messages.read()
            if status == SKIPPED:
                print(said, file=sys.stderr)
                sys.exit(SKIPPED)
            assert killed == (at_second is not None), (told[-5:], said)
            assert killed or status == 0, (told, said)
            assert not any(line.startswith("RIG FAIL") for line in told), told
        return told

    def watch(self, number, last):
        """One start, and the watch until the cut, or to a good end."""
        with open(self.config, "w") as out:
            out.write("[bus vcan0]\n[web]\nlisten = none\n")
            if number % 2:
                out.write("[log]\ncapture_folder = /log/captures\ncapture_mb = 1\n")
        seconds = self.draws.randint(60, 260)
        from_ns = self.frames[0][0]
        if number:
            # The bus went on while the computer was off.
            from_ns = self.chosen[-1].now_ns + int(self.draws.choice((2, 20, 90)) * NS)
        to_ns = from_ns + (60 if last else seconds + 300) * NS
        frames = os.path.join(self.folder, "frames.log")
        with open(frames, "w") as out:
            out.writelines(line for t_ns, line in self.frames if from_ns <= t_ns < to_ns)
        heard = os.path.join(self.folder, "heard")
        log = os.path.join(self.folder, "writes")
        for path in (heard, log):
            with open(path, "wb"):
                pass
        before = os.path.join(self.folder, "before")
        self.call("cp", "--sparse=always", self.disk, before)
        self.boot("power_cut", "--disk", self.disk, "--write-log", log, "--heard", heard, "--started-at",
                  time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(from_ns // NS)),
                  "--ext4-options", MOUNTS[number % len(MOUNTS)],
                  at_second=None if last else seconds, RIG_FRAMES=frames, RIG_CONFIG=self.config,
                  RIG_MARKS_AT=str(DISK_BYTES))
        self.heard.append(self.read_heard(heard))
        if not last:
            self.rebuild(number, before, log)

    @staticmethod
    def read_heard(path):
        times_ns, lines = [], []
        with open(path, errors="replace") as file:
            for line in file.read().replace("\r", "").splitlines(keepends=True):
                if not line.endswith("\n"):
                    break  # the cut
                seconds, micros = line[1:line.index(")")].split(".")
                times_ns.append(int(seconds) * NS + int(micros) * 1000)
                lines.append(line)
        assert times_ns and all(a < b for a, b in zip(times_ns, times_ns[1:])), "heard out of order"
        return Frames(times_ns, lines)

    def instants(self, number, entries, times_ns):
        flushes = [place for place, entry in enumerate(entries) if entry.flags & LOG_FLUSH]
        cuts = []
        for count in range(IMAGES_A_ROUND - 1):
            kind = (CUT_DROPPED, CUT_SUBSET, CUT_TORN, CUT_KEPT)[count % 4]
            if count % 3 == 0:
                place = self.draws.choice(flushes)                         # just after it
            elif count % 3 == 1:
                place = self.draws.choice([at for at in flushes if at]) - 1  # just before it
            else:
                cuts.append(self.at_any_time(number, kind, times_ns, 0))
                continue
            cuts.append(Cut(number, kind, place, times_ns[place]))
        # The one that the next start finds comes late.
        cuts.append(self.at_any_time(number, (CUT_SUBSET, CUT_TORN, CUT_DROPPED)[number // 2 % 3],
                                     times_ns, 0.6))
        return cuts

    def at_any_time(self, number, kind, times_ns, share):
        """A cut at a time drawn from what comes after this share of the round."""
        now_ns = times_ns[0] + int((times_ns[-1] - times_ns[0]) * self.draws.uniform(share, 1))
        return Cut(number, kind, bisect.bisect_right(times_ns, now_ns) - 1, now_ns)

    def rebuild(self, number, before, log):
        entries, times_ns = read_write_log(log)
        cuts = self.instants(number, entries, times_ns)
        self.chosen.append(cuts[-1])
        with open(before, "rb") as file:
            disk = bytearray(file.read())
        flushed_to = 0  # disk holds the entries before this one
        for cut in sorted(cuts, key=lambda c: c.place):
            last_flush = max((place for place in range(cut.place + 1)
                              if entries[place].flags & (LOG_FLUSH | LOG_FUA)), default=-1)
            for entry in entries[flushed_to:last_flush + 1]:
                write(disk, entry.at, entry.data)
            flushed_to = max(flushed_to, last_flush + 1)
            left = cut.make(disk, entries[flushed_to:cut.place + 1], self.draws)
            self.keep(cut, left)
            if cut is cuts[-1] and number % 2 == 0:
                self.next_disk = left
        self.cuts += cuts
        # Each other time the next start finds what was on the disk when QEMU was killed.
        if number % 2:
            killed = Cut(number, "as the killed QEMU left it", len(entries), self.heard[-1].times_ns[-1])
            with open(self.disk, "rb") as file:
                self.keep(killed, file.read())
            self.cuts.append(killed)
            self.chosen[-1] = killed
        else:
            self.put(self.disk, 0, self.next_disk)

    @staticmethod
    def put(path, offset, disk):
        with open(path, "r+b" if os.path.exists(path) else "w+b") as out:
            if offset == 0:
                out.truncate(0)
            empty = bytes(BLOCK)
            for at in range(0, len(disk), BLOCK):
                if disk[at:at + BLOCK] != empty:
                    out.seek(offset + at)
                    out.write(disk[at:at + BLOCK])
            out.truncate(offset + DISK_BYTES + BLOCK)

    def keep(self, cut, disk):
        cut.image = self.image_count * (DISK_BYTES + BLOCK)
        self.put(self.images, cut.image, disk)
        self.image_count += 1

    def mount_all(self):
        offsets = os.path.join(self.folder, "offsets")
        with open(offsets, "w") as out:
            out.writelines(f"{cut.image}\n" for cut in self.cuts)
        return self.boot("mount_images", "--second-disk", self.images, RIG_OFFSETS=offsets)

    def take_out(self, image, offset, folder):
        """The files of a disk that the guest mounted and unmounted."""
        self.call("e2fsck", "-f", "-n", f"{image}?offset={offset}")
        os.makedirs(folder)
        self.call("debugfs", "-R", f"rdump / {folder}", f"{image}?offset={offset}")
        return os.path.join(folder, "boat.db")

    def examine(self, cut):
        """Returns what was lost (s)."""
        folder = os.path.join(self.folder, f"image{cut.image}")
        try:
            log = self.take_out(self.images, cut.image, folder)
            heard = self.heard[cut.number]
            start_ns = heard.times_ns[0]
            pieces = self.pieces[:cut.number]
            kept_ns = max((last for _, last in pieces), default=0)
            raw_ns = 0
            if os.path.exists(log):
                raw_ns = absorb(self.build, log)
                assert sound(log), "the log is not sound"
                checks = json.loads(self.call(os.path.join(self.build, "sightbowl"), "check",
                                              "--no-machine", "--json", "--db", log))["checks"]
                assert [c["result"] for c in checks if c["subject"] == "log"] == ["ok"], checks
            last_heard = bisect.bisect_right(heard.times_ns, cut.now_ns) - 1
            lost_ns = 0
            if last_heard >= 0:
                lost_ns = max(0, heard.times_ns[last_heard] - max(raw_ns, start_ns))
            assert lost_ns <= BOUND_S * NS, ("lost", lost_ns / NS)
            assert raw_ns >= kept_ns, "what an earlier start had kept was lost"
            assert raw_ns <= cut.now_ns, "it knows what came after the cut"
            if raw_ns >= start_ns:
                pieces = pieces + [(start_ns, raw_ns)]
            else:
                assert raw_ns == kept_ns, "a time that nobody heard"
            self.compare(log, pieces, cut.number, folder, False)
            return lost_ns / NS
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def compare(self, log, pieces, number, folder, whole):
        """With the replay of what was heard in a round, and in those before it up to the cut that it began with."""
        if not pieces:
            return
        times_ns, lines = [], []
        for before, heard in enumerate(self.heard[:number + 1]):
            upto = len(heard.lines)
            if before < number:
                upto = bisect.bisect_right(heard.times_ns, self.chosen[before].now_ns)
            times_ns += heard.times_ns[:upto]
            lines += heard.lines[:upto]
        assert all(a < b for a, b in zip(times_ns, times_ns[1:]))
        truth = os.path.join(folder, "truth.db")
        replay(self.build, self.config, truth, Frames(times_ns, lines), pieces, folder)
        as_replayed(log, truth, whole)

    def kept_of(self, number):
        """What the chosen cut of a round kept of it, as a piece of the timeline that went on from it."""
        cut = self.chosen[number]
        folder = os.path.join(self.folder, "chosen")
        log = self.take_out(self.images, cut.image, folder)
        raw_ns = absorb(self.build, log)
        shutil.rmtree(folder)
        assert raw_ns >= self.heard[number].times_ns[0], "a cut so late leaves something of its round"
        return (self.heard[number].times_ns[0], raw_ns)


def main():
    count, build = int(sys.argv[1]), os.path.abspath(sys.argv[2])
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    rounds = max(2, -(-count // IMAGES_A_ROUND))
    missing = [tool for tool in ("mke2fs", "e2fsck", "debugfs") if shutil.which(tool) is None]
    if missing:
        print(f"SKIPPED: no power was cut: install e2fsprogs first ({', '.join(missing)})", file=sys.stderr)
        return SKIPPED
    memory = "/dev/shm"
    folder = os.path.realpath(tempfile.mkdtemp(
        prefix="sightbowl-cuts.", dir=memory if os.access(memory, os.W_OK) else None))
    started = time.monotonic()
    voyage = Voyage(build, folder, seed)
    failures = []

    def examine(cut):
        try:
            return voyage.examine(cut)
        except Exception:
            failures.append((cut, traceback.format_exc()))
            return float("nan")

    try:
        for number in range(rounds):
            voyage.watch(number, False)
        voyage.watch(rounds, True)
        told = voyage.mount_all()
        voyage.pieces = [voyage.kept_of(number) for number in range(rounds)]
        with ThreadPoolExecutor(2) as pool:
            losses = sorted(pool.map(examine, voyage.cuts))
        last = voyage.heard[-1]
        log = voyage.take_out(voyage.disk, 0, os.path.join(folder, "last"))
        assert sound(log), "the log is not sound"
        absorb(build, log)
        voyage.compare(log, voyage.pieces + [(last.times_ns[0], last.times_ns[-1])],
                       rounds, os.path.join(folder, "last"), True)
        assert len(losses) >= count
    except SystemExit:
        shutil.rmtree(folder)
        raise
    except Exception:
        failures.append(("the voyage", traceback.format_exc()))
    for what, trace in failures[:3]:
        print(f"{what}:\n{trace}", file=sys.stderr)
    if failures:
        print(f"{len(failures)} failures; left as it was: {folder}", file=sys.stderr)
        return 1
    recovered = [line for line in told if "recovered" in line][0].split()[2]
    print(f"power cuts, seed {seed}: {len(losses)} disks of {rounds} cuts ({recovered} recovered from "
          f"their journal), file system and log sound on each; lost at most {losses[-1]:.1f} s, median "
          f"{losses[len(losses) // 2]:.1f} s; {rounds} starts went on where the cut before had left "
          f"the log ({time.monotonic() - started:.0f} s)")
    shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
