#!/usr/bin/env python3
"""SIGHUP of the daemon: what it takes at once and what it loses by that (nothing), and what is done to it by
signals that come thick, by a file that is half written, and by an end in the middle."""
import os
import signal
import socket
import sqlite3
import subprocess
import threading
import time
import unittest
import urllib.request

from live_season import FULL_RATE, differences, full_bus, play
from sightbowl_program import PROGRAM, ProgramTest, run

SHIM = os.environ.get("SEASON_BUS", "")
PATIENCE_S = 60
REREAD = "the configuration was reread"
WAITED = "watch: nocan"  # whatever is said of a bus that is not there


class Bus(ProgramTest):
    """On a bus that is full all the time."""

    def unpacked(self, *folders):
        """The frames of all captures in these folders, sorted, without what differs by nature."""
        lines = []
        for folder in folders:
            for name in sorted(os.listdir(folder)):
                done = subprocess.run(["zstd", "-dc", os.path.join(folder, name)], capture_output=True, text=True,
                                      check=True, timeout=PATIENCE_S)
                lines += done.stdout.splitlines()
        return sorted(lines)

    def replace(self, path, text):
        """As one should: the file is never half there. Made long ago, so that nothing waits for it."""
        with open(path + ".new", "w", encoding="utf-8") as file:
            file.write(text)
        os.utime(path + ".new", (1777000000, 1777000000))
        os.rename(path + ".new", path)

    @unittest.skipUnless(os.path.exists(SHIM), "SKIPPED: a sanitized program takes no preloaded bus")
    def through_signals(self, minutes, speed, configurations):
        """A full bus, and another of the configurations by SIGHUP each 20 ms; returns what was said, and how
        many signals there were."""
        capture = self.path("season.log")
        full_bus(capture, minutes)
        config = self.path("watch.conf")
        self.replace(config, configurations[0])
        sent = []

        class Signaller:
            def __init__(self, test):
                self.test = test

            def __call__(self, log):
                pid = int(subprocess.run(["pgrep", "-f", log], capture_output=True, text=True,
                                         check=True).stdout.split()[0])
                for _ in range(40):
                    if os.path.exists(self.test.path("done")):
                        return
                    sent.append(1)
                    self.test.replace(config, configurations[len(sent) % len(configurations)])
                    os.kill(pid, signal.SIGHUP)
                    time.sleep(0.02)

        measured = play(PROGRAM, SHIM, self.folder, capture, speed, config, meanwhile=Signaller(self))
        self.assertEqual(measured["status"], 0, measured["said"])
        self.assertNotIn("dropped", measured["said"])
        self.assertGreater(measured["said"].count(REREAD), 50)
        self.assertNotIn("stays", measured["said"])
        return measured["said"]

    def assert_as_replayed(self):
        status, _, error = run("replay", "--db", self.path("replayed.db"), "--config", self.path("watch.conf"),
                               self.path("season.log"))
        self.assertEqual(status, 0, error)
        self.assertEqual(differences(self.path("live.db"), self.path("replayed.db")), [])

    def test_a_full_bus_loses_no_frame_over_many_signals(self):
        folders = [self.path("one"), self.path("other")]
        begin = "[bus can0]\n[web]\nlisten = none\n"
        said = self.through_signals(2, 20, [
            f"{begin}[log]\ncapture_folder = {folders[0]}\n",
            f"{begin}[log]\ncapture_folder = {folders[1]}\ncapture_mb = 400\n",
            f"{begin}[bus can7]\n[log]\ncapture_folder = {folders[1]}\n",
        ])
        with open(self.path("season.log"), encoding="ascii") as file:
            sent = sorted(file.read().splitlines())
        self.assertEqual(len(sent), 2 * 60 * FULL_RATE)
        kept = self.unpacked(*folders)
        self.assertEqual(len(kept), len(sent), said)
        self.assertEqual(kept, sent)
        self.assertGreater(min(len(os.listdir(folder)) for folder in folders), 10)
        self.assert_as_replayed()

    def test_recording_that_goes_on_and_off_costs_the_log_nothing(self):
        begin = "[bus can0]\n[web]\nlisten = none\n"
        self.through_signals(2, 20, [
            begin, f"{begin}[log]\ncapture_folder = {self.path('captures')}\n",
        ])
        self.assert_as_replayed()
        self.assertGreater(len(os.listdir(self.path("captures"))), 10)


