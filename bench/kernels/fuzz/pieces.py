"""What a row means: the piece, or pieces, of the line that it becomes."""

from __future__ import annotations

from bench.kernels.fuzz import records as r
from bench.kernels.jit import inner

__all__ = ["add_piece", "good_piece", "pieces_of"]


@inner
def add_piece(parts, count):
    """One more piece, a good packet as yet; its place among the pieces."""
    for k in range(parts.blank.shape[0]):
        parts.flat[count, k] = parts.blank[k]
    return count


@inner
def good_piece(parts, count):
    """A good packet; returns how many pieces there are then."""
    add_piece(parts, count)
    return count + 1


@inner
def _signed(value):
    """Numbers from 0 on as 1, -1, 2, -2, 3 and so on."""
    return -(value + 1) // 2 if value & 1 else value // 2 + 1


@inner
def pieces_of(parts, kind, place, value, count):
    """The pieces of one row, from `count` on; returns how many there are then.

    Args:
        parts: `Parts`.
        kind: Which attack.
        place: Its place.
        value: Its value.
        count: How many pieces there are.
    """
    add_piece(parts, count)
    piece = parts.pieces[count]
    piece.kind = kind
    piece.sound = 0
    if kind <= r.LENGTH_WRAPPING:
        _examined(parts, piece, kind, place, value)
    elif kind <= r.BAD_ESCAPE:
        _delimited(piece, kind, place, value)
    elif kind <= r.FOREIGN_SHELL:
        _addressed(parts, piece, kind, place, value)
    elif kind <= r.GIANT:
        count = _counted(parts, piece, kind, value, count)
    elif kind == r.NO_GAP or kind == r.OVERLOAD:
        count = _packed(parts, piece, kind, value, count)
    elif kind <= r.SPIKE:
        _noisy(piece, kind, place, value)
    elif kind <= r.BAUD_DRIFT:
        _flawed(piece, kind, place, value)
    else:
        _spoiled(parts, piece, kind, place, value)
    return count + 1


@inner
def _examined(parts, piece, kind, place, value):
    """Checks and lengths."""
    if kind == r.CALM:
        piece.sound = 1
        piece.gap_ns = value
    elif kind == r.CHECK_VALUE:
        piece.check_xor = value
    elif kind == r.CHECK_ORDER:
        piece.check_turn = value
    elif kind == r.CHECK_SPAN:
        piece.redo = 1
        if place == 0:
            piece.check_from = _signed(value)
        else:
            piece.check_to = _signed(value)
    else:
        _length(parts.plan[0], parts.packets.shape[0], piece, kind, place, value)


@inner
def _length(plan, shape, piece, kind, place, value):
    """What the length field says is not so; the check is right, unless `place`."""
    truth = plan.payload + shape.length_adds
    most = (1 << (8 * shape.length[1])) - 1
    says = shape.length_adds
    if kind == r.LENGTH_SHORT:
        says = truth - value
    elif kind == r.LENGTH_LONG:
        says = truth + value
    elif kind == r.LENGTH_MAXIMAL:
        says = most - value
    elif kind == r.LENGTH_WRAPPING:
        # What is left of it in fewer octets is right.
        says = truth + (value << (8 * max(1, shape.length[1] - 1)))
    piece.length_says = says & most
    piece.redo = 1 - place
    if says == truth:
        piece.sound = 1


@inner
def _delimited(piece, kind, place, value):
    """Where a packet begins and ends."""
    if kind == r.TRUNCATED:
        piece.cut = place
    elif kind == r.MARKER_INSIDE:
        piece.head_at = place
        piece.head_octets = value
        piece.sound = 1
    elif kind == r.HEADER_INSIDE:
        piece.again = place
    elif kind == r.DELIMITERS_REPEATED:
        piece.leading = 0 if place else value
        piece.trailing = value if place else 0
        piece.sound = 1
    elif kind == r.DELIMITER_MISSING:
        piece.leading = 0 if place else -1
        piece.trailing = -1 if place else 0
    else:
        piece.escape_at = place
        piece.escape_octet = value


