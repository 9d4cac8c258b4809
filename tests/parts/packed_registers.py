"""Numbers packed into registers by Python's struct module.

usage: packed_registers.py CASES

CASES is JSON: [[kind, value, word order, byte order], ...] with kinds and orders as in a register map. Prints a JSON
list with the registers of each case. struct packs the number with its highest byte first; the orders are then written
down here as the lists of registers that they are, highest first.
"""

import json
import struct
import sys

FORMS = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "u64": ">Q", "i64": ">q", "f32": ">f", "f64": ">d"}
WORDS = {
    "high first": {1: [0], 2: [0, 1], 4: [0, 1, 2, 3]},
    "low first": {1: [0], 2: [1, 0], 4: [3, 2, 1, 0]},
    "low first in pairs": {1: [0], 2: [1, 0], 4: [1, 0, 3, 2]},
    "low pair first": {1: [0], 2: [0, 1], 4: [2, 3, 0, 1]},
}
BYTES = {"high first": "big", "low first": "little"}


def registers(kind, value, words, order):
    packed = struct.pack(FORMS[kind], value)
    pairs = [packed[at : at + 2] for at in range(0, len(packed), 2)]
    return [int.from_bytes(pairs[at], BYTES[order]) for at in WORDS[words][len(pairs)]]


print(json.dumps([registers(*case) for case in json.loads(sys.argv[1])]))
