"""Options of a port, from words."""

from __future__ import annotations

import pytest

from bench.base.errors import UsageError
from bench.link.ports.options import PortOptions, Rs485


@pytest.mark.parametrize(
    ("words", "options"),
    [
        ({}, PortOptions()),
        ({"dtr": "off", "rts": "on"}, PortOptions(dtr=False, rts=True)),
        ({"rs485": "on"}, PortOptions(rs485=Rs485())),
        ({"rs485": "off"}, PortOptions()),
        (
            {"rs485-before": "0.5 ms", "rs485-after": "2 ms", "rs485-hears-own": "yes"},
            PortOptions(
                rs485=Rs485(before_ns=500_000, after_ns=2_000_000, hears_own=True)
            ),
        ),
        ({"break": "octet"}, PortOptions(break_by="octet")),
        ({"away": "on"}, PortOptions(away=True)),
        ({"xonxoff": "off", "rtscts": "no"}, PortOptions()),
    ],
)
def test_words_are_read(words, options):
    """Every option has its word, with a unit where there is one."""
    assert PortOptions.of(words) == options


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"rst": "on"}, "no such option of a link: rst.*did you mean rts"),
        ({"rts": "high"}, "not a switch: rts=high, expected on or off"),
        ({"xonxoff": "on"}, "software flow control is refused.*11h and 13h"),
        ({"rtscts": "on"}, "flow control by modem lines is refused"),
        ({"dsrdtr": "on"}, "flow control by modem lines is refused"),
        ({"break": "long"}, "expected line or octet"),
        ({"rs485-before": "0.5"}, "rs485-before"),
    ],
)
def test_words_that_mean_nothing_are_refused(words, message):
    """One line each, with what would have been right."""
    with pytest.raises(UsageError, match=message) as error:
        PortOptions.of(words)
    assert len(error.value.lines) == 1
