"""What can-isotp's transport logic alone makes of 4095 bytes, both ends in one thread: frames and seconds as JSON."""

import json
import time
from collections import deque

import isotp

DATA = bytes(place % 256 for place in range(4095))
PARAMS = {"blocksize": 0, "stmin": 0, "tx_padding": 0xCC}


def end(txid, rxid, incoming, outgoing, count):
    def send(message):
        count[0] += 1
        outgoing.append(message)

    def receive(timeout):
        return incoming.popleft() if incoming else None

    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=txid, rxid=rxid)
    return isotp.TransportLayerLogic(rxfn=receive, txfn=send, address=address, params=PARAMS)


def main():
    to_unit, to_tester, count = deque(), deque(), [0]
    tester = end(0x5A1, 0x5A9, to_tester, to_unit, count)
    unit = end(0x5A9, 0x5A1, to_unit, to_tester, count)
    start = time.perf_counter()
    while (seconds := time.perf_counter() - start) < 2:
        tester.send(DATA)
        while not unit.available():
            tester.process()
            unit.process()
        assert unit.recv() == DATA
    print(json.dumps({"frames": count[0], "seconds": seconds}))


main()
