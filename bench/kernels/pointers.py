"""Memory by address.

A kernel that is split into readable functions hands its arrays from one to the next.  A
numba array is seven words with a reference count; twenty of them cost more to pass, and
to compile, than the work takes.  So a record carries addresses, and a function reads
and writes through them.  `within` checks an index wherever numba would check one.

Whoever puts an address into a record must keep the array alive.
"""

from __future__ import annotations

from llvmlite import ir
from numba import config
from numba.core import types
from numba.extending import intrinsic

from bench.kernels.jit import inner, melted

__all__ = [
    "address_of",
    "integer_at",
    "octet_at",
    "put_integer",
    "put_octet",
    "record_at",
    "within",
    "word_from",
]

_CHECKED = bool(config.BOUNDSCHECK)  # type: ignore[attr-defined]


@inner
def within(address, index, size, count):
    """The address of an element.

    Args:
        address: Of the first element.
        index: Which one.
        size: Octets of an element.
        count: How many there are.
    """
    if _CHECKED and (index < 0 or index >= count):
        raise IndexError("index is out of bounds")
    return address + index * size


def _load(name, bits, kind):
    """An intrinsic that reads a value of so many bits."""

    def typed(typing_context, address):  # noqa: ARG001 (numba's signature)
        def generate(context, builder, signature, args):  # noqa: ARG001
            place = builder.inttoptr(args[0], ir.IntType(bits).as_pointer())
            value = builder.load(place)
            value.align = 1
            return value

        return kind(types.int64), generate

    typed.__name__ = name
    return intrinsic(typed)


octet_at = _load("octet_at", 8, types.uint8)
integer_at = _load("integer_at", 64, types.int64)
word_from = _load("word_from", 64, types.uint64)


@intrinsic
def address_of(typing_context, array):  # noqa: ARG001
    """Where an array begins in memory."""

    def generate(context, builder, signature, args):
        place = context.make_array(signature.args[0])(context, builder, args[0]).data
        return builder.ptrtoint(place, ir.IntType(64))

    return types.int64(array), generate


@intrinsic
def put_octet(typing_context, address, octet):  # noqa: ARG001
    """Write one octet."""

    def generate(context, builder, signature, args):
        value = context.cast(builder, args[1], signature.args[1], types.uint8)
        builder.store(value, builder.inttoptr(args[0], ir.IntType(8).as_pointer()))
        return context.get_dummy_value()

    return types.none(types.int64, octet), generate


@intrinsic
def put_word_at(typing_context, address, word):  # noqa: ARG001
    """Write eight octets, low one first."""

    def generate(context, builder, signature, args):  # noqa: ARG001
        place = builder.inttoptr(args[0], ir.IntType(64).as_pointer())
        builder.store(args[1], place).align = 1
        return context.get_dummy_value()

    return types.none(types.int64, types.uint64), generate


@intrinsic
def put_integer(typing_context, address, number):  # noqa: ARG001
    """Write a signed 64-bit number."""

    def generate(context, builder, signature, args):
        value = context.cast(builder, args[1], signature.args[1], types.int64)
        place = builder.inttoptr(args[0], ir.IntType(64).as_pointer())
        builder.store(value, place).align = 1
        return context.get_dummy_value()

    return types.none(types.int64, number), generate


@melted
def copy(source, sink, size):
    """Copy octets between places that do not overlap.

    By hand: a plain loop becomes a call of the library's block copy, which is several
    times slower for a few kilooctets that are not aligned.
    """
    at = 0
    while at + 32 <= size:
        a = word_from(source + at)
        b = word_from(source + at + 8)
        c = word_from(source + at + 16)
        d = word_from(source + at + 24)
        put_word_at(sink + at, a)
        put_word_at(sink + at + 8, b)
        put_word_at(sink + at + 16, c)
        put_word_at(sink + at + 24, d)
        at += 32
    while at < size:
        put_octet(sink + at, octet_at(source + at))
        at += 1


@intrinsic
def record_at(typing_context, address, dtype):  # noqa: ARG001
    """The record of one structured dtype at an address."""

    def generate(context, builder, signature, args):
        kind = context.get_value_type(signature.return_type)
        return builder.inttoptr(args[0], kind)

    return dtype.dtype(types.int64, dtype), generate
