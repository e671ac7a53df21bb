"""Port words the plain way: bit by bit, from what a profile's keys say they mean.

`lanes` lanes of `devices` registers of `register_bits`, `header_bits` before them; the
payload is the octets of lane 0, then of lane 1, each lane filled up to whole octets;
`bit_order` says which bit of an octet is sent first; a UART lane sends a start bit 0,
eight bits from the lowest up and a stop bit 1; lane k is bit `port_bits[k]`, or bit k.
Knows nothing of arrays, and nothing of the bench.
"""


def sent(octets, bits, order, signal):
    """The levels of one lane in the order of time.

    Args:
        octets: Of this lane.
        bits: How many of them are sent.
        order: "msb-first" or "lsb-first".
        signal: "clocked" or "uart".
    """
    levels = []
    for octet in octets:
        if signal == "uart":
            levels.append(0)
            levels += [octet // 2**k % 2 for k in range(8)]
            levels.append(1)
            continue
        for k in range(8):
            power = 7 - k if order == "msb-first" else k
            levels.append(octet // 2**power % 2)
    return levels if signal == "uart" else levels[:bits]


def words(payload, *, lanes, bits, order, signal, places):
    """Every port word of a burst, as a number.

    Args:
        payload: The node's octets.
        lanes: How many lanes.
        bits: Bits of a lane that are sent, headers included.
        order: As above.
        signal: As above.
        places: Port-word bit of each lane.
    """
    size = len(payload) // lanes
    rows = [
        sent(payload[lane * size : (lane + 1) * size], bits, order, signal)
        for lane in range(lanes)
    ]
    result = []
    for clock in range(len(rows[0])):
        word = 0
        for lane in range(lanes):
            word += rows[lane][clock] * 2 ** places[lane]
        result.append(word)
    return result
