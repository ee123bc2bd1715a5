#!/usr/bin/env python3
"""The daemon as a service: what is installed and where, what systemd thinks of the unit, and how watch speaks
to its service manager (sd_notify(3)), rereads its configuration and ends."""
import configparser
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import time
import unittest

from sightbowl_program import PROGRAM, ProgramTest

BUILD = os.path.dirname(PROGRAM)
PATIENCE_S = 120
SEASON_BUS = os.environ.get("SEASON_BUS", "")


def systemd_analyze(*arguments):
    return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, timeout=PATIENCE_S)


class Installed(ProgramTest):
    def setUp(self):
        super().setUp()
        done = subprocess.run(["cmake", "--install", BUILD, "--prefix", "/usr"], capture_output=True, text=True,
                              env={**os.environ, "DESTDIR": self.folder}, timeout=PATIENCE_S)
        self.assertEqual(done.returncode, 0, done.stderr)

    def installed(self, path):
        return self.path(path.lstrip("/"))

    def test_everything_is_where_it_belongs(self):
        found = sorted(os.path.relpath(os.path.join(folder, name), self.folder)
                       for folder, _, names in os.walk(self.folder) for name in names)
        self.assertEqual(found, [
            "usr/bin/sightbowl",
            "usr/lib/systemd/system/sightbowl.service",
            "usr/lib/sysusers.d/sightbowl.conf",
            "usr/share/doc/sightbowl/80-can0.network",
            "usr/share/doc/sightbowl/sightbowl.conf.example"])
        out = subprocess.run([self.installed("/usr/bin/sightbowl"), "--version"], capture_output=True,
                             text=True, timeout=PATIENCE_S)
        self.assertEqual(out.returncode, 0, out.stderr)

    def test_the_example_configuration_is_a_right_one(self):
        self.done("check", "--no-machine", "--config",
                  self.installed("/usr/share/doc/sightbowl/sightbowl.conf.example"))

    def test_the_example_network_has_only_keys_that_networkd_knows(self):
        # systemd.network(5).
        known = {"Match": {"Name"}, "CAN": {"BitRate", "ListenOnly", "RestartSec"},
                 "Link": {"RequiredForOnline"}}
        network = configparser.ConfigParser(delimiters="=", comment_prefixes="#", strict=True)
        network.optionxform = str
        network.read(self.installed("/usr/share/doc/sightbowl/80-can0.network"))
        for section in network.sections():
            self.assertLessEqual(set(network[section]), known[section])
        self.assertEqual(network["CAN"]["BitRate"], "250K")
        self.assertEqual(network["CAN"]["ListenOnly"], "yes")

    @unittest.skipUnless(shutil.which("systemd-analyze"), "SKIPPED: no systemd here")
    def test_systemd_finds_no_fault_with_the_unit(self):
        with open(self.installed("/usr/lib/systemd/system/sightbowl.service"), encoding="utf-8") as file:
            text = file.read()
        unit = self.path("sightbowl.service")
        self.assertIn("/bin/sightbowl watch", text)
        with open(unit, "w", encoding="utf-8") as file:
            # The build's program stands for the one that would be installed.
            file.write(re.sub(r"ExecStart=\S+", "ExecStart=" + PROGRAM, text))
        done = systemd_analyze("verify", unit)
        self.assertEqual((done.returncode, done.stdout, done.stderr), (0, "", ""))
        done = systemd_analyze("security", "--offline=true", unit)
        if done.returncode != 0 and "offline" in done.stderr:
            self.skipTest("SKIPPED: this systemd cannot judge a unit offline")
        score = float(re.search(r"exposure level for sightbowl\.service: ([0-9.]+)", done.stdout).group(1))
        self.assertLessEqual(score, 2.0, done.stdout)


