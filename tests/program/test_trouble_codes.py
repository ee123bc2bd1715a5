"""Trouble codes from a bus to what people and programs read: active ones, past ones, and who has them."""

import csv
import io
import json
import os
import sqlite3

from sightbowl_program import ProgramTest, main

START = 1780000000  # 2026-05-28T20:26:40Z
DM1, DM2, EEC1 = 65226, 65227, 61444


def dtc(spn, fmi, count, conversion=0):
    """SAE J1939-73, 5.7.1, the layout of conversion method 0: SPN low bits first, its top three above the FMI."""
    return bytes([spn & 255, spn >> 8 & 255, spn >> 16 << 5 | fmi, conversion << 7 | count])


def frame(at, pgn, source, data, priority=6):
    return f"({at:.6f}) can0 {priority << 26 | pgn << 8 | source:08X}#{data.hex().upper()}\n"


def broadcast(at, pgn, source, payload):
    """SAE J1939-21, 5.10.3: a message of more than eight bytes to all, in packets."""
    packets = (len(payload) + 6) // 7
    head = bytes([32]) + len(payload).to_bytes(2, "little") + bytes([packets, 255]) + pgn.to_bytes(3, "little")
    lines = [frame(at, 60416 | 255, source, head)]
    for i in range(packets):
        part = payload[7 * i:7 * i + 7].ljust(7, b"\xff")
        lines.append(frame(at + 0.05 * (i + 1), 60160 | 255, source, bytes([i + 1]) + part))
    return lines


def listed(at, pgn, source, lamps, *codes):
    payload = bytes([lamps, 0xFF]) + (b"".join(codes) or dtc(0, 0, 0))
    return [frame(at, pgn, source, payload.ljust(8, b"\xff"))] if len(payload) <= 8 else \
        broadcast(at, pgn, source, payload)


def minutes_of(active):
    """Ten minutes of an engine at 1500 rpm, whose list of active codes is active(second)."""
    lines = []
    for second in range(600):
        for tenth in range(0, 10, 5):
            lines.append(frame(START + second + tenth / 10, EEC1, 0, bytes.fromhex("FFFFFF"
                               ) + int(1500 / 0.125).to_bytes(2, "little") + b"\xff\xff\xff", 3))
        lines += active(second)
    return sorted(lines, key=lambda line: float(line[1:18]))


class TroubleCodes(ProgramTest):

    def tell(self, lines):
        self.capture = self.path("codes.log")
        with open(self.capture, "w", encoding="ascii") as file:
            file.writelines(lines)
        self.database = self.path("codes.db")
        self.done("replay", "--db", self.database, self.capture)
        codes = json.loads(self.done("status", "--db", self.database, "--json"))["trouble_codes"]
        return {(c["source"], c["spn"], c["fmi"]): c for c in codes}

    def test_each_code_stands_where_its_sender_says(self):
        def lists(second):
            lines = []
            if second < 200:  # both, then one, then none is active
                lines += listed(START + second + 0.1, DM1, 0, 0x04, dtc(94, 18, 2), dtc(100, 1, 1))
            elif second < 400:
                lines += listed(START + second + 0.1, DM1, 0, 0x04, dtc(94, 18, 2))
            else:
                lines += listed(START + second + 0.1, DM1, 0, 0x00)
            if second == 500:  # somebody asked: four past codes, in packets
                lines += listed(START + second + 0.2, DM2, 0, 0x00, dtc(94, 18, 2), dtc(100, 1, 1),
                                dtc(524286, 31, 126), dtc(97, 31, 127))
            if second == 510:  # another controller has one, in an older layout
                lines += listed(START + second + 0.2, DM2, 3, 0x00, dtc(94, 18, 5, 1))
            return lines

        codes = self.tell(minutes_of(lists))
        self.assertEqual(len(codes), 5)
        with open(os.path.join(os.path.dirname(__file__), "../../docs/api.md"), encoding="utf-8") as file:
            part = file.read().split("/api/v1/trouble_codes")[1].split("\n## ")[0]
        self.assertEqual([column for column in codes[0, 94, 18] if f"`{column}`" not in part], [])
        self.assertEqual({key: (c["standing"], c["occurrences"], c["lamp"]) for key, c in codes.items()}, {
            (0, 94, 18): ("past", 2, "amber"),
            (0, 100, 1): ("past", 1, "amber"),
            (0, 524286, 31): ("past", 126, None),
            (0, 97, 31): ("past", None, None),
            (3, 94, 18): ("past", 5, None)})
        self.assertEqual(codes[0, 100, 1]["says"], "Engine oil pressure: far too low (SPN 100, FMI 1).")
        self.assertIn("older layout", codes[3, 94, 18]["says"])
        self.assertEqual(codes[0, 94, 18]["first_utc"], "2026-05-28T20:26:40Z")
        self.assertEqual(codes[0, 94, 18]["bus"], "can0")
        # 15 s after the last list that had it, at the end of that window.
        self.assertEqual(codes[0, 94, 18]["since_utc"], "2026-05-28T20:33:40Z")
        # Active ones were events, each one; past ones never are.
        events = self.rows("events", "--db", self.database)
        self.assertEqual(sorted(e["value"] for e in events if e["kind"] == "engine-fault"), [94, 100])
        self.assertTrue(all(e["cleared_utc"] for e in events))

    def test_the_log_listen_and_people_are_told_the_same(self):
        def lists(second):
            lines = listed(START + second + 0.1, DM1, 0, 0x10, dtc(110, 0, 1))
            if second == 30:
                lines += listed(START + second + 0.2, DM2, 0, 0x10, dtc(97, 31, 3))
            if second == 40:
                lines += listed(START + second + 0.2, DM2, 3, 0x00)
            return lines

        codes = self.tell(minutes_of(lists))
        self.assertEqual({key: c["standing"] for key, c in codes.items()},
                         {(0, 110, 0): "active", (0, 97, 31): "past"})
        self.assertEqual(codes[0, 110, 0]["lamp"], "red stop")
        view = sqlite3.connect(self.database).execute(
            "SELECT source, spn, fmi, standing, occurrences, says FROM trouble_code_list ORDER BY spn").fetchall()
        self.assertEqual(view, [(0, 97, 31, "past", 3, codes[0, 97, 31]["says"]),
                                (0, 110, 0, "active", 1, codes[0, 110, 0]["says"])])
        heard = json.loads(self.done("listen", "--json", self.capture))["trouble_codes"]
        self.assertEqual(sorted((c["source"], c["spn"], c["standing"], c["occurrences"], c["lists"]) for c in heard),
                         [(0, 97, "past", 3, 1), (0, 110, "active", 1, 600)])
        people = self.done("status", "--db", self.database)
        self.assertIn(codes[0, 97, 31]["says"], people)
        sheets = self.done("status", "--db", self.database, "--csv").replace("\r\n", "\n").split("\n\n")
        sheet = next(s for s in sheets if s.startswith("engine,bus,source,spn"))
        self.assertEqual({row["spn"] for row in csv.DictReader(io.StringIO(sheet))}, {"97", "110"})

    def test_without_codes_people_see_no_table_of_them(self):
        codes = self.tell(minutes_of(lambda second: listed(START + second + 0.1, DM1, 0, 0x00)))
        self.assertEqual(codes, {})
        self.assertNotIn("occurrences", self.done("status", "--db", self.database))


if __name__ == "__main__":
    main()
