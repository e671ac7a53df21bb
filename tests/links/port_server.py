"""A port server of pyserial's own (RFC 2217) in front of its loop; needs no POSIX."""

from __future__ import annotations

import socket
import threading
import warnings

import serial
import serial.rfc2217


def listener() -> socket.socket:
    """A listening TCP socket on the loopback address."""
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(3)
    return server


class PortServer(threading.Thread):
    """RFC 2217 on one connection."""

    def __init__(self, server: socket.socket) -> None:
        super().__init__(daemon=True)
        self._server, self._going = server, True

    def stop(self) -> None:
        """Let go of the connection, soon."""
        self._going = False

    def run(self) -> None:
        """See `Thread`."""
        port = serial.serial_for_url("loop://", timeout=0)
        port.buffer_size = 1 << 20
        connection, _ = self._server.accept()
        lock = threading.Lock()

        class Out:
            def write(self, octets: bytes) -> None:
                with lock:
                    connection.sendall(octets)

        with warnings.catch_warnings(), connection:
            warnings.simplefilter("ignore")
            manager = serial.rfc2217.PortManager(port, Out())
            connection.settimeout(0.002)
            while self._going:
                try:
                    octets = connection.recv(4096)
                    if not octets:
                        break
                    port.write(b"".join(manager.filter(octets)))
                except TimeoutError:
                    pass
                except OSError:
                    break
                if waiting := port.in_waiting:
                    Out().write(b"".join(manager.escape(port.read(waiting))))
