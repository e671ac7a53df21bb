"""What of the bench takes octets from outside, each as a function of some octets.

Each either returns, or raises what it says it raises; anything else is a crash that the
coverage-guided fuzzer in `guided.py` looks for.  Where it is cheap, what was read is
held against what it must be: a decoder's events do not depend on how a stream was cut,
and what a reader took is written again as it was.
"""

from __future__ import annotations

import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.base.columns import Flaw
from bench.base.errors import BenchError, UsageError
from bench.profile import load_profile, parse_profile, to_toml
from bench.profile.load import shipped_profiles
from bench.wire.decoder import Decoder
from bench.wire.format import format_of
from bench.wire.states import Resync

if TYPE_CHECKING:
    from collections.abc import Callable


# --- decoders -------------------------------------------------------------------------


@cache
def _formats() -> list[Any]:
    """Packet formats of every shipped profile."""
    return [format_of(load_profile(name).packet) for name in shipped_profiles()]


def _fed(decoder: Decoder, symbols: bytes, cut: int) -> list[Any]:
    """Events of a decoder that is fed pairs of octets: what it is, and which."""
    events: list[Any] = []
    run = bytearray()

    def hand_over() -> None:
        if run:
            decoder.octets(bytes(run))
            run.clear()

    for at in range(0, len(symbols) - 1, 2):
        what, octet = symbols[at], symbols[at + 1]
        if what < 200:
            run.append(octet)
            if cut and at % cut == 0:
                hand_over()
                events += decoder.events()
            continue
        hand_over()
        if what < 230:
            decoder.gap(octet * octet * 4000)
        else:
            kind = list(Flaw)[what % len(Flaw)]
            decoder.flaw(0 if kind is Flaw.BREAK else octet, kind)
        if cut:
            events += decoder.events()
    hand_over()
    decoder.finish()
    return [*events, *decoder.events()]


def decoder(octets: bytes) -> None:
    """The sans-IO decoder, whole and cut: the same events."""
    if len(octets) < 3:
        return
    formats = _formats()
    layout = formats[octets[0] % len(formats)]
    resync = list(Resync)[octets[1] % len(Resync)]
    whole = _fed(Decoder(layout, resync), octets[2:], 0)
    assert whole == _fed(Decoder(layout, resync), octets[2:], 2 + octets[0] % 7)


def stuffing(octets: bytes) -> None:
    """Unstuffing: what it takes is stuffed again to what stands for the same."""
    from bench.wire.stuffing import StuffingError, stuff, unstuff

    for layout in _formats():
        rule = layout.unstuffing
        with suppress(StuffingError):
            packet = unstuff(rule, octets)
            assert unstuff(rule, stuff(rule, packet)) == packet


# --- files ----------------------------------------------------------------------------


def ledger_line(octets: bytes) -> None:
    """One line of a ledger; what is taken is written again as it was."""
    from bench.ledger.lines import line_of, record_of

    record = record_of(octets)
    if record is not None:
        assert record_of(line_of(record)[:-1]) == record


@cache
def _run_folder() -> Path:
    """A folder of a run that is written over and over."""
    return Path(tempfile.mkdtemp(prefix="nightbench-own-", dir=_memory()))


def _memory() -> str | None:
    """A file system in memory, where there is one."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def ledger_run(octets: bytes) -> None:
    """A run's folder, of which one file after another is rubbish."""
    from bench.ledger import read_run
    from bench.ledger.lines import pretty

    names = ("run.json", "intervals.log", "anomalies.log", "verdict.json")
    if not octets:
        return
    folder = _run_folder()
    (folder / "run.json").write_bytes(pretty({"ledger": 1}))
    for name in names[1:]:
        (folder / name).unlink(missing_ok=True)
    (folder / names[octets[0] % len(names)]).write_bytes(octets[1:])
    with suppress(BenchError):
        read_run(folder)


def corpus(octets: bytes) -> None:
    """The file of a case; also with a check that fits, so that its lines are read."""
    from zlib import crc32

    from bench.fuzz.corpus import case_text, kept_of

    body = b"nightbench case 1\n" + octets + b"\n"
    for file in (octets, body + b"check %08x\n" % crc32(body)):
        with suppress(UsageError):
            kept = kept_of(file, "x")
            assert kept_of(case_text(kept), "x") == kept


def profile(octets: bytes) -> None:
    """A profile; one that is taken is the same when it is written and read again."""
    with suppress(BenchError, UnicodeDecodeError):
        made = parse_profile(octets.decode())
        assert parse_profile(to_toml(made)) == made


