#!/usr/bin/env python3
"""Litres in a candump text capture, by the few lines that anybody could write.

Shares nothing with the program: reads the fuel rate of J1939 LFE (PGN 65266, bytes 1-2, 0.05 L/h a
bit) from one source address and adds up trapezoids, leaving out intervals over 5 s.

usage: integral.py CAPTURE.log.gz [ADDRESS]
"""
import gzip
import re
import sys

address = int(sys.argv[2]) if len(sys.argv) > 2 else 0
line_form = re.compile(r"\((\d+\.\d+)\)\s+\S+\s+(?:([0-9A-F]{8})\s+\[8\]\s+([0-9A-F ]+)|([0-9A-F]{8})#([0-9A-F]+))")
litres = 0.0
last = None
rates = []
for line in gzip.open(sys.argv[1], "rt", errors="replace"):
    m = line_form.search(line)
    if not m:
        continue
    t, ident = float(m[1]), int(m[2] or m[4], 16)
    data = bytes.fromhex(m[3] or m[5])
    if (ident >> 8) & 0xFFFF != 0xFEF2 or ident & 0xFF != address:
        continue
    raw = data[0] | data[1] << 8
    if raw > 0xFAFF:
        continue
    rate = raw * 0.05
    rates.append(rate)
    if last and t - last[0] <= 5:
        litres += (t - last[0]) / 3600 * (rate + last[1]) / 2
    last = (t, rate)
print(f"{len(rates)} rates, min {min(rates):.2f} mean {sum(rates) / len(rates):.2f} max {max(rates):.2f} L/h, {litres:.6f} L")
