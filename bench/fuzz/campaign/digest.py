"""What of a profile a case depends on: packets, addresses, how characters look.

The clock of an output or the cost of an interrupt may change, and a case is worth
replaying all the more; if packets look different, its rows mean something else.
"""

from __future__ import annotations

import json
from hashlib import blake2b
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.profile.model import Profile

_BUS = ("data_bits", "parity", "stop_bits")


def case_digest(profile: Profile) -> str:
    """Equal for profiles whose cases mean the same."""
    whole = profile.dump()
    depends = {
        "bus": {key: whole["bus"].get(key) for key in _BUS},
        "packet": whole["packet"],
        "nodes": [
            [node.name, node.address, node.output.payload_octets]
            for node in profile.node
        ],
    }
    text = json.dumps(depends, sort_keys=True, separators=(",", ":"))
    return blake2b(text.encode(), digest_size=16).hexdigest()
