#!/usr/bin/env python3
"""check: each failure of log and configuration, brought about by hand, is told with what to do."""
import json
import os
import sqlite3
import unittest

from sightbowl_program import ProgramTest, run


class Check(ProgramTest):
    def check(self, *arguments):
        status, out, error = run("check", "--no-machine", "--json", *arguments)
        self.assertEqual(error, "")
        rows = {row["subject"]: (row["result"], row["detail"]) for row in json.loads(out)["checks"]}
        return status, rows

    def make_log(self):
        log = self.path("boat.db")
        folder = self.path("season")
        self.done("demo", "--folder", folder, "--hours", 2, "--seed", 1)
        os.rename(os.path.join(folder, "boat.db"), log)
        return log

    def test_a_sound_log(self):
        status, rows = self.check("--db", self.make_log())
        self.assertEqual((status, rows["log"][0]), (0, "ok"))
        self.assertIn("is sound", rows["log"][1])

    def test_no_log_yet(self):
        status, rows = self.check("--db", self.path("none.db"))
        self.assertEqual((status, rows["log"][0]), (0, "none"))
        self.assertIn("watch or replay makes it", rows["log"][1])

    def test_a_damaged_log(self):
        log = self.make_log()
        database = sqlite3.connect(log)
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        database.close()
        size = os.path.getsize(log)
        with open(log, "r+b") as file:
            file.seek(size // 2 // 4096 * 4096)
            file.write(b"\xa5" * (size // 4))
        status, rows = self.check("--db", log)
        self.assertEqual((status, rows["log"][0]), (1, "failed"), rows["log"])
        self.assertIn("put it aside", rows["log"][1])
        self.assertNotIn("\n", rows["log"][1])

    def test_what_is_no_log(self):
        foreign = self.path("foreign.db")
        database = sqlite3.connect(foreign)
        database.execute("CREATE TABLE other(thing)")
        database.commit()
        database.close()
        with open(self.path("text.db"), "w", encoding="ascii") as file:
            file.write("hello\n")
        os.mkdir(self.path("folder.db"))
        for name in ("foreign.db", "text.db", "folder.db"):
            status, rows = self.check("--db", self.path(name))
            self.assertEqual((status, rows["log"][0]), (1, "failed"), name)
            self.assertIn("name another log", rows["log"][1])

    def test_a_log_that_this_user_may_not_write_is_refused_as_watch_refuses_it(self):
        folder = self.path("log")
        log = os.path.join(folder, "boat.db")
        os.mkdir(folder)
        os.rename(self.make_log(), log)
        for path, mode in ((self.folder, 0o755), (folder, 0o777), (log, 0o444)):
            os.chmod(path, mode)
        # Root may write anything: it asks as somebody else.
        somebody = {"user": 65534, "group": 65534, "extra_groups": []} if os.geteuid() == 0 else {}
        try:
            run("--version", **somebody)
        except PermissionError:
            self.skipTest("the program lies where only root may run it")
        status, out, _ = run("check", "--json", "--db", log, **somebody)
        rows = {row["subject"]: row for row in json.loads(out)["checks"]}
        self.assertEqual((status, rows["log file"]["result"]), (1, "failed"), rows)
        self.assertIn(f"chown sightbowl {log}", rows["log file"]["detail"])
        status, _, error = run("watch", "--db", log, **somebody)
        self.assertEqual(status, 1)
        self.assertIn("Permission denied", error)
        self.assertNotIn("Read-only", error)

    def test_the_capture_folder_has_its_row(self):
        config = self.path("boat.conf")
        for name, result in (("captures", "ok"), ("none/captures", "failed")):
            with open(config, "w", encoding="ascii") as file:
                file.write(f"[log]\ncapture_folder = {self.path(name)}\n")
            _, out, _ = run("check", "--json", "--config", config)
            rows = {row["subject"]: row for row in json.loads(out)["checks"]}
            self.assertEqual(rows["capture folder"]["result"], result, rows)

    def test_a_filter_of_which_nothing_is_told(self):
        status, rows = self.check()
        self.assertEqual(status, 0)
        self.assertEqual(rows["filter primary"][0], "advice")
        self.assertIn("tell change_h, change_l or change_months", rows["filter primary"][1])
        self.assertIn("--db FILE", rows["log"][1])

    def test_a_wrong_configuration_is_told_by_its_line(self):
        config = self.path("boat.conf")
        with open(config, "w", encoding="ascii") as file:
            file.write("[boat]\nname = x\n[limits]\ncoolant = hot\n")
        status, out, error = run("check", "--no-machine", "--config", config)
        self.assertNotEqual(status, 0)
        self.assertEqual(out, "")
        self.assertIn(f"{config}:4: ", error)
        self.assertEqual(error.count("\n"), 1)


if __name__ == "__main__":
    unittest.main()
