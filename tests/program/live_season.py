"""A season of the demo, live: the daemon on the season's bus (season_bus.c), in time that passes faster.

As a command it prints what it measured:

    SIGHTBOWL=build/sightbowl python3 tests/program/live_season.py --hours 60 --speed 2000
"""
import argparse
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

TABLES = ("sessions", "slots", "windows", "minutes", "trips", "runs", "events")


def rows(log, table):
    database = sqlite3.connect(f"file:{log}?mode=ro", uri=True)
    try:
        return database.execute(f"SELECT rowid, * FROM {table} ORDER BY 1").fetchall()
    finally:
        database.close()


def status_kb(process, key):
    with open(f"/proc/{process}/status", encoding="ascii") as status:
        return int(next(line.split()[1] for line in status if line.startswith(key)))


def cpu_s(process):
    with open(f"/proc/{process}/stat", encoding="ascii") as stat:
        fields = stat.read().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def play(program, shim, folder, capture, speed, config=None, patience_s=3600):
    """Watches the capture's traffic live; returns what was measured. The log is folder/live.db."""
    done = os.path.join(folder, "done")
    log = os.path.join(folder, "live.db")
    environment = {"PATH": os.environ["PATH"], "LD_PRELOAD": shim, "SEASON_BUS_LOG": capture,
                   "SEASON_BUS_SPEED": str(speed), "SEASON_BUS_DONE": done}
    if config is None:
        config = os.path.join(folder, "watch.conf")
        with open(config, "w", encoding="ascii") as file:
            file.write("[bus can0]\n[web]\nlisten = none\n")
    with open(os.path.join(folder, "watch.err"), "w", encoding="utf-8") as errors:
        watch = subprocess.Popen([program, "watch", "--db", log, "--config", config], stderr=errors, env=environment)
    resident = []
    begin = time.monotonic()
    try:
        while not os.path.exists(done):
            if watch.poll() is not None or time.monotonic() - begin > patience_s:
                raise RuntimeError(open(os.path.join(folder, "watch.err"), encoding="utf-8").read())
            resident.append(status_kb(watch.pid, "VmRSS"))
            time.sleep(0.2)
        time.sleep(0.5)
        measured = {"took_s": time.monotonic() - begin, "resident_kb": resident,
                    "peak_kb": status_kb(watch.pid, "VmHWM"), "cpu_s": cpu_s(watch.pid)}
        watch.send_signal(signal.SIGTERM)
        measured["status"] = watch.wait(120)
    finally:
        if watch.poll() is None:
            watch.kill()
            watch.wait()
    with open(os.path.join(folder, "watch.err"), encoding="utf-8") as errors:
        measured["said"] = errors.read()
    return measured


def differences(live, replayed):
    """Tables of which the two logs hold different rows."""
    return [table for table in TABLES if rows(live, table) != rows(replayed, table)]


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--hours", type=int, default=60, help="engine hours of the season")
    arguments.add_argument("--speed", type=float, default=2000)
    arguments.add_argument("--protocol", default="nmea2000")
    wanted = arguments.parse_args()
    program = os.path.abspath(os.environ["SIGHTBOWL"])
    shim = os.environ.get("SEASON_BUS") or os.path.join(os.path.dirname(program), "tests/program/libseason_bus.so")
    if not os.path.exists(shim):
        raise SystemExit(f"there is no {shim}")
    with tempfile.TemporaryDirectory(prefix="sightbowl-season-") as folder:
        subprocess.run([program, "demo", "--write-only", "--folder", folder, "--hours", str(wanted.hours),
                        "--protocol", wanted.protocol, "--compression", "none"], check=True, stdout=subprocess.DEVNULL)
        capture = os.path.join(folder, "season.log")
        with open(capture, "rb") as season:
            frames = sum(1 for _ in season)
        measured = play(program, shim, folder, capture, wanted.speed)
        subprocess.run([program, "replay", "--db", os.path.join(folder, "replayed.db"), capture], check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        different = differences(os.path.join(folder, "live.db"), os.path.join(folder, "replayed.db"))
        runs = rows(os.path.join(folder, "replayed.db"), "runs")
        resident = measured["resident_kb"]
        tenth = max(1, len(resident) // 10)
        print(f"{frames} frames, {len(runs)} runs, in {measured['took_s']:.0f} s")
        print("resident kB, tenth by tenth:", *(max(resident[i:i + tenth]) for i in range(0, len(resident), tenth)),
              f"(peak {measured['peak_kb']})")
        print(f"CPU {measured['cpu_s']:.1f} s, {measured['cpu_s'] / max(1, frames) * 1e6:.1f} µs a frame")
        print("live and replayed differ in:", *different or ["nothing"])
        print(measured["said"], end="")
        return 1 if different or measured["status"] != 0 else 0


if __name__ == "__main__":
    sys.exit(main())
