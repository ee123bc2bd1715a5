#!/usr/bin/env python3
"""What programs read stays well formed and sane, whatever a bus says: JSON by Python's own parser (no NaN, no name
twice), CSV by RFC 4180, numbers that can be, texts from product information that are no text."""

import csv
import io
import json
import math
import random
import struct

from sightbowl_program import ProgramTest, main, run

START = 1780300000  # 2026-06-01T07:46:40Z
MINUTES = 40

CONFIG = """[boat]
name = Heron, "the other" Ändern; <b>one</b>
[engine 0]
label = main; "port", ✓
supply = pump 80 L/h at 2500 rpm
[filter primary]
element = 10" cartridge, 2,5 µm; 'x'
sensor = spn1382
limit_kpa = 60
change_h = 250
fitted = 2026-04-18
[filter secondary]
change_l = 2000
[tank 0]
label = port; "aft"
capacity_l = 240 L
"""

SINGLE = [61444, 61443, 65253, 65257, 65266, 64777, 65262, 65263, 65243, 65270, 65271, 65269, 65244, 65276, 65130,
          65279, 65265, 65226, 65227, 127488, 127493, 127505, 127508, 127245, 128259, 128267, 129025, 129026, 129033,
          130310, 130311, 130312, 130314, 130316, 126992, 126993, 60928]
FAST = {127489: 26, 127496: 10, 127497: 9, 127498: 52, 129029: 43, 126996: 134}
JUNK = [b"\x00\x01\x02\x03", b'"quoted", and, commas\r\nand a line', b"\xff\xfe\x80\x81", b"\xc3\x28\xa0\xa1",
        b"\xed\xa0\x80 half a pair", b"<script>alert(1)</script>", b"\x1b[31mred\x07", "Ünïcode ✓ Größe".encode(),
        b"=2+2,\"x\"", b"\\u0000\\n", b"@" * 32]


def identifier(pgn, source, priority=6):
    pdu1 = (pgn >> 8 & 0xFF) < 240
    return priority << 26 | (pgn | (0xFF if pdu1 else 0)) << 8 | source


def frame(at, pgn, source, data):
    return at, f"({at:.6f}) can0 {identifier(pgn, source):08X}#{data.hex().upper()}\n"


