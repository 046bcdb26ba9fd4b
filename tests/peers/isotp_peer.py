"""The far end of an ISO 15765-2 conversation, with can-isotp over python-can: one line of JSON for every case.

usage: isotp_peer.py socketcand HOST PORT BUS | slcan PATH
"""

import json
import logging
import sys
import time

import can
import isotp

REQUEST, RESPONSE = 0x5A1, 0x5A9
SETTINGS, RELAY = 0x6F0, 0x6F1  # tell the station what to be like, and what to send as it stands
ECHO, DEAF, WAITING, LOSING, SWAPPING = range(5)

logging.getLogger("can").setLevel(logging.ERROR)
logging.getLogger("isotp").setLevel(logging.CRITICAL)


def open_bus(kind, *where):
    if kind == "socketcand":
        host, port, name = where
        return can.Bus(interface="socketcand", host=host, port=int(port), channel=name, tcp_tune=True)
    return can.Bus(interface="slcan", channel=where[0], bitrate=1_000_000, sleep_after_open=0)


def put(bus, arbitration_id, data):
    bus.send(can.Message(arbitration_id=arbitration_id, data=bytes(data), is_extended_id=False))


class Case:
    """A fresh stack, and a station set up for this case."""

    number = 0

    def __init__(self, bus, name, mode=ECHO, station=(0, 0), own=(0, 0), **params):
        Case.number += 1
        self.bus, self.name, self.errors = bus, name, []
        put(bus, SETTINGS, [Case.number, mode, *station])
        block_size, st_min = own
        params = {
            "blocksize": block_size, "stmin": st_min, "tx_padding": 0xCC, "wftmax": 0,
            "rx_flowcontrol_timeout": 400, "rx_consecutive_frame_timeout": 400,
            # A bus of 1 Mbit/s takes about 7000 frames a second; an adapter's queue is short.
            "rate_limit_enable": True, "rate_limit_max_bitrate": 100_000, "rate_limit_window_size": 0.01,
            **params,
        }
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=REQUEST, rxid=RESPONSE)
        self.stack = isotp.CanStack(bus, address=address, params=params, error_handler=self.errors.append)

    def __enter__(self):
        self.stack.start()
        return self

    def __exit__(self, *_):
        self.stack.stop()

    def told(self):
        return list(dict.fromkeys(type(error).__name__ for error in self.errors))  # in the order that they came

    def report(self, **fields):
        print(json.dumps({"case": self.name, "number": Case.number, "errors": self.told(), **fields}), flush=True)

    def until_error(self, seconds=3):
        end = time.monotonic() + seconds
        while not self.errors and time.monotonic() < end:
            time.sleep(0.01)


def payload(length):
    return bytes((7 * place + length) % 256 for place in range(length))


def echoes(bus):
    for st_min in (0x00, 0x01, 0xF3):
        for block_size in (0, 1, 8):
            for length in (1, 7, 8, 200, 4095):
                flow = (block_size, st_min)
                with Case(bus, "echo", station=flow, own=flow) as case:
                    data, back = payload(length), None
                    # An adapter drops what its queue does not hold when this computer is busy: asked again.
                    for _ in range(4):
                        case.errors.clear()
                        case.stack.send(data)
                        back = case.stack.recv(block=True, timeout=8)
                        if back is not None:
                            break
                    equal = back is not None and bytes(back) == data
                    case.report(length=length, block_size=block_size, st_min=st_min, equal=equal)


def errors_of_the_peer(bus):
    """What it reports of our machines, when they are slow, full, or lose frames."""
    with Case(bus, "no flow control", mode=DEAF) as case:
        case.stack.send(payload(100))
        case.until_error()
        case.report()
    with Case(bus, "too many waits", mode=WAITING, wftmax=1) as case:
        case.stack.send(payload(100))
        case.until_error()
        case.report()
    with Case(bus, "overflow") as case:
        case.stack.send(payload(5000))
        case.until_error()
        case.report()
    with Case(bus, "a frame lost", mode=LOSING) as case:
        case.stack.send(payload(100))
        case.until_error()
        case.report()
    with Case(bus, "the last frame lost", mode=LOSING) as case:
        case.stack.send(payload(20))
        case.until_error()
        case.report()
    with Case(bus, "two frames swapped", mode=SWAPPING) as case:
        case.stack.send(payload(100))
        case.until_error()
        case.report()
    with Case(bus, "reserved separation time", station=(0, 0x80)) as case:
        case.stack.send(payload(20))
        case.until_error(1)
        back = case.stack.recv(block=True, timeout=3)
        case.report(equal=back is not None and bytes(back) == payload(20))


