#!/usr/bin/env python3
"""The daemon starts while its log's disk is full or read-only: it watches, tells, and logs what it saw as soon as the
disk lets it, as if nothing had been; who reads the log meanwhile reads what it has."""
import ctypes
import errno
import glob
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import time
import unittest

from live_season import differences, rows, write_config
from sightbowl_program import PROGRAM, ProgramTest, run
from test_old_logs import CUT, END, FOLDER, write_frames

SHIM = os.environ.get("SEASON_BUS", "")
PATIENCE_S = 120
SPEED = 1000
CLONE_NEWNS, CLONE_NEWUSER = 0x00020000, 0x10000000  # <linux/sched.h>
MS_RDONLY, MS_REMOUNT, MS_REC, MS_PRIVATE = 1, 32, 16384, 1 << 18  # <sys/mount.h>
LIBC = ctypes.CDLL(None, use_errno=True)


def mount(source, target, kind, flags, options):
    if LIBC.mount(source, target.encode(), kind, flags, options) != 0:
        raise OSError(ctypes.get_errno(), "mount")


def become_able_to_mount():
    """File systems of this process' own: as root, else in a user name space where the kernel permits that."""
    user, group = os.getuid(), os.getgid()
    if LIBC.unshare(CLONE_NEWNS) != 0:
        if LIBC.unshare(CLONE_NEWNS | CLONE_NEWUSER) != 0:
            return False
        for name, text in (("setgroups", "deny"), ("uid_map", f"0 {user} 1"), ("gid_map", f"0 {group} 1")):
            with open("/proc/self/" + name, "w", encoding="ascii") as file:
                file.write(text)
    try:
        mount(None, "/", None, MS_REC | MS_PRIVATE, None)
    except OSError:
        return False
    return True


ABLE = os.path.exists(SHIM) and become_able_to_mount()


