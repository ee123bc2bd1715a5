"""A season of the demo, live: the daemon on the season's bus (season_bus.c), in time that passes faster.

As a command it prints what it measured, of a season or of a bus that is full all the time:

    SIGHTBOWL=build/sightbowl python3 tests/program/live_season.py --hours 60 --speed 1000
    SIGHTBOWL=build/sightbowl python3 tests/program/live_season.py --full 60 --speed 20
"""
import argparse
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

# All but those of captures and checkpoints, and the days: the last one is rolled up when it is over, or a replay ends.
TABLES = ("sessions", "slots", "windows", "minutes", "trips", "runs", "events", "filter_course", "filter_states",
          "refuellings", "tank_states", "burn_points")


# A frame of 29-bit identifier and 8 bytes has 131 bits with the space between: so many a second at 250 kbit/s.
FULL_RATE = 1908


def full_bus(path, minutes):
    """A candump log of a saturated bus: a third engine readings by fast packet, a third known messages with
    random bytes, a third unknown ones; engine speed from one sender throughout. Returns the frames."""
    draw = random.Random(1)
    known = (127488, 128267, 128259, 129025, 129026, 130312, 130314)
    fast = ("{0:02X}1A0010270 00B60".replace(" ", ""), "{0:02X}8C46052C008096", "{0:02X}9800FF7FFF7FFF",
            "{0:02X}0000000040 40FF".replace(" ", ""))
    frames = int(minutes * 60 * FULL_RATE)
    with open(path, "w", encoding="ascii") as out:
        for number in range(frames):
            stamp = 1777622400000000 + number * 1000000 // FULL_RATE
            turn = number // 3
            if number % 3 == 2:
                identifier, data = 0x19FF0000 | draw.getrandbits(6) << 8 | 40 + turn % 20, f"{draw.getrandbits(64):016X}"
            elif number % 3 == 1:
                identifier, data = 0x19F20100, fast[turn % 4].format(turn // 4 % 8 << 5 | turn % 4)
            elif turn % 7 == 0:
                identifier, data = 0x09F20000, "00801CFFFF7FFFFF"
            else:
                identifier, data = 0x08000000 | known[turn % 7] << 8 | 35, f"{draw.getrandbits(64):016X}"
            out.write(f"({stamp // 1000000}.{stamp % 1000000:06d}) can0 {identifier:08X}#{data}\n")
    return frames


def rows(log, table):
    database = sqlite3.connect(f"file:{log}?mode=ro", uri=True)
    try:
        return database.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()
    finally:
        database.close()


def status_kb(process, key):
    with open(f"/proc/{process}/status", encoding="ascii") as status:
        return int(next(line.split()[1] for line in status if line.startswith(key)))


def cpu_s(process):
    with open(f"/proc/{process}/stat", encoding="ascii") as stat:
        fields = stat.read().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def write_config(folder):
    """The season's boat (where a season was written there), on the bus; returns the file's path."""
    boat = os.path.join(folder, "boat.conf")
    config = os.path.join(folder, "watch.conf")
    with open(config, "w", encoding="utf-8") as file:
        if os.path.exists(boat):
            with open(boat, encoding="utf-8") as whole:
                file.write(whole.read())
        file.write("\n[bus can0]\n[web]\nlisten = none\n")
    return config


def play(program, shim, folder, capture, speed, config=None, patience_s=3600, meanwhile=None):
    """Watches the capture's traffic live; returns what was measured. The log is folder/live.db; meanwhile(log) is
    called five times a second."""
    done = os.path.join(folder, "done")
    log = os.path.join(folder, "live.db")
    environment = {"PATH": os.environ["PATH"], "LD_PRELOAD": shim, "SEASON_BUS_LOG": capture,
                   "SEASON_BUS_SPEED": str(speed), "SEASON_BUS_DONE": done}
    if config is None:
        config = write_config(folder)
    with open(os.path.join(folder, "watch.err"), "w", encoding="utf-8") as errors:
        watch = subprocess.Popen([program, "watch", "--db", log, "--config", config], stderr=errors, env=environment)
    resident = []
    begin = time.monotonic()
    try:
        while not os.path.exists(done):
            if watch.poll() is not None or time.monotonic() - begin > patience_s:
                raise RuntimeError(open(os.path.join(folder, "watch.err"), encoding="utf-8").read())
            resident.append(status_kb(watch.pid, "VmRSS"))
            if meanwhile is not None and os.path.exists(log):
                meanwhile(log)
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
    arguments.add_argument("--full", type=float, help="minutes of a full bus, instead of a season")
    wanted = arguments.parse_args()
    program = os.path.abspath(os.environ["SIGHTBOWL"])
    shim = os.environ.get("SEASON_BUS") or os.path.join(os.path.dirname(program), "tests/program/libseason_bus.so")
    if not os.path.exists(shim):
        raise SystemExit(f"there is no {shim}")
    with tempfile.TemporaryDirectory(prefix="sightbowl-season-") as folder:
        capture = os.path.join(folder, "season.log")
        if wanted.full is not None:
            full_bus(capture, wanted.full)
        else:
            subprocess.run([program, "demo", "--write-only", "--folder", folder, "--hours", str(wanted.hours),
                            "--protocol", wanted.protocol, "--compression", "none"], check=True,
                           stdout=subprocess.DEVNULL)
        with open(capture, "rb") as season:
            frames = sum(1 for _ in season)
        measured = play(program, shim, folder, capture, wanted.speed)
        subprocess.run([program, "replay", "--db", os.path.join(folder, "replayed.db"), "--config",
                        os.path.join(folder, "watch.conf"), capture], check=True, stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL)
        different = differences(os.path.join(folder, "live.db"), os.path.join(folder, "replayed.db"))
        runs = rows(os.path.join(folder, "replayed.db"), "runs")
        resident = measured["resident_kb"]
        tenth = max(1, len(resident) // 10)
        print(f"{frames} frames, {len(runs)} runs, in {measured['took_s']:.0f} s")
        print("resident kB, tenth by tenth:", *(max(resident[i:i + tenth]) for i in range(0, len(resident), tenth)),
              f"(peak {measured['peak_kb']})")
        print(f"CPU {measured['cpu_s']:.1f} s, {measured['cpu_s'] / max(1, frames) * 1e6:.1f} µs a frame")
        print("live and replayed differ in:", *different or ["nothing"])
        for table in different:
            live = rows(os.path.join(folder, "live.db"), table)
            replayed = rows(os.path.join(folder, "replayed.db"), table)
            for row in [row for row in live if row not in replayed][:5]:
                print("live only:", table, row)
            for row in [row for row in replayed if row not in live][:5]:
                print("replayed only:", table, row)
        print(measured["said"], end="")
        return 1 if different or measured["status"] != 0 else 0


if __name__ == "__main__":
    sys.exit(main())
