"""Eight octets at a time: unaligned words, and products of 128 bits.

Things that numba cannot say in Python and the machine does in one instruction.
"""

from __future__ import annotations

from llvmlite import ir
from numba.core import types
from numba.extending import intrinsic

__all__ = ["high_half", "put_word", "wide_product", "word_at"]


@intrinsic
def high_half(typing_context, left, right):  # noqa: ARG001 (numba's signature)
    """The upper 64 bits of a 64 x 64 bit product."""
    if left != types.uint64 or right != types.uint64:
        raise TypeError("the upper half is taken of two unsigned 64-bit words")

    def generate(context, builder, signature, args):  # noqa: ARG001
        wide = ir.IntType(128)
        product = builder.mul(builder.zext(args[0], wide), builder.zext(args[1], wide))
        return builder.trunc(
            builder.lshr(product, ir.Constant(wide, 64)), ir.IntType(64)
        )

    return types.uint64(types.uint64, types.uint64), generate


@intrinsic
def wide_product(typing_context, left, right):  # noqa: ARG001
    """The upper and the lower 64 bits of a 64 x 64 bit product."""
    if left != types.uint64 or right != types.uint64:
        raise TypeError("a wide product is taken of two unsigned 64-bit words")

    def generate(context, builder, signature, args):
        wide = ir.IntType(128)
        product = builder.mul(builder.zext(args[0], wide), builder.zext(args[1], wide))
        high = builder.lshr(product, ir.Constant(wide, 64))
        halves = [builder.trunc(part, ir.IntType(64)) for part in (high, product)]
        return context.make_tuple(builder, signature.return_type, halves)

    return types.UniTuple(types.uint64, 2)(types.uint64, types.uint64), generate


@intrinsic
def word_at(typing_context, octets, at):  # noqa: ARG001
    """octets[at:at+8] as one word, first octet lowest; the caller checks the end."""

    def generate(context, builder, signature, args):
        array = context.make_array(signature.args[0])(context, builder, args[0])
        place = builder.gep(array.data, [args[1]])
        word = builder.load(builder.bitcast(place, ir.IntType(64).as_pointer()))
        word.align = 1
        return word

    return types.uint64(octets, types.int64), generate


@intrinsic
def put_word(typing_context, octets, at, word):  # noqa: ARG001
    """Write a word to octets[at:at+8], low octet first; the caller checks the end."""

    def generate(context, builder, signature, args):
        array = context.make_array(signature.args[0])(context, builder, args[0])
        place = builder.gep(array.data, [args[1]])
        place = builder.bitcast(place, ir.IntType(64).as_pointer())
        builder.store(args[2], place).align = 1
        return context.get_dummy_value()

    return types.void(octets, types.int64, types.uint64), generate
