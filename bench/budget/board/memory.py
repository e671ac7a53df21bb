"""Memory: receive buffers, port words, and what other word sizes would take."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.units import format_count
from bench.budget.line import BudgetLine

if TYPE_CHECKING:
    from bench.budget.board.board import Board

WORD_OCTETS = (1, 2, 4, 8, 16)
"""Port words that there are."""


def words_octets(board: Board, word_octets: int) -> int:
    """Octets of one buffer of port words, or of what shifters and UARTs send."""
    output = board.spec.output
    by_word = output.method in ("dma", "timer") and output.signal == "clocked"
    if not by_word:
        return board.spec.payload_octets
    return output.clocks * word_octets


def memory_lines(board: Board) -> list[BudgetLine]:
    """What buffers take, and what one and two of other widths would."""
    spec, processor = board.spec, board.node.processor
    receive = spec.cost.receive_buffers * spec.payload_octets
    words = spec.cost.word_buffers * words_octets(board, spec.output.word_octets)
    ring = spec.receive.ring
    total = BudgetLine(
        "RAM",
        "memory",
        "octets",
        receive + words + ring,
        processor.ram,
        formula="receive buffers x payload + port-word buffers x words + ring",
        note=f"receive {format_count(receive)}, port words {format_count(words)}"
        + (f", ring {ring}" if ring else "")
        + ("" if processor.ram else "; no limit stated: processor.ram"),
    )
    return [total, *_widths(board)]


def _widths(board: Board) -> list[BudgetLine]:
    """Single and double buffers at each word size that has a bit for every lane."""
    output = board.spec.output
    if words_octets(board, 1) == words_octets(board, 2):
        return []
    lines = []
    for octets in WORD_OCTETS:
        if 8 * octets < output.lanes:
            continue
        single = words_octets(board, octets)
        lines.append(
            BudgetLine(
                f"words of {8 * octets} bits",
                "memory",
                "octets",
                single,
                formula="clocks of a burst x octets of a word",
                note=f"{format_count(2 * single)} for two buffers",
            )
        )
    return lines
