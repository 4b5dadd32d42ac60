#!/usr/bin/python3
"""A PLC played by pymodbus 3.0 (Debian's python3-pymodbus), for tests.

It reads one drive's block of faultkeep's hold-off and runs the function block of
configs/holdoff/reset-holdoff.st over it, line by line. On standard input come
"trip" and "clear", as its own inputs tell it; it prints "ready" as soon as the
drive is watched, and "reset" when the fault may be reset, or "gave up" before
that where the recording isn't kept. With --blind it doesn't ask and resets after
--least. Ends when standard input does.
"""
import argparse
import importlib.util
import queue
import sys
import threading
import time
import types

# pymodbus imports these even where only TCP is used; a bare Debian lacks them.
for name, needs in (("serial", ()), ("serial_asyncio", ("create_serial_connection",))):
    if importlib.util.find_spec(name) is None:
        sys.modules[name] = types.ModuleType(name)
        for attribute in needs:
            setattr(sys.modules[name], attribute, None)

from pymodbus.client import ModbusTcpClient


class TON:
    """On-delay timer of IEC 61131-3."""

    def __init__(self, pt):
        self.pt, self.since, self.q = pt, None, False

    def __call__(self, on):
        if not on:
            self.since, self.q = None, False
            return
        now = time.monotonic()
        if self.since is None:
            self.since = now
        self.q = now - self.since >= self.pt


parser = argparse.ArgumentParser()
parser.add_argument("--host", required=True)
parser.add_argument("--port", type=int, required=True)
parser.add_argument("--first", type=int, required=True)
parser.add_argument("--least", type=float, required=True)
parser.add_argument("--most", type=float, required=True)
parser.add_argument("--silent", type=float, required=True)
parser.add_argument("--blind", action="store_true")
args = parser.parse_args()

inputs = queue.SimpleQueue()


def listen():
    for line in sys.stdin:
        inputs.put(line.strip() == "trip")
    ended.set()


ended = threading.Event()
threading.Thread(target=listen, daemon=True).start()
client = ModbusTcpClient(args.host, port=args.port, timeout=1)
seen_by, longest, still = TON(args.least), TON(args.most), TON(args.silent)
last_beat = said = None
trip = False
ready = False
while not ended.is_set():
    read_ok, pending, watched, beat = False, False, False, 0
    if not args.blind:
        try:
            if not client.connected:
                client.connect()
            bits = client.read_discrete_inputs(args.first, 4, slave=1)
            words = client.read_input_registers(args.first, 1, slave=1)
            if not bits.isError() and not words.isError():
                read_ok, pending, watched, beat = True, bits.bits[0], bits.bits[3], words.registers[0]
        except Exception:
            client.close()
    if not ready and (args.blind or watched):  # a trip before that is nobody's to wait for
        ready = True
        print("ready", flush=True)
    # One change of the input a scan, so that none goes by unseen however long a
    # scan takes.
    if not inputs.empty():
        trip = inputs.get()
    seen_by(trip)
    longest(trip)
    still(read_ok and beat == last_beat)
    last_beat = beat
    alive = read_ok and watched and not still.q
    gave_up = trip and (longest.q or not alive) and (pending or not seen_by.q)
    may_reset = trip and (longest.q or not alive or (seen_by.q and not pending))
    if args.blind:
        gave_up, may_reset = False, trip and seen_by.q
    if may_reset and not said:
        if gave_up:
            print("gave up", flush=True)
        print("reset", flush=True)
    said = may_reset
    time.sleep(0.02)
