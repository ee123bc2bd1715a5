"""A replay that is cut anywhere and replayed again ends in the very log of one that was not."""

import os
import random
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

    def test_cut_behind_any_of_its_first_frames_changes_nothing(self):
        """Where a replay is rarely cut by chance: within the first windows, before the engine is heard, in a head
        by which captures are known. A capture that grows is cut exactly there, at a stop and by its end."""
        source, _ = self.season("season", "--hours", "1", "--protocol", "both", "--loss", "2")
        config = os.path.join(os.path.dirname(source), "boat.conf")
        with open(source, encoding="ascii") as file:
            lines = file.readlines()
        capture = self.path("capture.log")
        whole = self.path("whole.db")

        def replay(database, count):
            with open(capture, "w", encoding="ascii") as file:
                file.writelines(lines[:count])
            self.done("replay", "--db", database, "--config", config, capture)

        replay(whole, len(lines))
        self.assertGreater(len(log_contents(whole)["filter_course"]), 0)
        random.seed(20260602)
        points = [1, 2, 4095, 4096, 4097] + sorted(random.sample(range(3, 40000), 15))
        for point in points:
            database = self.path(f"{point}.db")
            for count in (point, point + random.randrange(1, 3), len(lines)):
                replay(database, count)
            # A capture's row keeps the head that it was first known by.
            self.assert_same_logs(whole, database, f"cut behind frame {point}", but=["captures"])

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
