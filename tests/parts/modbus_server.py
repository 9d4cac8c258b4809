"""A Modbus TCP server of the pymodbus library.

usage: modbus_server.py PORT REGISTERS FILE

REGISTERS is JSON: {"holding": [[address, kind, value], ...], "input": [...], "coils": [[address, value], ...],
"discrete": [...]}. kind is one of uint16, int16, uint32, int32, float32, whose registers pymodbus itself writes, high
word first; or words, with a list of registers as they are. Every unit has them, unless REGISTERS is {"units": {"7": {...},
...}}: then there are these units only. To FILE goes one line for each connection, "connected", and one for each request:
its function code and its unit.
"""

import json
import sys

from pymodbus.client import ModbusTcpClient
from pymodbus.server import StartTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

PORT, REGISTERS, FILE = int(sys.argv[1]), json.loads(sys.argv[2]), sys.argv[3]
KINDS = ModbusTcpClient.DATATYPE


def words(kind, value):
    if kind == "words":
        return value
    return ModbusTcpClient.convert_to_registers(value, KINDS[kind.upper()], word_order="big")


def block(points):
    """One run of registers from the lowest up: what no point covers is 0."""
    runs = [(address, words(kind, value)) for address, kind, value in points] or [(0, [0])]
    first = min(address for address, _ in runs)
    registers = [0] * (max(address + len(run) for address, run in runs) - first)
    for address, run in runs:
        registers[address - first : address - first + len(run)] = run
    return [SimData(first, values=registers, datatype=DataType.REGISTERS)]


def bits(points):
    size = max((address + 1 for address, _ in points), default=1)
    values = [False] * (-(-size // 16) * 16)
    for address, value in points:
        values[address] = bool(value)
    return [SimData(0, values=values, datatype=DataType.BITS)]


with open(FILE, "a", buffering=1) as asked:

    def trace(sending, pdu):
        if not sending:
            asked.write(f"{pdu.function_code} {pdu.dev_id}\n")
        return pdu

    def trace_connect(connected):
        if connected:
            asked.write("connected\n")

    def device(unit, registers):
        tables = (
            bits(registers.get("coils", [])),
            bits(registers.get("discrete", [])),
            block(registers.get("holding", [])),
            block(registers.get("input", [])),
        )
        return SimDevice(unit, simdata=tables)

    units = REGISTERS.get("units", {"0": REGISTERS})
    devices = [device(int(unit), registers) for unit, registers in units.items()]
    StartTcpServer(devices, address=("127.0.0.1", PORT), trace_pdu=trace, trace_connect=trace_connect)