def errors_of_ours(bus):
    """Frames as they stand: what our machine makes of them is told by the station."""
    pad = lambda *data: list(data) + [0xCC] * (8 - len(data))
    first = pad(0x10, 0x14, 0x2E, 0xF1, 0x90, 0x03, 0x04, 0x05)
    frames = {
        "no consecutive frame": ([first], 1.3),
        "wrong sequence": ([first, pad(0x22, 1, 2, 3, 4, 5, 6, 7)], 0.2),
        "repeated": ([first, pad(0x21, 1, 2, 3, 4, 5, 6, 7), pad(0x21, 1, 2, 3, 4, 5, 6, 7)], 0.2),
        "interrupted by a first frame": ([first, first], 1.3),
        "interrupted by a single frame": ([first, pad(0x01, 0x3E)], 0.3),
        "no length": ([pad(0x00, 0x3E)], 0.2),
        "a length that does not fit": ([pad(0x09, 1, 2, 3, 4, 5, 6, 7)], 0.2),
        "a reserved type": ([pad(0x40, 1)], 0.2),
        "not filled": ([[0x02, 0x3E, 0x00]], 0.2),
        "six bytes in a first frame": ([pad(0x10, 0x06, 1, 2, 3, 4, 5, 6)], 0.2),
        "unawaited consecutive frame": ([pad(0x21, 1, 2, 3, 4, 5, 6, 7)], 0.2),
        "unawaited flow control": ([pad(0x30, 0, 0)], 0.2),
    }
    for name, (sent, seconds) in frames.items():
        case = Case(bus, name)
        while bus.recv(0) is not None:
            pass
        heard = []
        for frame in sent:
            put(bus, REQUEST, frame)
            time.sleep(0.05)
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            message = bus.recv(0.05)
            if message is not None and message.arbitration_id == RESPONSE:
                heard.append(bytes(message.data).hex(" "))
        case.report(heard=heard)
    # Our machine as the sender: a single long answer, and the flow control that comes for it.
    for name, flow, seconds in (
        ("answer without flow control", None, 1.5),
        ("answer with overflow", pad(0x32, 0, 0), 0.3),
        ("answer with a reserved status", pad(0x33, 0, 0), 0.3),
        ("answer with waits", pad(0x31, 0, 0), 0.3),
    ):
        case = Case(bus, name)
        request = payload(10)
        put(bus, REQUEST, [0x10, 0x0A, *request[:6]])
        time.sleep(0.1)
        put(bus, REQUEST, pad(0x21, *request[6:]))
        time.sleep(0.1)
        if flow:
            put(bus, REQUEST, flow)
        time.sleep(seconds)
        case.report()


def deviations(bus):
    """Where can-isotp differs from ISO 15765-2:2016."""
    while bus.recv(0.2) is not None:
        pass
    sent, send = [], bus.send

    def noting(message, timeout=None):
        if message.arbitration_id == REQUEST:
            sent.append(bytes(message.data).hex(" "))
        send(message, timeout)

    bus.send = noting
    with Case(bus, "first frame of six bytes is answered") as case:
        put(bus, RELAY, [0x10, 0x06, 1, 2, 3, 4, 5, 6])
        time.sleep(0.3)
        case.report(heard=sent)
    bus.send = send


def main():
    bus = open_bus(*sys.argv[1:])
    time.sleep(0.2)
    for group in (echoes, errors_of_the_peer, errors_of_ours, deviations):
        group(bus)
    Case(bus, "end")
    time.sleep(0.1)
    bus.shutdown()


main()
