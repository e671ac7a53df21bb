"""Keys for draws by counter.

Every random number of the bench is a function of (seed, stream name, counter), drawn by
Philox4x64-10: the same on every machine, independent of chunking, and not keyed by the
profile or the point, so that the points of a sweep share their random numbers.
"""

from __future__ import annotations

from hashlib import blake2b


def stream_key(seed: int, stream: str) -> tuple[int, int]:
    """The 128-bit Philox key of one named stream, as two 64-bit words.

    Args:
        seed: Any integer that fits in 64 bits, signed or not.
        stream: What the numbers are for, "payload" for instance.
    """
    text = f"{seed % 2**64:016x}:{stream}".encode()
    digest = blake2b(text, digest_size=16, person=b"nightbench-draws").digest()
    return (
        int.from_bytes(digest[:8], "little"),
        int.from_bytes(digest[8:], "little"),
    )
