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
FOREGROUND, LOOK, LEAVE, STOP, LEAVE_STOP, MOVE, LEAVE_MOVE = _codes(7)

# Foreground jobs; the last two are those of a polled loop.
NO_JOB, REARRANGE, START, PASS, HANDLE = _codes(5)

# What a polled loop does next.
TO_PASS, TO_LOOK, TO_PICK = _codes(3)

# Interrupts; 0 for none.
RECEIVE, COMPLETED, BIT = _codes(3, 1)

# What is noted in trace mode, beside interrupts.
MOVED, BEGUN, STARTED = _codes(3, 4)

# How characters leave the receiver; how bits leave the node.
BY_HANDLER, BY_POLL, BY_RING = _codes(3)
DMA, TIMER, PORT, UART = _codes(4)

# Overrun policies, ways to stop the clock, resynchronising policies.
DROP, HOLD, OVERWRITE, STALL, LAP = _codes(5)
BY_DMA, BY_INTERRUPT, BY_COUNT = _codes(3)
FORWARD, TIMEOUT, RESCAN = _codes(3)

# Marks among the survivors.
PAUSE, SILENCE, FLAW, BREAK, MARKED = _codes(5, 1)

# What the parser is at: as `bench.wire.states.Mode`.
HUNT, MATCH, INSIDE, DEAF = _codes(4)

# What revealed a fault: as `bench.wire.states.Revealed`.
BY_SYMBOL, BY_DELIMITER, BY_PAUSE, BY_SILENCE = _codes(4)

# Delimiters (SILENT: by silence, BROKEN: by break, NINTH: by the ninth bit) and
# stuffings, as in `bench.wire.format`.
MARKER, OCTET, SILENT, BROKEN, NINTH = _codes(5, 1)
UNSTUFFED, COBS, ESCAPED, FLIPPED = _codes(4)

# `Doing` of bench.base.columns.
NOTHING, ENTRY, BODY, EXIT, COMPLETE = _codes(5)
IN_BIT, MASKED, POLLING, REARRANGING, STARTING = _codes(5, 6)

# `Drop` of bench.base.columns.
BAD_CHECK, BAD_LENGTH, BAD_LITERAL, BAD_STUFFING, LINE_ERROR, BAD_PAUSE = _codes(6, 1)
WRONG_SIZE, NO_RECEIVE_BUFFER, NO_PORT_WORDS, LATCH_GAP_SHORT = _codes(4, 7)
TOO_SHORT, ABORTED, NOT_SYNCED, SYNC_EARLY, RESET = _codes(5, 11)


def _integers(names: str) -> np.dtype:
    return np.dtype([(name, "i8") for name in names.split()], align=True)


SPEC = _integers(
    # line and receiver
    "pitch_ns pitch_rem den calm plain ready_ns character_ns fifo trigger level "
    "idle_timeout_ns restart_on_read idle_on_empty overrun "
    "receive ring half arbitration_ns pass_ns mute lost_spare "
    # processor
    "entry_ns exit_ns body_limit per_character_ns per_packet_ns rearrange_ns "
    "start_output_ns receive_buffers word_buffers drop_without_words bit_ns masked_ns "
    "first second third on_sync blackout_ns "
    # output
    "lanes lane_octets word_octets msb_first clocks clock_hz rise_permille stop "
    "stop_latency_ns stop_jitter_ns runt_ns latch_gap_ns kept_gap_ns index key0 key1 "
    "method uart_lanes lane_hz setup_ns lead stolen_ns lane_gap_ns latch_pause_ns "
    "transfer_jitter_ns transfer0 transfer1 loose intact words_octets "
    # packet format
    "delimiter delimiter_octet marker_first marker_octets stuffing escape silence_ns "
    "pause_ns reject_flaws head tail least most sized address_at address_size "
    "address_big mask address length_at length_size length_big length_adds check_at "
    "check_size check_big check_start check_end payload_octets window resync "
    "longest_raw "
    # neutral in a node that does everything right, see `bench.node.spec.QuirkSpec`
    "keeps_error buffer_bias payload_least lane_at lane_stride "
    "words_msb_first clock_bias sequence_at sequence_size sequence_big "
    "sequence_modulus sequence_most packets_most errors_most waiting_most"
)
"""One node, in whole numbers.

Places of fields are as in `bench.wire.format.Layout`, with size 0 for a field that is
not there.  `calm`: in an unbroken run no gap makes a mark, and the idle timeout cannot
fire.  `plain`: level-fired, looks do not restart the timeout, nothing is muted.
`lost_spare`: characters that may be lost at once.  `lead`: rollovers that move nothing.
`loose`: port words may be late enough to matter.  `intact`: what a UART lane is sent
arrives whole unless an interrupt is late.  `window`: where in a shared payload this
node's octets begin, or -1.  `lane_at`, `lane_stride`: where in a payload the first
lane's octets are, and from one lane's to the next.  `words_msb_first`: which bit of an
octet goes into the first port word.
"""

