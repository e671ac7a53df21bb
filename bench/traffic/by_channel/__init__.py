"""Patterns by channel, for whoever checks wiring: they light what they name, no more.

`lane 3, device 7, red, dim` lights the red of device 7 on lane 3 of every node, dimly.
What is lit is all of what the parts say; parts may be left out and stand in any order:

    node NAME, lane N, device N, channel N, or the name of a channel
    off, dim, full or a share: how bright; dim unless stated
    each lane, each device or each channel: one after the other, at every node at once,
    and a time: how long each of them; a second unless stated

Lanes, devices and channels are counted from 0.  A semicolon parts selections; where two
speak of one channel the later one holds.  One of them may go through its channels in
turn, over whatever the others light.

Everything else is dark: no light, which is not always zero.  A channel that is lit is
never so dim that its steps make it dark.
"""

from bench.traffic.by_channel.octets import Lit, lit_by, words_of
from bench.traffic.by_channel.words import BY_CHANNEL

__all__ = ["BY_CHANNEL", "Lit", "lit_by", "words_of"]
