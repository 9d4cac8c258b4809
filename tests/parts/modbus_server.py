"""A Modbus TCP server of the pymodbus library.

usage: modbus_server.py PORT REGISTERS FILE

REGISTERS is JSON: {"holding": [[address, kind, value], ...], "input": [...]}, kind one of uint16, int16, uint32,
int32, float32; numbers of two registers are written high word first by pymodbus itself. To FILE goes the function
code of each request, one a line.
"""

import json
import sys

from pymodbus.client import ModbusTcpClient
from pymodbus.server import StartTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

PORT, REGISTERS, FILE = int(sys.argv[1]), json.loads(sys.argv[2]), sys.argv[3]
KINDS = ModbusTcpClient.DATATYPE


def words(kind, value):
    return ModbusTcpClient.convert_to_registers(value, KINDS[kind.upper()], word_order="big")


def block(points):
    """One run of registers from 0 up: what no point covers is 0."""
    size = max((address + 2 for address, _, _ in points), default=1)
    registers = [0] * size
    for address, kind, value in points:
        for offset, word in enumerate(words(kind, value)):
            registers[address + offset] = word
    return [SimData(0, values=registers, datatype=DataType.REGISTERS)]


def bits():
    return [SimData(0, values=[False] * 16, datatype=DataType.BITS)]


with open(FILE, "a", buffering=1) as asked:

    def trace(sending, pdu):
        if not sending:
            asked.write(f"{pdu.function_code}\n")
        return pdu

    device = SimDevice(
        0, simdata=(bits(), bits(), block(REGISTERS.get("holding", [])), block(REGISTERS.get("input", [])))
    )
    StartTcpServer(device, address=("127.0.0.1", PORT), trace_pdu=trace)