def overrides(octets: bytes) -> None:
    """`--set` on a shipped profile."""
    with suppress(BenchError, UnicodeDecodeError):
        load_profile("jetty", octets.decode().split("\n")[:4])


def recording(octets: bytes) -> None:
    """A recording of a bus: its head, and chunks behind a sound one."""
    import io

    from bench.ledger.lines import line_of
    from bench.trial.recorded.file import Recording

    bus = {"baud": 1, "data_bits": 8, "parity": "none", "stop_bits": 1}
    head = b"nightbench recording 1\n" + line_of({"recording": 1, "bus": bus})
    for file in (octets, head + octets):
        with suppress(BenchError):
            for _ in Recording(io.BytesIO(file).read, "x").reads():
                pass


def capture(octets: bytes) -> None:
    """A value change dump, in pieces of any length: its changes are the same."""
    from bench.capture.vcd import VcdFile

    def changes(step: int) -> object:
        pieces = (octets[at : at + step] for at in range(0, len(octets), step))
        try:
            file = VcdFile(pieces, "x")
            return list(file.changes(file.find()))
        except UsageError as error:
            return str(error)

    assert changes(1 + len(octets)) == changes(1 + (octets[0] if octets else 0) % 13)


# --- what nodes say -------------------------------------------------------------------


def sighting_line(octets: bytes) -> None:
    """A line of a child program; what is taken says the same when written again."""
    from bench.link.lines import format_line, parse_line

    taken = parse_line(octets.decode("latin-1"))
    if taken is not None:
        word, values = taken
        again = parse_line(format_line(word, **values).decode("ascii"))
        assert again == (word, values)


def sighter(octets: bytes) -> None:
    """Everything that a child program says, in reads of any length."""
    from bench.link.sight import sighter_of
    from bench.link.transport import Heard

    reads = sighter_of(_by_lines())
    step = 1 + (octets[0] if octets else 0)
    for at in range(0, len(octets), step):
        reads.heard(Heard(octets[at : at + step], at), at)
    reads.seen(1 << 40)
    reads.evidence()


@cache
def _by_lines() -> Any:
    """A profile whose nodes are seen by sighting lines."""
    return load_profile("causeway", ["observe.by=lines"])


def quantities(octets: bytes) -> None:
    """Quantities with their units, as profiles and options have them."""
    from bench.base import units

    text = octets.decode("latin-1")
    for unit in (units.FREQUENCY, units.SHARE):
        with suppress(BenchError):
            value = unit.parse(text, "x")
            assert unit.parse(unit.text(value), "x") == value
    with suppress(BenchError):
        units.parse_duration(text, "x")


# --- to begin with --------------------------------------------------------------------


def seeds(name: str) -> list[bytes]:
    """Sound inputs of a target, from which a fuzzer does well to begin."""
    folder = Path(__file__).parents[2] / "profiles"
    texts = [path.read_bytes() for path in sorted(folder.glob("*.toml"))]
    case = b"""profile causeway
set output.clock=2 MHz
digest 0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f
seed 7
number 1234
attack length-zero
oracle alive
row length-zero 2 0
rate 5 of 5
text ebb shows nothing
send a packet
octets A5 5A
should show
did not"""
    lines = b"""shown node=1 octets=A55A clocks=24 first=1 end=2 shown=3 marginal=0
dropped node=ebb reason=bad-check
lost node=1 characters=3
reset node=2 cause=watchdog
status shown=3 dropped=4
"""
    dump = b"""$timescale 10 ns $end
$scope module top $end
$var wire 1 ! rx $end
$upscope $end
$enddefinitions $end
#0
1!
#250
0!
#275 1! #9000
"""
    known = {
        "capture": [dump, dump.replace(b"1 ! rx", b"4 ! rx [3:0]")],
        "profile": texts,
        "overrides": [b"output.clock=2 MHz\nnode.0.address=3\nbus.baud=1 Mbaud"],
        "corpus": [case],
        "sighting_line": lines.splitlines(),
        "sighter": [b"\x07" + lines],
        "quantities": [b"2 MHz", b"1.5 us", b"20 %", b"8h"],
        "decoder": [bytes([n, 1]) + b"\0\xa5\0\x5a\0\1\xf0\1" * 4 for n in range(5)],
    }
    return known.get(name, [])


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target
    for target in (
        decoder,
        stuffing,
        ledger_line,
        ledger_run,
        corpus,
        profile,
        overrides,
        recording,
        capture,
        sighting_line,
        sighter,
        quantities,
    )
}
