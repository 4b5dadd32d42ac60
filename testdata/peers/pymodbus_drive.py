#!/usr/bin/python3
"""A drive played by pymodbus 3.0 (Debian's python3-pymodbus), for tests.

It serves 65,536 holding registers, input registers of the same content, as
many coils and discrete inputs, and the same words once more as file records
(function code 20). Word i of the content is

    ((i + seed) * 40503 + (i >> 5)) & 0xFFFF

or comes from --image, a file of big-endian words from address 0 on; the rest
is zero then. Coil and discrete input i are the lowest bit of word i. Record r
of file f is word (f - 1) * 10000 + r, of --files where that is given.

Prints "listening HOST:PORT" when it serves.
"""
import argparse
import asyncio
import importlib.util
import struct
import sys
import types

# pymodbus imports these even where only TCP is served; a bare Debian lacks them.
for name, needs in (("serial", ()), ("serial_asyncio", ("create_serial_connection",))):
    if importlib.util.find_spec(name) is None:
        sys.modules[name] = types.ModuleType(name)
        for attribute in needs:
            setattr(sys.modules[name], attribute, None)

from pymodbus import file_message
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.pdu import ModbusExceptions
from pymodbus.server.async_io import ModbusTcpServer

WORDS = 65536
PER_FILE = 10000


def content(path, seed):
    if path is None:
        return [((i + seed) * 40503 + (i >> 5)) & 0xFFFF for i in range(WORDS)]
    with open(path, "rb") as image:
        raw = image.read()
    words = list(struct.unpack(">%dH" % (len(raw) // 2), raw[: len(raw) // 2 * 2]))
    return words + [0] * (WORDS - len(words))


def serve_files(words):
    """Gives pymodbus the function code 20 that it lacks.

    Stock pymodbus answers an empty success and writes a wrong length byte.
    """

    def execute(self, _context):
        for record in self.records:
            start = (record.file_number - 1) * PER_FILE + record.record_number
            end = start + record.record_length
            fits = record.record_number + record.record_length <= PER_FILE
            if record.file_number < 1 or not fits or end > len(words):
                return self.doException(ModbusExceptions.IllegalAddress)
            data = struct.pack(">%dH" % record.record_length, *words[start:end])
            record.record_data = data
            record.response_length = len(data) + 1
        return file_message.ReadFileRecordResponse(self.records)

    def encode(self):
        groups = b"".join(
            struct.pack(">BB", len(record.record_data) + 1, 6) + record.record_data for record in self.records
        )
        return struct.pack("B", len(groups)) + groups

    file_message.ReadFileRecordRequest.execute = execute
    file_message.ReadFileRecordResponse.encode = encode


async def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, default=0, help="0: a free one")
    parser.add_argument("--unit", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--image", help="content of the registers")
    parser.add_argument("--files", help="content of the file records")
    parser.add_argument("--stock-files", action="store_true", help="leave function code 20 as pymodbus has it")
    args = parser.parse_args()

    words = content(args.image, args.seed)
    if not args.stock_files:
        serve_files(content(args.files, args.seed) if args.files else words)
    bits = [word & 1 for word in words]
    unit = ModbusSlaveContext(
        hr=ModbusSequentialDataBlock(0, list(words)),
        ir=ModbusSequentialDataBlock(0, list(words)),
        co=ModbusSequentialDataBlock(0, list(bits)),
        di=ModbusSequentialDataBlock(0, list(bits)),
        zero_mode=True,
    )
    context = ModbusServerContext(slaves={args.unit: unit}, single=False)
    server = ModbusTcpServer(context, address=("127.0.0.1", args.port))
    task = asyncio.ensure_future(server.serve_forever())
    await server.serving
    print("listening 127.0.0.1:%d" % server.server.sockets[0].getsockname()[1], flush=True)
    # End with whoever started this: its end of standard input closes then.
    loop = asyncio.get_running_loop()
    await loop.run_in_executor(None, sys.stdin.read)
    task.cancel()


if __name__ == "__main__":
    asyncio.run(main())
