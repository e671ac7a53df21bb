"""A MODBUS RTU server made with pymodbus: one address, and registers to write.

    server.py PORT BAUD ADDRESS

It says "ready" on its standard output when the port is open, and serves until it is
ended.  What it does with packets that are not its own is the library's doing.
"""

from __future__ import annotations

import asyncio
import sys

from pymodbus import FramerType
from pymodbus.datastore import (
    ModbusDeviceContext,
    ModbusSequentialDataBlock,
    ModbusServerContext,
)
from pymodbus.server import ModbusSerialServer


async def main(port: str, baud: int, address: int) -> None:
    """Serve."""
    registers = ModbusSequentialDataBlock(1, [0] * 256)
    device = ModbusDeviceContext(hr=registers)
    context = ModbusServerContext(devices={address: device}, single=False)
    server = ModbusSerialServer(
        context, framer=FramerType.RTU, port=port, baudrate=baud
    )
    task = asyncio.ensure_future(server.serve_forever())
    while server.transport is None:
        await asyncio.sleep(0.01)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    await task


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3])))
