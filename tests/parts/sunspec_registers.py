"""Registers of a SunSpec device, encoded by the pysunspec2 library.

usage: sunspec_registers.py MODELS

MODELS is JSON: [[id, {"point": raw value, ...}], ...]; points that are not named are not implemented, and encoded so by
pysunspec2 itself. Prints the registers as a JSON list, from the marker to the end.
"""

import json
import struct
import sys

import sunspec2.device as device

registers = b"SunS"
for number, values in json.loads(sys.argv[1]):
    model = device.Model(number)
    for name, value in values.items():
        model.points[name].value = value
    registers += model.get_mb()
registers += struct.pack(">HH", 0xFFFF, 0)
print(json.dumps(list(struct.unpack(f">{len(registers) // 2}H", registers))))