class Disk:
    """A small file system in memory on a folder, which can be made full or read-only, and well again."""

    def __init__(self, folder):
        os.makedirs(folder)
        self.folder, self.ballast = folder, os.path.join(folder, "ballast")
        mount(b"none", folder, b"tmpfs", 0, b"size=16m")

    def fill(self):
        fd = os.open(self.ballast, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            while True:
                os.write(fd, bytes(4096))
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
        finally:
            os.close(fd)

    def trouble(self, kind):
        if kind == "full":
            self.fill()
        else:
            mount(None, self.folder, None, MS_REMOUNT | MS_RDONLY, None)

    def mend(self, kind):
        if kind == "full":
            os.remove(self.ballast)
        else:
            mount(None, self.folder, None, MS_REMOUNT, None)

    def remove(self):
        LIBC.umount2(self.folder.encode(), 2)  # MNT_DETACH


@unittest.skipUnless(ABLE, "SKIPPED: needs the right to mount a file system, and a program that takes a preloaded bus")
class StartInTrouble(ProgramTest):
    def setUp(self):
        super().setUp()
        self.done("demo", "--write-only", "--folder", self.folder, "--compression", "none", "--hours", 4, "--seed", 11)
        with open(self.path("season.log"), encoding="ascii") as season:
            lines = season.readlines()
        self.pieces = [self.path("early.log"), self.path("late.log")]
        # Between two runs: where a running engine falls silent, that is told live, and cannot be in a replay.
        times = [float(line[1:line.index(")")]) for line in lines]
        cuts = [i for i in range(1, len(lines)) if times[i] - times[i - 1] > 600]
        for path, part in zip(self.pieces, (lines[cuts[0] - 100000:cuts[0]], lines[cuts[0]:cuts[1]])):
            with open(path, "w", encoding="ascii") as out:
                out.writelines(part)
        self.config = write_config(self.folder)
        self.disk = Disk(self.path("disk"))
        self.log = os.path.join(self.disk.folder, "live.db")
        self.watch = None

    def tearDown(self):
        if self.watch is not None and self.watch.poll() is None:
            self.watch.kill()
            self.watch.wait()
        self.disk.remove()
        super().tearDown()

    def start(self, piece, speed=SPEED):
        with open(self.path("watch.err"), "w", encoding="utf-8") as errors:
            self.watch = subprocess.Popen(
                [PROGRAM, "watch", "--db", self.log, "--config", self.config], stderr=errors,
                env={"PATH": os.environ["PATH"], "LD_PRELOAD": SHIM, "SEASON_BUS_LOG": piece,
                     "SEASON_BUS_SPEED": str(speed), "SEASON_BUS_DONE": self.path("done")})

    def said(self):
        with open(self.path("watch.err"), encoding="utf-8") as file:
            return file.read()

    def wait_for(self, happened, what):
        end = time.monotonic() + PATIENCE_S
        while not happened():
            self.assertTrue(time.monotonic() < end and self.watch.poll() is None, f"{what}: {self.said()}")
            time.sleep(0.05)

    def wait_said(self, words):
        self.wait_for(lambda: words in self.said(), words)

    def end(self):
        """When all was heard; nothing was lost."""
        self.wait_for(lambda: os.path.exists(self.path("done")), "all is heard")
        time.sleep(0.5)
        self.watch.send_signal(signal.SIGTERM)
        self.assertEqual(self.watch.wait(PATIENCE_S), 0, self.said())
        self.assertNotIn("dropped", self.said())
        os.remove(self.path("done"))

    def assert_as_replayed(self, *pieces):
        replayed = self.path("replayed.db")
        for piece in pieces:
            status, _, error = run("replay", "--db", replayed, "--config", self.config, piece)
            self.assertEqual(status, 0, error)
        self.assertGreaterEqual(len(rows(replayed, "runs")), 1)
        self.assertEqual(differences(self.log, replayed), [])

    def contents(self):
        """The files that a daemon may change, as they are."""
        contents = {}
        for name in ("", "-wal", "-batch"):
            if os.path.exists(self.log + name):
                with open(self.log + name, "rb") as file:
                    contents[name] = file.read()
        return {name: content for name, content in contents.items() if content != b""}

    def judge_readers(self, kind, unseen):
        """Who reads a log on such a disk reads it whole, and is told of what is only in the batch file; status tells
        of the disk."""
        why = "its disk is full" if kind == "full" else "its file system is read-only"
        status, out, error = run("runs", "--db", self.log, "--json")
        self.assertEqual(status, 0)
        if unseen:
            self.assertRegex(error, r"^sightbowl runs: what was kept last, up to 20..-..-..T..:..:..Z, is in "
                             + f"'{self.log}-batch' and not yet in the log: {why}\n$")
        elif unseen is not None:
            self.assertEqual(error, "")
        runs = len(json.loads(out)["runs"])
        for command in ("trips", "events", "elements"):
            self.assertEqual(run(command, "--db", self.log)[0], 0)
        status, out, _ = run("status", "--db", self.log, "--json")
        self.assertEqual(status, 0)
        says = [row["says"] for row in json.loads(out)["reasons"] if row["about"] == "log"]
        self.assertIn(f"nothing can be written into it: {why}; what happens now is not in it yet", says)
        _, out, _ = run("check", "--db", self.log, "--config", self.config, "--json")
        found = {row["subject"]: row["result"] for row in json.loads(out)["checks"]}
        self.assertEqual((found["log"], found["disk"]), ("ok", "failed"))
        return runs

    def go_through(self, kind, killed):
        """A log that was left in order, or by a kill; a start in trouble, which is killed; another, which is let."""
        self.start(self.pieces[0])
        if killed:
            # All was heard and is in the log or the batch file; then it is killed, and leaves a write-ahead log as well.
            self.wait_for(lambda: os.path.exists(self.path("done")), "all is heard")
            time.sleep(0.5)
            self.watch.kill()
            self.watch.wait()
            os.remove(self.path("done"))
        else:
            self.end()
        self.disk.trouble(kind)
        before = self.contents()
        # A write-ahead log that is there can be written, up to its length, on a full disk too.
        untouched = kind == "read-only" or not killed
        self.start(self.pieces[1])
        self.wait_said("it goes on watching")
        self.wait_said("can0: listening")
        runs = self.judge_readers(kind, unseen=killed if untouched else None)
        self.assertTrue(runs >= 1 or killed)
        time.sleep(1)
        self.watch.kill()
        self.watch.wait()
        self.assertTrue(self.contents() == before or not untouched)
        if os.path.exists(self.path("done")):
            os.remove(self.path("done"))
        self.start(self.pieces[1])
        self.wait_said("it goes on watching")
        second, _, error = run("watch", "--db", self.log, "--config", self.config)
        self.assertEqual(second, 1)
        self.assertIn("is being written by another sightbowl", error)
        time.sleep(1)
        self.assertTrue(self.contents() == before or not untouched)
        self.disk.mend(kind)
        self.wait_said("the log is written again")
        self.end()
        self.assert_as_replayed(*self.pieces)

    def test_a_full_disk(self):
        self.go_through("full", killed=False)

    def test_a_read_only_disk(self):
        self.go_through("read-only", killed=False)

    def test_a_full_disk_after_a_kill(self):
        self.go_through("full", killed=True)

    def test_a_read_only_disk_after_a_kill(self):
        self.go_through("read-only", killed=True)

    def test_a_log_that_cannot_be_made_yet(self):
        for kind in ("full", "read-only"):
            self.disk.trouble(kind)
            self.start(self.pieces[1])
            self.wait_said("it goes on watching")
            status, _, error = run("runs", "--db", self.log)
            self.assertEqual(status, 1)
            self.assertRegex(error, "there is no log '.*, and nothing can be written: its "
                             + ("disk is full" if kind == "full" else "file system is read-only"))
            time.sleep(1)
            self.disk.mend(kind)
            self.wait_said("the log is written again")
            self.end()
            self.assert_as_replayed(self.pieces[1])
            for path in (self.log, self.log + "-batch", self.path("replayed.db")):
                os.remove(path)

    def test_a_log_of_an_older_version(self):
        rest = self.path("rest.log")
        write_frames(rest, CUT, END + 60)
        for name in sorted(glob.glob(os.path.join(FOLDER, "log_version_*.sql"))):
            logs = []
            for kind in (None, "full", "read-only"):
                with self.subTest(log=name, kind=kind):
                    log = sqlite3.connect(self.log)
                    with open(name, encoding="utf-8") as file:
                        log.executescript(file.read())
                    log.close()
                    if kind is not None:
                        self.disk.trouble(kind)
                    self.start(rest, speed=400)
                    if kind is not None:
                        self.wait_said("it goes on watching")
                        time.sleep(0.5)
                        self.disk.mend(kind)
                        self.wait_said("the log is written again")
                    self.end()
                    logs.append(self.path(f"{kind}.db"))
                    shutil.move(self.log, logs[-1])
                    os.remove(self.log + "-batch")
                    self.assertEqual(differences(logs[0], logs[-1]), [])
            for path in logs:
                os.remove(path)

    def test_a_disk_that_has_room_for_a_moment(self):
        self.start(self.pieces[0])
        self.end()
        self.disk.fill()
        self.start(self.pieces[1], speed=300)
        self.wait_said("it goes on watching")
        for _ in range(3):
            time.sleep(0.4)
            self.disk.mend("full")
            time.sleep(0.4)
            self.disk.fill()
        self.disk.mend("full")
        self.wait_said("the log is written again")
        self.end()
        self.assert_as_replayed(*self.pieces)

    def test_a_stop_while_it_waits_says_what_it_costs(self):
        self.disk.trouble("read-only")
        self.start(self.pieces[1])
        self.wait_said("it goes on watching")
        self.wait_said("can0: listening")
        time.sleep(0.5)
        self.watch.send_signal(signal.SIGTERM)
        self.assertEqual(self.watch.wait(PATIENCE_S), 1)
        self.assertIn("ended without a complete log", self.said())
        self.assertEqual(os.listdir(self.disk.folder), [])

    def test_a_log_that_another_program_wrote_meanwhile_ends_it(self):
        self.start(self.pieces[0])
        self.end()
        os.remove(self.log + ".lock")  # as where the log is a copy
        self.disk.trouble("read-only")
        self.start(self.pieces[1], speed=100)
        self.wait_said("it goes on watching")
        self.wait_said("can0: listening")
        os.kill(self.watch.pid, signal.SIGSTOP)
        self.disk.mend("read-only")
        status, _, error = run("replay", "--db", self.log, "--config", self.config, self.pieces[1])
        self.assertEqual(status, 0, error)
        os.kill(self.watch.pid, signal.SIGCONT)
        self.assertEqual(self.watch.wait(PATIENCE_S), 1)
        self.assertIn("is not as it was left", self.said())
        self.assert_as_replayed(*self.pieces)

    def test_a_mistake_is_no_trouble_to_be_waited_for(self):
        for kind in ("full", "read-only"):
            with open(os.path.join(self.disk.folder, "diary"), "w", encoding="ascii") as diary:
                diary.write("dear diary\n")
            self.disk.trouble(kind)
            for log, words in ((os.path.join(self.disk.folder, "diary"), "is not a log of this program"),
                               (os.path.join(self.disk.folder, "no", "boat.db"), "No such file or directory"),
                               (self.disk.folder, "is a folder, not a log")):
                status, _, error = run("watch", "--db", log, "--config", self.config)
                self.assertEqual(status, 1)
                self.assertIn(words, error)
                self.assertNotIn("it goes on watching", error)
            self.disk.mend(kind)


if __name__ == "__main__":
    unittest.main()