@inner
def _addressed(parts, piece, kind, place, value):
    """Whom a packet is for; it is sound."""
    plan, shape = parts.plan[0], parts.packets.shape[0]
    piece.sound = 1
    piece.own = 0
    if kind == r.ADDRESS_BITS:
        piece.address = plan.address ^ value
    elif kind == r.ADDRESS_NEAR:
        piece.address = plan.address + _signed(value)
    elif kind <= r.BROADCAST_NEAR:
        piece.address = parts.broadcasts[value % parts.broadcasts.shape[0]]
        if kind == r.BROADCAST_NEAR:
            piece.address ^= 1 << place
        else:
            piece.own = 2
        if kind == r.BROADCAST_SIZE:
            piece.payload = place
    else:
        piece.address = parts.strangers[value % parts.strangers.shape[0]]
        if kind == r.FOREIGN_SHELL:
            piece.shell = 1
            piece.payload = max(place, shape.head + plan.payload + shape.tail)


@inner
def _counted(parts, piece, kind, value, count):
    """Numbers, syncs and sizes; the last piece that there is then."""
    plan = parts.plan[0]
    piece.sound = 1
    if kind == r.SEQUENCE_REPEAT:
        piece.count = 1 + value
    elif kind == r.SEQUENCE_JUMP:
        piece.sequence = value
    elif kind == r.SYNC_MISSED:
        count += 1
        add_piece(parts, count)
    elif kind == r.SYNC_EARLY:
        count += 1
        add_piece(parts, count)
        sync = parts.pieces[count]
        sync.own = 2
        sync.payload = plan.least
        sync.address = parts.broadcasts[0]
        sync.gap_ns = value
    else:
        piece.payload = value
    return count


@inner
def _packed(parts, piece, kind, value, count):
    """Packets one after another; the last piece that there is then."""
    size_ns = parts.plan[0].size_ns
    piece.sound = 1
    piece.after_ns = 0 if kind == r.NO_GAP else size_ns
    for _ in range(value):
        count += 1
        add_piece(parts, count)
        parts.pieces[count].after_ns = piece.after_ns
    parts.pieces[count].after_ns = size_ns
    return count


@inner
def _noisy(piece, kind, place, value):
    """A pause, and noise."""
    if kind == r.PAUSE_INSIDE:
        piece.hole_at = place
        piece.hole_ns = value
    elif kind == r.NOISE_BEFORE:
        piece.noise_before = value
    elif kind == r.NOISE_INSIDE:
        piece.noise_at = place
        piece.noise_octets = value
    elif kind == r.NOISE_AFTER:
        piece.noise_after = value
    else:
        piece.spike_at = place
        piece.spike_ns = value


@inner
def _flawed(piece, kind, place, value):
    """Line errors, and another baud."""
    if kind == r.BAUD_OFFSET:
        piece.offset_ppm = -value if place else value
    elif kind == r.BAUD_DRIFT:
        piece.drift_ppm = -value if place else value
    else:
        piece.flaw_at = place
        piece.flaw_kind = r.FRAMING
        if kind == r.PARITY_ERROR:
            piece.flaw_kind = r.PARITY
        elif kind == r.BREAK_INSIDE:
            piece.flaw_kind = r.BREAK
            piece.flaw_ns = value


@inner
def _spoiled(parts, piece, kind, place, value):
    """Wrong bits, slow characters, a node that begins anew, and the rest."""
    if kind == r.BIT_ERROR or kind == r.BIT_BURST:
        piece.flip_at = place
        piece.flip_mask = 1 if kind == r.BIT_ERROR else value
    elif kind == r.BIT_ERRORS:
        piece.flips = value
    elif kind == r.SLOW_DRIP:
        piece.drip_ns = value
    elif kind == r.SILENCE:
        piece.sound = 1
        piece.gap_ns = value
        piece.quiet = 1
    elif kind == r.LITERAL_WRONG:
        piece.literal_at = parts.literals[place % parts.literals.shape[0]]
        piece.literal = value
        piece.redo = 1
    elif kind == r.MARK_INSIDE:
        piece.flaw_at = place
        piece.flaw_kind = r.ADDRESS
    else:
        piece.reset_at = place
        piece.reset_ns = value
        piece.off = 1 if kind == r.START_INSIDE else 0