class Watch(ProgramTest):
    """watch without a bus: it waits for one."""

    def setUp(self):
        super().setUp()
        self.notices = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.notices.bind(self.path("notify"))
        self.notices.settimeout(PATIENCE_S)
        self.config = self.path("boat.conf")
        self.configure("")
        self.errors = open(self.path("errors"), "w+", encoding="utf-8")
        self.watch = None
        self.last_notice = None

    def tearDown(self):
        if self.watch is not None and self.watch.poll() is None:
            self.watch.kill()
            self.watch.wait()
        self.errors.close()
        self.notices.close()
        super().tearDown()

    def configure(self, more):
        with open(self.config, "w", encoding="utf-8") as file:
            file.write("[bus nocan9]\n[web]\nlisten = none\n" + more)

    def start(self, watchdog_us=None, more=None):
        environment = {"PATH": os.environ["PATH"], "NOTIFY_SOCKET": self.path("notify"), **(more or {})}
        if watchdog_us is not None:
            environment["WATCHDOG_USEC"] = str(watchdog_us)
        self.watch = subprocess.Popen(
            [PROGRAM, "watch", "--db", self.path("boat.db"), "--config", self.config],
            stderr=self.errors, env=environment)

    def expect(self, wanted):
        """The next notice that is none of the watchdog's must hold this line."""
        while True:
            lines = self.notices.recv(4096).decode().split("\n")
            if lines != ["WATCHDOG=1"]:
                self.assertIn(wanted, lines)
                return lines

    def expect_status(self):
        lines = self.notices.recv(4096).decode().split("\n")
        self.assertEqual(len(lines), 1, lines)
        return lines[0]

    def expect_said(self, words):
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            with open(self.path("errors"), encoding="utf-8") as file:
                said = file.read()
            if words in said:
                return said
            time.sleep(0.05)
        self.fail(f"never said {words!r}, but: {said}")
        return None

    def stop(self):
        self.watch.send_signal(signal.SIGTERM)
        self.expect("STOPPING=1")
        self.assertEqual(self.watch.wait(PATIENCE_S), 0)

    def test_it_is_ready_and_stops_when_told(self):
        self.start()
        self.expect("READY=1")
        self.stop()
        database = sqlite3.connect(f"file:{self.path('boat.db')}?mode=ro", uri=True)
        self.assertEqual(database.execute("PRAGMA integrity_check").fetchone(), ("ok",))
        database.close()

    def test_it_feeds_the_watchdog_twice_in_its_time(self):
        self.start(watchdog_us=600000)
        self.expect("READY=1")
        begin = time.monotonic()
        fed = 0
        while fed < 8:
            fed += self.notices.recv(4096) == b"WATCHDOG=1"
        # Eight times at half of 0.6 s are 2.4 s; a busy machine may be late, never early.
        self.assertGreater(time.monotonic() - begin, 2.0)
        self.stop()

    def test_a_watch_that_hangs_does_not_feed_it(self):
        self.start(watchdog_us=400000)
        self.expect("READY=1")
        self.watch.send_signal(signal.SIGSTOP)
        time.sleep(0.5)
        self.notices.setblocking(False)
        try:
            while True:
                self.notices.recv(4096)
        except BlockingIOError:
            pass
        time.sleep(1)
        with self.assertRaises(BlockingIOError):
            self.notices.recv(4096)
        self.notices.settimeout(PATIENCE_S)
        self.watch.send_signal(signal.SIGCONT)
        while self.notices.recv(4096) != b"WATCHDOG=1":
            pass
        self.stop()

    def test_a_right_configuration_is_reread(self):
        self.start()
        self.expect("READY=1")
        self.configure("[engine 0]\nlabel = main\n")
        self.watch.send_signal(signal.SIGHUP)
        self.expect("RELOADING=1")
        self.expect("READY=1")
        self.expect_said("the configuration was reread")
        self.stop()

    def test_a_wrong_one_keeps_the_old_and_is_told_by_its_line(self):
        self.start()
        self.expect("READY=1")
        for wrong, line in (("[engine 0]\nlabbel = main\n", 5), ("[filter primary]\nmicron = ten\n", 5),
                            ("nonsense\n", 4), ("[engine 9]\nlabel = x\n", 4),
                            ("[bus engine-room-can0]\n", 4)):
            self.configure(wrong)
            self.watch.send_signal(signal.SIGHUP)
            self.expect("RELOADING=1")
            status = self.expect("READY=1")[1]
            said = self.expect_said(f"boat.conf:{line}: ")
            # The service's status says the same: systemctl status shows it, whatever the journal leaves out.
            self.assertRegex(status, f"^STATUS=logging; .*boat.conf:{line}: .*; the old configuration stays$")
            self.assertIn("the old configuration stays", said)
            self.errors.seek(0)
            self.errors.truncate()
        os.remove(self.config)
        self.watch.send_signal(signal.SIGHUP)
        said = self.expect_said("boat.conf")
        self.assertIn("the old configuration stays", said)
        self.assertIsNone(self.watch.poll())
        self.expect("RELOADING=1")
        self.expect("READY=1")
        self.stop()

    def reread(self):
        """What is said about it."""
        self.errors.seek(0)
        self.errors.truncate()
        self.watch.send_signal(signal.SIGHUP)
        self.expect("RELOADING=1")
        self.last_notice = self.expect("READY=1")
        with open(self.path("errors"), encoding="utf-8") as file:
            return file.read()

    def test_more_buses_than_a_log_holds_keep_the_old_configuration(self):
        self.start()
        self.expect("READY=1")
        self.configure("".join(f"[bus early{i}]\n" for i in range(5)))
        self.assertIn("the configuration was reread", self.reread())
        self.configure("[bus late0]\n[bus late1]\n[bus late2]\n")  # with the first six they would be nine
        said = self.reread()
        self.assertIn("late2", said)
        self.assertIn("at most 8 buses", said)
        self.assertIn("nocan9, early0, early1, early2, early3, early4", said)
        self.assertIn("the old configuration stays", said)
        self.assertNotIn("the configuration was reread", said)
        self.configure("[bus other0]\n[bus other1]\n")  # what was refused took no place
        self.assertIn("the configuration was reread", self.reread())
        self.assertIn("STATUS=logging", self.last_notice)
        self.stop()

    def test_a_start_that_fails_says_why_in_the_status(self):
        self.configure("[enginee 1]\n")
        self.start()
        self.assertEqual(self.watch.wait(PATIENCE_S), 1)
        status = self.expect_status()
        self.assertRegex(status, "^STATUS=.*boat.conf:4: .*enginee")
        self.configure("")
        with open(self.path("boat.db"), "w", encoding="ascii") as file:
            file.write("something else")
        self.start()
        self.assertEqual(self.watch.wait(PATIENCE_S), 1)
        self.assertRegex(self.expect_status(), "^STATUS=.*boat.db")

    def test_a_reread_is_in_the_log_before_a_kill(self):
        def told():
            database = sqlite3.connect(f"file:{self.path('boat.db')}?mode=ro", uri=True)
            try:
                return (dict(database.execute("SELECT key, value FROM meta WHERE key <> 'batch'")),
                        [name for _, name in database.execute("SELECT bus, name FROM buses ORDER BY bus")])
            finally:
                database.close()

        self.start()
        self.expect("READY=1")
        self.configure("[bus early]\n[boat]\nname = Dabchick\nfuel_density_kgl = 0.81\n")
        self.assertIn("the configuration was reread", self.reread())
        end = time.monotonic() + PATIENCE_S
        while told()[0]["boat"] != "Dabchick" and time.monotonic() < end:
            time.sleep(0.05)
        self.assertEqual(told(), ({"boat": "Dabchick", "fuel_density_kgl": 0.81}, ["nocan9", "early"]))
        self.watch.kill()
        self.watch.wait()
        # Whatever their order then, each bus keeps its number.
        with open(self.config, "w", encoding="utf-8") as file:
            file.write("[bus late]\n[bus early]\n[bus nocan9]\n[web]\nlisten = none\n")
        self.start()
        self.expect("READY=1")
        self.assertEqual(told()[1], ["nocan9", "early", "late"])
        self.stop()

    def test_a_start_with_more_buses_than_the_log_holds_names_those_in_it(self):
        self.configure("".join(f"[bus early{i}]\n" for i in range(7)))
        self.start()
        self.expect("READY=1")
        self.stop()
        self.configure("[bus ninth]\n")
        self.start()
        self.assertEqual(self.watch.wait(PATIENCE_S), 1)
        said = self.expect_said("at most 8 buses")
        self.assertIn("'ninth'", said)
        self.assertIn("nocan9, early0, early1, early2, early3, early4, early5, early6", said)
        self.assertNotIn("No space left", said)

    @unittest.skipUnless(os.path.exists(SEASON_BUS), "SKIPPED: a sanitized program takes no preloaded bus")
    def test_buses_that_cannot_be_opened_keep_the_old_ones(self):
        with open(self.path("season.log"), "w", encoding="ascii") as log:
            log.write("(1777622400.000000) can0 09F20000#00401FFFFF7FFFFF\n")
        self.configure("[bus can0]\n")
        self.start(more={"LD_PRELOAD": SEASON_BUS, "SEASON_BUS_LOG": self.path("season.log"),
                         "SEASON_BUS_SPEED": "100", "SEASON_BUS_NO_LINKS": self.path("no links")})
        self.expect("READY=1")
        with open(self.path("no links"), "w", encoding="ascii"):
            pass
        self.configure("[bus can0]\n[bus can1]\n[boat]\nname = Other\n")
        said = self.reread()
        self.assertIn("cannot watch the buses", said)
        self.assertIn("the old configuration stays", said)
        self.assertNotIn("the configuration was reread", said)
        time.sleep(1)  # the controllers are asked each 30 s, which are 0.3 s here
        self.assertIsNone(self.watch.poll())
        os.remove(self.path("no links"))
        self.assertIn("the configuration was reread", self.reread())
        self.stop()

    def test_without_a_service_manager_it_works_the_same(self):
        self.watch = subprocess.Popen(
            [PROGRAM, "watch", "--db", self.path("boat.db"), "--config", self.config], stderr=self.errors,
            env={"PATH": os.environ["PATH"]})
        self.expect_said("nocan9")
        self.watch.send_signal(signal.SIGINT)
        self.assertEqual(self.watch.wait(PATIENCE_S), 0)


if __name__ == "__main__":
    unittest.main()