class Watching(ProgramTest):
    """Without a bus: it waits for one."""

    WEB = "[web]\nlisten = none\n"

    def setUp(self):
        super().setUp()
        self.config = self.path("boat.conf")
        self.errors = open(self.path("errors"), "w+", encoding="utf-8")
        self.watch = None
        self.told = 0

    def tearDown(self):
        if self.watch is not None and self.watch.poll() is None:
            self.watch.kill()
            self.watch.wait()
        self.errors.close()
        super().tearDown()

    def configure(self, text, web=WEB):
        """Replaces the file as one should; it was written long ago."""
        with open(self.config + ".new", "w", encoding="utf-8") as file:
            file.write(web + text)
        os.utime(self.config + ".new", (1777000000, 1777000000))
        os.rename(self.config + ".new", self.config)

    def start(self, *arguments, wait_for="watch: nocan"):
        self.watch = subprocess.Popen(
            [PROGRAM, "watch", "--config", self.config, *(arguments or ("--db", self.path("boat.db")))],
            stderr=self.errors, env={"PATH": os.environ["PATH"]})
        if wait_for is not None:
            self.wait_for(wait_for)

    def said(self):
        """Since the last signal."""
        with open(self.path("errors"), encoding="utf-8") as file:
            return file.read()[self.told:]

    def wait_for(self, words, times=1):
        end = time.monotonic() + PATIENCE_S
        while self.said().count(words) < times:
            self.assertIsNone(self.watch.poll(), self.said())
            self.assertLess(time.monotonic(), end, self.said())
            time.sleep(0.02)
        return self.said()

    def signal(self):
        self.told = os.path.getsize(self.path("errors"))
        self.watch.send_signal(signal.SIGHUP)

    def reread(self):
        self.signal()
        said = self.wait_for(REREAD)
        self.assertNotIn("stays", said)
        return said

    def refused(self, words):
        self.signal()
        said = self.wait_for("the old configuration stays")
        self.assertIn(words, said)
        self.assertNotIn(REREAD, said)
        return said

    def stop(self):
        self.watch.send_signal(signal.SIGTERM)
        self.assertEqual(self.watch.wait(PATIENCE_S), 0, self.said())
        database = sqlite3.connect(f"file:{self.path('boat.db')}?mode=ro", uri=True)
        self.assertEqual(database.execute("PRAGMA integrity_check").fetchone(), ("ok",))
        database.close()

    def test_a_path_that_needs_a_restart_is_told_where_it_would_be_taken(self):
        self.configure(f"[log]\npath = {self.path('boat.db')}\n")
        self.start("--bus", "nocan9")
        self.configure(f"[log]\npath = {self.path('other.db')}\n")
        for _ in range(2):
            self.assertIn(f"[log] path needs a restart; '{self.path('boat.db')}' stays the log",
                          self.wait_for_reread())
        self.assertFalse(os.path.exists(self.path("other.db")))
        self.stop()
        self.start("--bus", "nocan9", "--db", self.path("boat.db"))
        self.configure("")
        self.assertNotIn("restart", self.wait_for_reread())
        self.stop()

    def wait_for_reread(self):
        self.signal()
        return self.wait_for(REREAD)

    def test_a_capture_folder_that_cannot_be_made_keeps_the_old_configuration_as_a_whole(self):
        self.configure("[bus nocan9]\n")
        self.start()
        wrong = f"[log]\ncapture_folder = {self.path('not/there')}\n"
        self.configure(f"[bus nocan8]\n{wrong}")
        said = self.refused(f"raw frames cannot be kept in '{self.path('not/there')}': No such file or directory")
        self.assertNotIn("nocan8", said)
        os.mkdir(self.path("not"))
        self.assertIn("nocan8", self.reread())
        self.assertTrue(os.path.isdir(self.path("not/there")))
        # It goes while it is recorded into: no reason to refuse what else is new.
        os.rmdir(self.path("not/there"))
        os.rmdir(self.path("not"))
        self.configure(f"[bus nocan7]\n{wrong}")
        self.assertIn("nocan7", self.reread())
        self.stop()

    def page(self, address):
        # The test asks itself: no proxy.
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(f"http://{address}/api/v1/coverage", timeout=PATIENCE_S) as answer:
            return answer.status

    def free_port(self):
        with socket.socket() as door:
            door.bind(("127.0.0.1", 0))
            return door.getsockname()[1]

    def test_the_page_stays_moves_or_stays_because_it_cannot_move(self):
        port, other = self.free_port(), self.free_port()
        served = f"[web]\nlisten = 127.0.0.1:{port}\n"
        self.configure("[bus nocan9]\n", web=served)
        self.start()
        self.assertEqual(self.page(f"127.0.0.1:{port}"), 200)
        # Whoever follows its live values is not cut off where nothing has changed.
        follower = socket.create_connection(("127.0.0.1", port))
        follower.settimeout(3)
        follower.sendall(b"GET /api/v1/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        self.assertTrue(follower.recv(4096).startswith(b"HTTP/1.1 200"))
        self.assertNotIn("page", self.reread())
        try:
            while True:
                self.assertNotEqual(follower.recv(4096), b"")
        except TimeoutError:
            pass
        follower.close()
        # A port that is taken, and an address that is not this machine's (RFC 5737: of documentation).
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", other))
            taken.listen()
            self.configure("[bus nocan8]\n", web=f"[web]\nlisten = 127.0.0.1:{other}\n")
            self.assertNotIn("nocan8", self.refused("Address already in use"))
        self.assertEqual(self.page(f"127.0.0.1:{port}"), 200)
        self.configure("[bus nocan8]\n", web="[web]\nlisten = 192.0.2.1:%d\n"
                       "password = $argon2id$v=19$m=7168,t=5,p=1$c2FsdHNhbHRzYWx0c2FsdA$"
                       "cGFzc3dvcmRwYXNzd29yZHBhc3N3b3JkcGFzc3dvcmQ\n" % port)
        self.refused("Cannot assign requested address")
        self.assertEqual(self.page(f"127.0.0.1:{port}"), 200)
        # What can be taken: another address on its port, another port, the same with other settings, none.
        for turn, address in enumerate((f"127.0.0.2:{port}", f"127.0.0.1:{other}", f"127.0.0.1:{other}")):
            self.configure(f"[bus nocan{turn}]\n", web=f"[web]\nlisten = {address}\n")
            self.reread()
            self.assertEqual(self.page(address), 200)
        self.configure("[bus nocan8]\n")
        self.reread()
        with self.assertRaises(OSError):
            self.page(f"127.0.0.1:{other}")
        self.stop()

    def test_buses_in_another_order_or_of_another_name_are_the_same_or_others(self):
        names = [f"nocan{i}" for i in range(8)]
        self.configure("".join(f"[bus {name}]\n" for name in names))
        self.start()
        self.wait_for(WAITED, 8)
        for turn in range(20):
            order = names[turn % 8:] + names[:turn % 8]
            self.configure("".join(f"[bus {name}]\nrestart_s = {turn % 3}\n" for name in
                                   (order if turn % 2 else reversed(order))))
            self.assertNotIn(WAITED, self.reread())
        self.configure("".join(f"[bus {name}]\n" for name in names[:7]))
        self.assertNotIn(WAITED, self.reread())
        self.configure("".join(f"[bus {name}]\n" for name in names[:7] + ["nocan9"]))
        self.assertNotIn(WAITED, self.refused("at most 8 buses"))
        self.configure("".join(f"[bus {name}]\n" for name in names))
        self.assertEqual(self.reread().count(WAITED), 1)
        self.stop()

    def test_a_bus_renamed_and_back_is_waited_for_each_time(self):
        self.configure("[bus nocan1]\n")
        self.start()
        for name in ("nocan2", "nocan1") * 5:
            self.configure(f"[bus {name}]\n")
            said = self.reread()
            self.assertEqual(said.count(WAITED), 1)
            self.assertIn(f"{name}: ", said)
        self.stop()

    def test_a_file_that_is_being_written_is_waited_for(self):
        self.configure("[bus nocan1]\n")
        self.start()
        with open(self.config, "w", encoding="utf-8") as file:
            file.write(self.WEB + "[bus nocan1]\n[bus nocan2]\n")
            file.flush()
            self.signal()
            for name in ("nocan3", "nocan4", "nocan5"):
                time.sleep(0.3)
                file.write(f"[bus {name}]\n")
                file.flush()
        said = self.wait_for(REREAD)
        self.assertEqual(said.count(WAITED), 4)
        self.assertEqual(said.count(REREAD), 1)
        self.stop()

    def test_a_file_that_is_written_all_the_time_is_not_waited_for_for_ever(self):
        self.configure("[bus nocan1]\n")
        self.start()
        over = threading.Event()

        def write():
            while not over.wait(0.1):
                with open(self.config, "a", encoding="utf-8") as file:
                    file.write("; and more\n")

        writer = threading.Thread(target=write)
        writer.start()
        time.sleep(0.3)
        begin = time.monotonic()
        try:
            self.reread()
        finally:
            over.set()
            writer.join()
        self.assertGreater(time.monotonic() - begin, 4)
        self.stop()

    def test_an_empty_file_is_no_configuration(self):
        self.configure("[bus nocan1]\n")
        self.start()
        self.configure("", web="")
        self.refused("is empty")
        self.configure("[notify]\ncommand = \"/bin/true\n")
        self.refused("each quote closed")
        self.stop()

    def test_a_storm_of_signals_is_answered_and_ended(self):
        self.configure("[bus nocan1]\n")
        self.start()
        sent = 0
        begin = time.monotonic()
        while time.monotonic() - begin < 3:
            if sent % 100 == 0:
                self.configure(f"[bus nocan1]\n[log]\ncapture_folder = {self.path('abc'[sent // 100 % 3])}\n")
            self.watch.send_signal(signal.SIGHUP)
            sent += 1
            time.sleep(0.001)
        self.assertGreater(sent, 500)
        took_s = time.monotonic() - begin
        self.watch.send_signal(signal.SIGTERM)
        self.assertEqual(self.watch.wait(10), 0)
        self.assertLessEqual(self.said().count(REREAD), took_s / 0.05 + 2)
        self.assertGreater(self.said().count(REREAD), 5)

    def test_signals_while_it_begins_and_ends_do_no_harm(self):
        self.configure("[bus nocan1]\n")
        for turn in range(12):
            self.told = os.path.getsize(self.path("errors"))
            self.start(wait_for=None)
            while not os.path.exists(self.path("boat.db")):
                self.assertIsNone(self.watch.poll(), self.said())
            for _ in range(turn):
                self.watch.send_signal(signal.SIGHUP)
                time.sleep(0.003)
            self.wait_for(WAITED)
            self.watch.send_signal(signal.SIGHUP)
            self.watch.send_signal(signal.SIGTERM)
            while self.watch.poll() is None:
                self.watch.send_signal(signal.SIGHUP)
            self.assertEqual(self.watch.returncode, 0, self.said())
            os.remove(self.path("boat.db"))
            os.remove(self.path("boat.db-batch"))


if __name__ == "__main__":
    unittest.main()
