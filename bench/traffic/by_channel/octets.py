"""From the selections of a pattern by channel to the octets of payloads.

What stays lit is encoded once, a payload a node.  What is lit in turn is kept as the
octets in which a turn differs from that: a chain of some thousand channels has as many
turns, and few octets change in each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.grid import NS_PER_S
from bench.profile.channels import ChannelMap
from bench.traffic.by_channel.words import COUNTED, DIM, Selection, Words, fault

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.profile.model import Profile

    Mask = NDArray[np.bool_]
    Whole = NDArray[np.int64]

__all__ = ["Lit", "lit_by", "words_of"]

_HOLD_NS = NS_PER_S
"""How long a turn lasts unless stated: long enough to look along a chain."""


@dataclass(frozen=True, slots=True)
class Lit:
    """The payloads of a pattern, as the rules of the kernel take them.

    Attributes:
        table: uint8, the payloads of all nodes without what is lit in turn.
        starts: Where in it each begins; a broadcast packet's is that of the first.
        hold: Frames that a turn lasts.
        turns: How many there are; 1 where nothing is lit in turn.
        changes: int64 of shape (changes, 4): turn, node, octet of its payload, and what
            it is in that turn; ascending, the broadcast packet being one more node.
    """

    table: NDArray[np.uint8]
    starts: tuple[int, ...]
    hold: int
    turns: int
    changes: Whole


def words_of(profile: Profile) -> Words:
    """The names that patterns of a profile may use."""
    return _words([ChannelMap(node) for node in profile.node])


def _words(maps: Sequence[ChannelMap]) -> Words:
    names = dict.fromkeys(name for one in maps for name in one.names if name)
    return Words([one.node for one in maps], list(names))


def lit_by(text: str, profile: Profile) -> Lit:
    """What the payloads of a pattern by channel hold.

    Args:
        text: The pattern.
        profile: Whose channels it speaks of.

    Raises:
        ProfileError: If the text names what there is not.
    """
    maps = [ChannelMap(node) for node in profile.node]
    selections = _words(maps).selections(text)
    chosen = [_chosen(one, maps) for one in selections]
    walk, turns = Selection(), [0]
    payloads, changes = [], [np.zeros((0, 4), np.int64)]
    for node, channels in enumerate(maps):
        light, walking = _light(selections, [one[node] for one in chosen], channels)
        payloads.append(channels.encode(light[None])[0])
        for walk, mask in walking:
            turn = _turns(channels, mask, walk.values["each"])
            own = _changes(channels, light, _levels(walk, channels), turn)
            own[:, 1] = node
            turns.append(int(turn.max(initial=0)))
            changes.append(own)
    starts = np.cumsum([0, *(len(payload) for payload in payloads[:-1])]).tolist()
    hold_ns = walk.values.get("hold", _HOLD_NS)
    hold = max(1, round(hold_ns * profile.traffic.frame_rate_hz / NS_PER_S))
    every = _with_broadcast(np.concatenate(changes), len(maps))
    return Lit(np.concatenate(payloads), (*starts, 0), hold, 1 + max(turns), every)


def _light(
    selections: Sequence[Selection], masks: Sequence[Mask], channels: ChannelMap
) -> tuple[Whole, list[tuple[Selection, Mask]]]:
    """What stays lit at a node, and the selection that goes in turn, if there is one.

    Args:
        selections: All of them.
        masks: Which channels of the node are whose.
        channels: The map of the node.
    """
    light, walking = np.zeros(len(channels), np.int64), []
    for selection, mask in zip(selections, masks, strict=True):
        if "each" in selection.parts:
            walking.append((selection, mask))
        else:
            light = np.where(mask, _levels(selection, channels), light)
    return light, walking


def _with_broadcast(changes: Whole, nodes: int) -> Whole:
    """The same with those of the broadcast packet, which is like the first node's."""
    broadcast = changes[changes[:, 1] == 0].copy()
    broadcast[:, 1] = nodes
    both = np.concatenate([changes, broadcast])
    return both[np.lexsort(both.T[2::-1])]


# --- channels -------------------------------------------------------------------------


def _chosen(selection: Selection, maps: Sequence[ChannelMap]) -> list[Mask]:
    """The channels of a selection, a mask a node.

    Raises:
        ProfileError: If there are none.
    """
    values = selection.values
    mine = [one for one in maps if values.get("node", one.node) == one.node]
    for key in COUNTED:
        most = max(int(one.rows[key].max(initial=-1)) for one in mine)
        if values.get(key, -1) > most >= 0:
            raise fault(f"no such {key}", str(values[key]), f"0 to {most}")
    masks = [_mask(values, one) & (one in mine) for one in maps]
    if not any(mask.any() for mask in masks):
        text = ", ".join(selection.parts.values())
        raise fault("no such channel", text, "one that is all of that")
    return masks


def _mask(values: dict[str, object], channels: ChannelMap) -> Mask:
    """The channels of one node that are what a selection says."""
    mask = np.full(len(channels), True)
    for key in COUNTED:
        if key in values:
            mask &= channels.rows[key] == values[key]
    if "name" in values:
        named = np.array([name == values["name"] for name in channels.names], bool)
        mask &= named[channels.rows["name"]]
    return mask


def _levels(selection: Selection, channels: ChannelMap) -> Whole:
    """The light of every channel, if lit; one step at least where it is any."""
    share = selection.values.get("level", DIM)
    levels: Whole = np.floor(share * channels.full).astype(np.int64)
    return levels.clip(int(share > 0))


# --- in turn --------------------------------------------------------------------------


def _turns(channels: ChannelMap, mask: Mask, each: str) -> Whole:
    """In which turn each channel is lit; -1: in none."""
    rows = channels.rows[mask]
    key = np.arange(len(rows))
    if each != "channel":
        devices = 1 + int(rows["device"].max(initial=0))
        key = devices * rows["lane"] + (each == "device") * rows["device"]
    turns = np.full(len(channels), -1)
    turns[mask] = np.unique(key, return_inverse=True)[1].reshape(-1)
    return turns


def _changes(channels: ChannelMap, light: Whole, levels: Whole, turns: Whole) -> Whole:
    """The octets that differ in some turn: turn, 0, octet, and what it is.

    Args:
        channels: The map of a node.
        light: What stays lit.
        levels: The light of channels in their turn.
        turns: In which turn each is lit; see `_turns`.
    """
    flipped = channels.held(levels) ^ channels.held(light)
    below = channels.rows["bits"][:, None] - 1 - np.arange(channels.places.shape[1])
    flips = (flipped[:, None] >> below.clip(0) & 1) * (below >= 0)
    row, k = np.nonzero(flips * (turns >= 0)[:, None])
    octet, bit = np.divmod(channels.places[row, k], 8)
    # Channels may share an octet, so its bits are put together turn by turn.
    octets = max(1, channels.octets)
    keys, which = np.unique(turns[row] * octets + octet, return_inverse=True)
    flip = np.zeros(len(keys), np.int64)
    np.add.at(flip, which.reshape(-1), 128 >> bit)
    turn, at = np.divmod(keys, octets)
    there = channels.encode(light[None])[0].astype(np.int64)
    return np.stack([turn, np.zeros_like(turn), at, there[at] ^ flip], axis=1)
