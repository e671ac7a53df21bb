"""Plain twin of Philox4x64-10 (Salmon, Moraes, Dror, Shaw, SC11), from the paper."""

from __future__ import annotations

_WORD = 2**64
_MULTIPLIERS = (0xD2E7470EE14C6C93, 0xCA5A826395121157)
_WEYL = (0x9E3779B97F4A7C15, 0xBB67AE8584CAA73B)


def block(key: tuple[int, int], thing: int, word_block: int) -> list[int]:
    """Four words of the counter (word_block, thing, 0, 0)."""
    counter = [word_block % _WORD, thing % _WORD, 0, 0]
    for turn in range(10):
        k0, k1 = (
            (part + turn * step) % _WORD for part, step in zip(key, _WEYL, strict=True)
        )
        high0, low0 = divmod(_MULTIPLIERS[0] * counter[0], _WORD)
        high1, low1 = divmod(_MULTIPLIERS[1] * counter[2], _WORD)
        counter = [high1 ^ counter[1] ^ k0, low1, high0 ^ counter[3] ^ k1, low0]
    return counter


def fill(key: tuple[int, int], thing: int, octets: int) -> bytes:
    """The first octets of one thing, each word with its low octet first."""
    text = b""
    for word_block in range(-(-octets // 32)):
        for word in block(key, thing, word_block):
            text += word.to_bytes(8, "little")
    return text[:octets]


def below(word: int, limit: int) -> int:
    """A number in [0, limit): the word as a fraction of 2^64, times the limit."""
    return word * limit // _WORD
