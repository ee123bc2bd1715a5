"""A replay that is cut anywhere and replayed again ends in the very log of one that was not."""

import os
import random
import shutil
import signal
import subprocess
import time

from sightbowl_program import PROGRAM, ProgramTest, log_contents, main, run

CUTS = 200


class InterruptedReplay(ProgramTest):

    def cut(self, database, capture, config, seconds, number):
        """Starts a replay and cuts it after a while; True when it was already done."""
        process = subprocess.Popen([PROGRAM, "replay", "--commit", "0.02", "--db", database,
                                    "--config", config, capture],
                                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            process.wait(seconds)
            return True
        except subprocess.TimeoutExpired:
            process.send_signal(number)
            process.wait()
            return False

    def replay(self, database, config, lines):
        """A capture that has grown to so many lines: cut exactly there, as by a stop, and by its end."""
        capture = self.path("capture.log")
        with open(capture, "w", encoding="ascii") as file:
            file.writelines(lines)
        self.done("replay", "--db", database, "--config", config, capture)

    def test_cut_behind_any_of_its_first_frames_changes_nothing(self):
        """Where a replay is rarely cut by chance: within the first windows, before the engine is heard, in a head
        by which captures are known."""
        source, _ = self.season("season", "--hours", "1", "--protocol", "both", "--loss", "2")
        config = os.path.join(os.path.dirname(source), "boat.conf")
        with open(source, encoding="ascii") as file:
            lines = file.readlines()
        whole = self.path("whole.db")
        self.replay(whole, config, lines)
        self.assertGreater(len(log_contents(whole)["filter_course"]), 0)
        random.seed(20260602)
        points = [1, 2, 4095, 4096, 4097] + sorted(random.sample(range(3, 40000), 15))
        for point in points:
            database = self.path(f"{point}.db")
            for count in (point, point + random.randrange(1, 3), len(lines)):
                self.replay(database, config, lines[:count])
            # A capture's row keeps the head that it was first known by.
            self.assert_same_logs(whole, database, f"cut behind frame {point}", but=["captures"])

    def test_cut_between_works_in_the_book_changes_nothing(self):
        source, truth = self.season("season", "--hours", "6", "--protocol", "nmea2000")
        config = os.path.join(os.path.dirname(source), "boat.conf")
        with open(source, encoding="ascii") as file:
            lines = file.readlines()
        begun = self.path("begun.db")
        self.replay(begun, config, lines[:5000])
        first, last = (float(line[1:18]) for line in (lines[0], lines[-1]))
        self.assertGreater(len(truth["runs"]), 1)
        for share, work in ((0.2, ["drain", "--filter", "primary"]), (0.4, ["change", "--filter", "primary"]),
                            (0.6, ["burn-reset", "--engine", 0]), (0.8, ["change", "--filter", "secondary"]),
                            (0.97, ["burn-reset", "--engine", 0])):
            at = time.strftime("%Y-%m-%dT%H:%M", time.gmtime(first + share * (last - first)))
            self.done("book", "add", *work, "--at", at, "--db", begun, "--config", config)
        whole, cut = self.path("whole.db"), self.path("cut.db")
        shutil.copy(begun, whole)
        shutil.copy(begun, cut)
        self.replay(whole, config, lines)
        for share in (0.15, 0.3, 0.5, 0.55, 0.7, 0.9, 0.96, 0.98, 1):
            self.replay(cut, config, lines[:int(len(lines) * share)])
        self.assert_same_logs(whole, cut, "cut between works")

    def test_cut_at_random_points_changes_nothing(self):
        capture, _ = self.season("season", "--hours", "6", "--protocol", "both", "--loss", "2")
        config = os.path.join(os.path.dirname(capture), "boat.conf")  # with measured filters
        whole = self.path("whole.db")
        started = time.monotonic()
        self.done("replay", "--db", whole, "--config", config, capture)
        length = time.monotonic() - started
        expected = log_contents(whole)
        self.assertGreater(len(expected["runs"]), 3)
        self.assertGreater(len(expected["windows"]), 1000)
        random.seed(20260601)
        cuts = logs = 0
        while cuts < CUTS:
            database = self.path(f"cut-{logs}.db")
            logs += 1
            # Each log is cut several times over, in all the ways that a process can end.
            pace = random.choice([length / 3, length])
            done = False
            steps = []
            while not done:
                number = random.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGKILL,
                                        signal.SIGTERM, signal.SIGINT])
                seconds = random.uniform(0.02, pace)
                done = self.cut(database, capture, config, seconds, number)
                steps.append(f"{number.name} {seconds:.3f} s")
                cuts += not done
            self.assert_same_logs(whole, database, f"after {cuts} cuts, the last log in {steps}")
            status, _, error = run("replay", "--db", database, "--config", config, capture)
            self.assertEqual(status, 1)
            self.assertIn("this was replayed already", error)
        self.assertGreater(logs, 1)
        print(f"{cuts} cuts in {logs} logs of {length:.2f} s", flush=True)


if __name__ == "__main__":
    main()
