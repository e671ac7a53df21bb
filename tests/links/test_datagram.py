"""Datagrams: a packet each, to this host unless told otherwise."""

from __future__ import annotations

import pytest
from links import rigs
from links.contract import heard

from bench.base.clock import SystemClock
from bench.base.errors import LinkError, UsageError
from bench.link.ports import PortOptions, make_transport
from bench.profile.model import Bus

BUS = Bus(baud=4_000_000)


def test_what_is_written_at_once_arrives_at_once():
    """One datagram a write, whole and by itself, both ways."""
    rig = rigs.udp()
    packets = [bytes([k]) * (k + 1) for k in range(40)]
    for packet in packets:
        assert rig.transport.write(memoryview(packet)) == len(packet)
    assert [rig.far.take() for _ in packets] == packets
    rig.far.give(b"one")
    rig.far.give(b"two")
    assert heard(rig.transport, 3) == b"one"
    assert heard(rig.transport, 3) == b"two"
    assert rig.transport.told().counts["datagrams_lost"] is None
    rig.close()


def test_a_packet_that_does_not_fit_is_refused():
    """More than a datagram holds is not cut in two."""
    rig = rigs.udp()
    with pytest.raises(LinkError, match="does not fit a datagram: 65508 octets"):
        rig.transport.write(memoryview(bytes(65_508)))
    assert rig.transport.write(memoryview(b"fits")) == 4
    rig.close()


def test_another_host_is_not_spoken_to_unless_told():
    """A documentation address (RFC 5737) is refused, and allowed by name."""
    with pytest.raises(UsageError, match="away=on"):
        make_transport("udp:192.0.2.1:5000", BUS, SystemClock())
    options = PortOptions(away=True)
    try:
        transport = make_transport("udp:192.0.2.1:5000", BUS, SystemClock(), options)
    except LinkError as error:
        assert "cannot reach" in str(error)  # noqa: PT017 - no network here
    else:
        assert transport.told().facts["this_host"] is False
        transport.close()


@pytest.mark.parametrize("name", ["udp:", "udp:5", "udp:a:b", "udp:a:0", "udp::70000"])
def test_what_is_no_host_and_port_is_refused(name):
    """A name that means nothing is a usage error with the right form."""
    with pytest.raises(UsageError, match="udp:HOST:PORT"):
        make_transport(name, BUS, SystemClock())
