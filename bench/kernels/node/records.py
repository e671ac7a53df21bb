"""What is constant, what is carried from chunk to chunk, and what comes out.

Survivors are the octets that got into the FIFO, in order, in one array; the FIFO is
two indexes into it, `taken` and `accepted`, and a packet is a span of it.  `spans`
says where on the line survivors came from: a row where a lost character broke the
sequence.  `marks` says what is not an octet: a flaw of the survivor at a place, or a
gap before it.
"""

from __future__ import annotations

import numpy as np

FAR = np.int64(1 << 62)
"""Later than any instant."""


def _codes(count: int, first: int = 0) -> list[np.int64]:
    """Numbers of one type: numba would compile a function anew for each literal one."""
    return [np.int64(first + k) for k in range(count)]


# How a run of the kernel ended.
REACHED, FULL = _codes(2)

# What the processor is in.
FOREGROUND, LOOK, LEAVE, STOP, LEAVE_STOP = _codes(5)

# Foreground jobs.
NO_JOB, REARRANGE, START = _codes(3)

# Overrun policies, ways to stop the clock, resynchronising policies.
DROP, HOLD, OVERWRITE, STALL = _codes(4)
BY_DMA, BY_INTERRUPT, BY_COUNT = _codes(3)
FORWARD, TIMEOUT, RESCAN = _codes(3)

# Marks among the survivors.
PAUSE, SILENCE, FLAW, BREAK = _codes(4, 1)

# What the parser is at: as `bench.wire.states.Mode`.
HUNT, MATCH, INSIDE, DEAF = _codes(4)

# What revealed a fault: as `bench.wire.states.Revealed`.
BY_SYMBOL, BY_DELIMITER, BY_PAUSE, BY_SILENCE = _codes(4)

# Delimiters (SILENT: by silence, BROKEN: by break) and stuffings, as in
# `bench.wire.format`.
MARKER, OCTET, SILENT, BROKEN = _codes(4, 1)
UNSTUFFED, COBS, ESCAPED, FLIPPED = _codes(4)

# `Doing` of bench.base.columns.
NOTHING, ENTRY, BODY, EXIT, COMPLETE = _codes(5)

# `Drop` of bench.base.columns.
BAD_CHECK, BAD_LENGTH, BAD_LITERAL, BAD_STUFFING, LINE_ERROR, BAD_PAUSE = _codes(6, 1)
WRONG_SIZE, NO_RECEIVE_BUFFER, NO_PORT_WORDS, LATCH_GAP_SHORT = _codes(4, 7)
TOO_SHORT, ABORTED = _codes(2, 11)


def _integers(names: str) -> np.dtype:
    return np.dtype([(name, "i8") for name in names.split()], align=True)


SPEC = _integers(
    # line and receiver
    "pitch_ns pitch_rem den calm plain ready_ns character_ns fifo trigger level "
    "idle_timeout_ns restart_on_read idle_on_empty overrun "
    # processor
    "entry_ns exit_ns body_limit per_character_ns per_packet_ns rearrange_ns "
    "start_output_ns receive_buffers word_buffers drop_without_words "
    # output
    "lanes lane_octets word_octets msb_first clocks clock_hz rise_permille stop "
    "stop_latency_ns stop_jitter_ns runt_ns latch_gap_ns kept_gap_ns index key0 key1 "
    # packet format
    "delimiter delimiter_octet marker_first marker_octets stuffing escape silence_ns "
    "pause_ns reject_flaws head tail least most sized address_at address_size "
    "address_big mask address length_at length_size length_big length_adds check_at "
    "check_size check_big check_start check_end payload_octets resync longest_raw"
)
"""One node, in whole numbers.

Places of fields are as in `bench.wire.format.Layout`, with size 0 for a field that is
not there.  `calm`: in an unbroken run no gap makes a mark, and the idle timeout cannot
fire.  `plain`: level-fired, and looks do not restart the timeout.
"""

NODE = _integers(
    # the cursor on the line
    "i run run_end calm_end start_ns start_rem flaw flaw_at last_end_ns "
    # receiver
    "accepted taken held held_place held_octet held_flaw held_gap_ns stalled "
    "trigger_latched timeout_asserted silence_waits_ns owed_gap_ns timer_ns "
    # processor
    "phase next_ns since_ns first_look taken_here now_ns complete_pending complete_ns "
    # parser
    "mode start body goal headed scan need ahead passed mark marks spans buffer_free "
    # foreground: counts of packets that came that far
    "job job_left_ns received picked returned rearranging rearranged started rested "
    # output
    "running begin_ns end_ns first_bit_ns free_ns clocks marginal unlatched bursts "
    # totals
    "interrupts receive_busy_ns complete_busy_ns foreground_busy_ns "
    # rows written in this call
    "shown dropped lost traced data "
    # how many octets and rows of the line, and its first place
    "line_octets line_runs line_flaws first_place "
    # room: octets, rows
    "shown_room dropped_room lost_room traced_room survivors_room spans_room "
    "marks_room literals broadcasts "
    # addresses, see `bench.kernels.node.views`
    "line_octets_at line_runs_at line_flaws_at steps_at survivors_at spans_at marks_at "
    "receive_at slots_at words_at chain_at scratch_at check_at tables_at literals_at "
    "broadcast_at codes_at marker_at shown_at data_at dropped_at lost_at traced_at"
)
"""The state of one node between two instants."""

SPAN = np.dtype([("at", "i8"), ("place", "i8")], align=True)
"""Survivors from `at` on came from the line's places from `place` on."""

MARK = np.dtype([("at", "i8"), ("kind", "i8")], align=True)
"""A flaw of the survivor at `at`, or a gap before it."""

INTERRUPT = np.dtype([("start_ns", "i8"), ("end_ns", "i8"), ("kind", "i8")], align=True)
"""One interrupt (trace only): 1 receive, 2 transfer complete."""