def fast_packet(at, pgn, source, payload, sequence):
    frames = [bytes([sequence << 5, len(payload)]) + payload[:6]]
    rest = payload[6:]
    for i in range(0, len(rest), 7):
        frames.append(bytes([sequence << 5 | i // 7 + 1]) + rest[i:i + 7].ljust(7, b"\xff"))
    return [frame(at + 0.001 * i, pgn, source, data.ljust(8, b"\xff")) for i, data in enumerate(frames)]


def product(chance):
    """126996: version, code, then four texts of 32 bytes, certification and load."""
    texts = b"".join(chance.choice(JUNK)[:32].ljust(32, chance.choice([b"\xff", b"\x00", b" ", b"@"]))
                     for _ in range(4))
    return struct.pack("<HH", 2100, 4711) + texts + bytes([1, 2])


def lies():
    """An engine that runs, and eight senders of noise in every message that is known."""
    chance = random.Random(20260601)
    lines = []
    for second in range(MINUTES * 60):
        at = START + second
        rpm = 1800 * 8 if 120 < second < MINUTES * 60 - 180 else 0
        lines.append(frame(at, 61444, 0, b"\xff\xff\xff" + struct.pack("<H", rpm) + b"\xff\xff\xff"))
        lines.append(frame(at + 0.05, 65266, 0, struct.pack("<H", 200 if rpm else 0) + b"\xff" * 6))
        lines.append(frame(at + 0.06, 127505, 20, bytes([0]) + struct.pack("<h", second % 2 * 25000) +
                           struct.pack("<I", 2400) + b"\xff"))
        for _ in range(4):
            pgn = chance.choice(SINGLE)
            data = bytes(chance.choice([0, 255, 254, 127, 128, chance.randrange(256)]) for _ in range(8))
            lines.append(frame(at + 0.1 + 0.2 * chance.random(), pgn, chance.choice([0, 1, 2, 5, 40, 250]), data))
        if second % 5 == 0:
            pgn = chance.choice(list(FAST))
            payload = product(chance) if pgn == 126996 else bytes(
                chance.choice([0, 255, 127, chance.randrange(256)]) for _ in range(FAST[pgn]))
            lines += fast_packet(at + 0.5, pgn, chance.choice([0, 12, 40, 77]), payload, second // 5 % 8)
    return [line for _, line in sorted(lines)]


def no_constant(text):
    raise AssertionError(f"{text} is no JSON")


def once(pairs):
    names = [name for name, _ in pairs]
    assert len(names) == len(set(names)), names
    return dict(pairs)


class LyingOutput(ProgramTest):

    @classmethod
    def setUpClass(cls):
        cls.keeper = cls("test_json_and_csv_are_well_formed_and_agree")
        ProgramTest.setUp(cls.keeper)
        cls.capture = cls.keeper.path("lies.log")
        cls.database = cls.keeper.path("lies.db")
        cls.config = cls.keeper.path("lies.conf")
        with open(cls.config, "w", encoding="utf-8") as file:
            file.write(CONFIG)
        with open(cls.capture, "w", encoding="ascii") as file:
            file.writelines(lies())
        status, _, error = run("replay", "--db", cls.database, "--config", cls.config, cls.capture)
        assert status == 0, error

    @classmethod
    def tearDownClass(cls):
        ProgramTest.tearDown(cls.keeper)

    def commands(self):
        log = ["--db", self.database, "--config", self.config]
        for words in (["trips"], ["runs"], ["elements", "--at", "end"], ["events"], ["events", "handling"], ["status"],
                      ["book"], ["spares"], ["waste"], ["advise"], ["export", "windows"], ["export", "minutes"],
                      ["export", "days"], ["export", "captures"]):
            yield words, log
        yield ["listen", self.capture], ["--config", self.config]

    def told(self, words, *options, **more):
        """A call's output; listen may say that so many senders, signals and codes are too many."""
        status, text, error = run(*words, *options, **more)
        full = "sightbowl listen: more was heard than there is room to tell apart\n"
        self.assertEqual(status, 0, error)
        self.assertIn(error, ("", full) if words[0] == "listen" else ("",), words)
        return text

    def parse(self, text):
        tables = json.loads(text, parse_constant=no_constant, object_pairs_hook=once)
        for name, rows in tables.items():
            self.assertIsInstance(rows, list, name)
            for row in rows:
                self.assertEqual(list(row), list(rows[0]), name)
                for column, value in row.items():
                    self.check_value(name, column, value)
        return tables

    def check_value(self, table, column, value):
        where = f"{table}.{column} = {value!r}"
        if isinstance(value, float):
            self.assertTrue(math.isfinite(value), where)
            self.assertLess(abs(value), 1e15, where)
            if column.endswith(("_h", "_l", "fuel_l", "distance_nm", "used_pct")) and table != "reasons":
                self.assertGreaterEqual(value, 0, where)
        if isinstance(value, str):
            value.encode("utf-8")  # no half of a pair
            self.assertFalse([c for c in value if ord(c) < 32 or ord(c) == 127], where)

    def test_json_and_csv_are_well_formed_and_agree(self):
        heard = 0
        for words, options in self.commands():
            tables = self.parse(self.told(words, *options, "--json"))
            heard += sum(len(rows) for rows in tables.values())
            self.check_csv(words, self.told(words, *options, "--csv"), tables)
        self.assertGreater(heard, 1000)

    def check_csv(self, words, text, tables):
        """Python reads text with universal newlines: what is left of a return would be in a cell."""
        reader = list(csv.reader(io.StringIO(text, newline=""), strict=True))
        blocks = [[]]
        for row in reader:
            if row:
                blocks[-1].append(row)
            else:
                blocks.append([])
        self.assertEqual(len(blocks), len(tables), words)
        for block, (name, rows) in zip(blocks, tables.items()):
            self.assertEqual({len(row) for row in block}, {len(block[0])}, name)
            self.assertEqual(len(block) - 1, len(rows), name)
            if rows:
                self.assertEqual(block[0], list(rows[0]), name)
            for line, row in zip(block[1:], rows):
                for cell, value in zip(line, row.values()):
                    self.assertNotIn(cell.lower(), ("nan", "inf", "-inf", "-nan", "null", "none"), (name, row))
                    if isinstance(value, str):
                        self.assertEqual(cell, value, name)
                    elif value is None:
                        self.assertEqual(cell, "", name)
                    elif isinstance(value, (int, float)) and not isinstance(value, bool):
                        self.assertAlmostEqual(float(cell), value, delta=1e-6 * abs(value) + 1e-9)

    def test_what_senders_call_themselves_is_text(self):
        tables = json.loads(self.told(["listen", self.capture], "--json"))
        models = [s["model"] for s in tables["sources"] if s["model"]]
        self.assertTrue(models)
        people = self.told(["listen", self.capture])
        self.assertFalse([c for c in people if ord(c) < 32 and c != "\n"])

    def test_what_is_counted_is_what_ran(self):
        trips = self.rows("trips", "--db", self.database)
        hours = sum(t["engine_h"] for t in trips if t["engine"] == 0)
        self.assertLess(hours, MINUTES / 60 + 0.05)
        self.assertTrue(all(e["message"] for e in self.rows("events", "--db", self.database)))

    def test_the_report_is_a_page(self):
        status, page, error = run("report", "--db", self.database, "--config", self.config)
        self.assertEqual((status, error), (0, ""))
        self.assertNotIn("<b>one</b>", page)
        self.assertIn("&lt;b&gt;one&lt;/b&gt;", page)
        for word in (">nan<", ">inf<", ">-nan<", "NaN"):
            self.assertNotIn(word, page.split("<script")[0].split("<style")[0])


if __name__ == "__main__":
    main()