NODE = _integers(
    # the cursor on the line
    "i run run_end calm_end start_ns start_rem flaw flaw_at last_end_ns "
    # receiver
    "accepted taken held held_place held_octet held_flaw held_gap_ns stalled "
    "trigger_latched timeout_asserted silence_waits_ns owed_gap_ns timer_ns "
    "muted written coming_ns coming_place coming_octet coming_flaw coming_gap_ns "
    # processor
    "phase next_ns since_ns first_look taken_here now_ns complete_pending complete_ns "
    "bit_pending tick_ns ticks masked_until_ns loop "
    # parser
    "mode start body goal headed scan need ahead passed mark marks spans buffer_free "
    "sound errors last_sequence "
    # foreground: counts of packets that came that far
    "job job_left_ns received picked returned rearranging rearranged released started "
    "rested synced dark_due_ns dark_job dark "
    # output
    "begin_ns still_ns end_ns first_bit_ns free_ns clocks marginal unlatched bursts "
    "ended_begin_ns rolls lane lane_begin_ns lane_ended_ns first_end_ns entered "
    "answered fall_ns told "
    # totals
    "interrupts receive_busy_ns complete_busy_ns bit_busy_ns foreground_busy_ns "
    # rows written in this call
    "shown dropped lost traced data "
    # how many octets and rows of the line, and its first place
    "line_octets line_runs line_flaws first_place "
    # room: octets, rows
    "shown_room dropped_room lost_room traced_room survivors_room spans_room "
    "marks_room literals broadcasts "
    # addresses, see `bench.kernels.node.views`
    "line_octets_at line_runs_at line_flaws_at steps_at survivors_at spans_at marks_at "
    "receive_at slots_at words_at word_slots_at dark_at moves_at level_at "
    "level_before_at chain_at before_at scratch_at check_at tables_at literals_at "
    "broadcast_at codes_at marker_at "
    "shown_at data_at dropped_at lost_at traced_at"
)
"""The state of one node between two instants."""

SPAN = np.dtype([("at", "i8"), ("place", "i8")], align=True)
"""Survivors from `at` on came from the line's places from `place` on."""

HELD = np.dtype([("at", "i8"), ("place", "i8"), ("early", "i8")], align=True)
"""Where on the line port words came from; whether a sync came before they were."""

MARK = np.dtype([("at", "i8"), ("kind", "i8")], align=True)
"""A flaw of the survivor at `at`, or a gap before it."""

INTERRUPT = np.dtype([("start_ns", "i8"), ("end_ns", "i8"), ("kind", "i8")], align=True)
"""One interrupt (trace only): 1 receive, 2 transfer complete, 3 output bit.

Or, in the same rows: MOVED, a handler moved a word; BEGUN, it began a lane; STARTED, a
burst began; at `start_ns`, in the burst whose number `end_ns` is.
"""
