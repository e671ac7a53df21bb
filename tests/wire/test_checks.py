"""Checks against the catalogue, a second library, standards and worked examples."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from random import Random

import anycrc
import pytest
from crccheck.crc import ALLCRCCLASSES, Crc, identify
from hypothesis import given, settings
from hypothesis import strategies as st
from wire.plain_decoder import check_value

from bench.base.errors import BenchError
from bench.wire.checks import Check, Kind, catalogue, diagnose

CASES = Path(__file__).parents[1] / "cases"
DIGITS = b"123456789"

# Catalogue of parametrised CRC algorithms (G. Cook): check and residue of each.
TABLE = """
CRC-8/SMBUS F4 00          CRC-8/I-432-1 A1 AC         CRC-8/ROHC D0 00
CRC-8/MAXIM-DOW A1 00      CRC-8/NRSC-5 F7 00          CRC-8/SAE-J1850 4B C4
CRC-8/AUTOSAR DF 42        CRC-8/DVB-S2 BC 00          CRC-8/CDMA2000 DA 00
CRC-8/WCDMA 25 00          CRC-8/BLUETOOTH 26 00       CRC-16/MODBUS 4B37 0000
CRC-16/ARC BB3D 0000       CRC-16/USB B4C8 B001        CRC-16/UMTS FEE8 0000
CRC-16/CMS AEE7 0000       CRC-16/IBM-SDLC 906E F0B8   CRC-16/IBM-3740 29B1 0000
CRC-16/XMODEM 31C3 0000    CRC-16/KERMIT 2189 0000     CRC-16/GENIBUS D64E 1D0F
CRC-16/SPI-FUJITSU E5CC 0000                           CRC-16/MCRF4XX 6F91 0000
CRC-16/DNP EA82 66C5       CRC-32/ISO-HDLC CBF43926 DEBB20E3
CRC-32/ISCSI E3069283 B798B438                         CRC-32/BZIP2 FC891918 C704DD7B
CRC-32/MPEG-2 0376E6E7 00000000                        CRC-32/JAMCRC 340BC6D9 00000000
CRC-32/CKSUM 765E7680 C704DD7B                         CRC-32/MEF D2C22F51 00000000
"""
ROWS = [
    (name, int(check, 16), int(residue, 16))
    for name, check, residue in zip(*[iter(TABLE.split())] * 3, strict=True)
]


@dataclass(frozen=True)
class Given:
    """The parameters of a CRC, as a profile states them."""

    width: int
    poly: int
    init: int = 0
    refin: bool = False
    refout: bool = False
    xorout: int = 0


def names_of(other: type) -> tuple[str, ...]:
    """The names of a CRC in the second library, canonical first."""
    names: tuple[str, ...] = other._names
    return names


def refusal(name: str) -> str | None:
    """What is said of a name that is refused; None for one that is not."""
    try:
        Check.named(name)
    except BenchError as error:
        (line,) = error.lines
        return line
    return None


# --- values ---------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "check", "residue"), ROWS)
def test_catalogue_rows(name: str, check: int, residue: int) -> None:
    """Check value as printed; residue: the register over message and its check."""
    algorithm = Check.named(name)
    assert algorithm.name == name
    assert algorithm.compute(DIGITS) == check
    order = "little" if algorithm.refout else "big"
    whole = DIGITS + check.to_bytes(algorithm.size, order)
    # The catalogue's residue is that register before the final xor; for a reflected
    # CRC it is printed as the register holds it.
    assert algorithm.compute(whole) ^ algorithm.xorout == residue


def test_every_crc_equals_a_second_library() -> None:
    """All of the catalogue that both know, on five messages each."""
    random = Random(20)
    compared = 0
    for name, check in catalogue().items():
        classes = [other for other in ALLCRCCLASSES if name == names_of(other)[0]]
        assert len(classes) == 1, name
        for length in (0, 1, 9, 31, 257):
            octets = random.randbytes(length)
            assert check.compute(octets) == classes[0].calc(octets), name
        compared += 1
    assert compared == len(anycrc.models) >= 110


@settings(deadline=None)
@given(st.randoms(use_true_random=False), st.binary(max_size=40))
def test_any_parameters_equal_a_second_library(random: Random, octets: bytes) -> None:
    """CRCs without a name, of any width from 3 bits to 64, also turned one way only."""
    width = random.randint(3, 64)
    poly, init, xorout = (random.getrandbits(width) for _ in range(3))
    parameters = Given(
        width, poly | 1, init, random.random() < 0.5, random.random() < 0.5, xorout
    )
    check = Check.named(parameters)
    other = Crc(
        width, poly | 1, init, parameters.refin, parameters.refout, parameters.xorout
    )
    assert check.compute(octets) == other.calc(octets)
    assert check.compute(octets) == check_value(check, list(octets))


def test_two_algorithms_share_a_check_value() -> None:
    """One check value cannot tell which algorithm: A1h is two CRCs of 8 bits."""
    first, second = (Check.named(n) for n in ("CRC-8/I-432-1", "CRC-8/MAXIM-DOW"))
    assert first.compute(DIGITS) == second.compute(DIGITS) == 0xA1
    assert first.compute(b"12345678") != second.compute(b"12345678")


def test_leading_zeros() -> None:
    """A register that starts at zero does not see leading zeros; at ones it does."""
    xmodem, false = Check.named("CRC-16/XMODEM"), Check.named("CRC-16/IBM-3740")
    assert xmodem.compute(bytes(5) + DIGITS) == xmodem.compute(DIGITS) == 0x31C3
    assert false.compute(bytes(5) + DIGITS) != false.compute(DIGITS)


def test_empty_message() -> None:
    """Nothing: the initial register, xored."""
    assert Check.named("CRC-16/MODBUS").compute(b"") == 0xFFFF
    assert Check.named("CRC-32/ISO-HDLC").compute(b"") == 0


# --- published vectors ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("frame", "fcs"),
    [("033F", "5BEC"), ("0173", "8357"), ("013F", "EBDF"), ("0373", "3364")],
)
def test_x25_codewords(frame: str, fcs: str) -> None:
    """ITU-T X.25 (10/1996) appendix I: FCS of two-octet frames, low octet first."""
    value = Check.named("CRC-16/IBM-SDLC").compute(bytes.fromhex(frame))
    assert value.to_bytes(2, "little") == bytes.fromhex(fcs)


@pytest.mark.parametrize(
    ("octets", "value"),
    [
        (bytes(32), 0x8A9136AA),
        (bytes([0xFF] * 32), 0x62A8AB43),
        (bytes(range(32)), 0x46DD794E),
        (bytes(range(31, -1, -1)), 0x113FDB5C),
        # This one from memory.
        (
            bytes.fromhex(
                "01C00000 00000000 00000000 00000000 14000000 00000400"
                "00000014 00000018 28000000 00000000 02000000 00000000"
            ),
            0xD9963A56,
        ),
    ],
)
def test_rfc_3720(octets: bytes, value: int) -> None:
    """RFC 3720 appendix B.4: CRC-32C."""
    assert Check.named("CRC-32C").compute(octets) == value


def test_one_wire_rom() -> None:
    """Application note 27 of a maker of one-wire parts, from memory: a ROM's CRC."""
    rom = bytes.fromhex("021CB801000000")
    assert Check.named("CRC-8/MAXIM-DOW").compute(rom) == 0xA2


def test_modbus_worked_by_hand() -> None:
    """MODBUS over Serial Line V1.02, 6.2.2: 02 07 gives 1241h, sent 41 12."""
    value = Check.named("CRC-16/MODBUS").compute(b"\x02\x07")
    assert value == 0x1241
    assert value.to_bytes(2, "little") == b"\x41\x12"


@pytest.mark.parametrize(
    "frame",
    [
        "110100130025 0E84",
        "110200C40016 BAA9",
        "1103006B0003 7687",
        "110306AE4156524340 49AD",
        "110400080001 B298",
    ],
)
def test_modbus_frames(frame: str) -> None:
    """MODBUS protocol examples: over a frame with its CRC the register ends at 0."""
    octets = bytes.fromhex(frame)
    check = Check.named("CRC-16/MODBUS")
    assert check.compute(octets[:-2]).to_bytes(2, "little") == octets[-2:]
    assert check.compute(octets) == 0


def test_lrc() -> None:
    """MODBUS over Serial Line V1.02, 6.2.1: two's complement of the octet sum."""
    lrc = Check.named("lrc-8")
    assert lrc.compute(bytes.fromhex("01030000000A")) == 0xF2
    assert lrc.compute(bytes.fromhex("1103006B0003")) == 0x7E
    assert sum(bytes.fromhex("1103006B00037E")) % 256 == 0


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        # Widely copied vectors; the algorithm: Fletcher 1982, RFC 1146.
        ("fletcher-16", b"abcde", 0xC8F0),
        ("fletcher-16", b"abcdef", 0x2057),
        ("fletcher-16", b"abcdefgh", 0x0627),
        ("fletcher-16", DIGITS, 0x1EDE),
        ("fletcher-32", b"abcde", 0xF04FC729),
        ("fletcher-32", b"abcdef", 0x56502D2A),
        ("fletcher-32", b"abcdefgh", 0xEBE19591),
        ("fletcher-32", b"\x01\x02", 0x02010201),
        ("fletcher-16", b"", 0),
        # Arithmetic.
        ("xor-8", DIGITS, 0x31),
        ("sum-8", DIGITS, 0xDD),
        ("lrc-8", DIGITS, 0x23),
        ("sum-16", DIGITS, 0x01DD),
        ("sum-16", bytes([255]) * 258, (255 * 258) % 65536),
        ("lrc-8", bytes(3), 0),
        ("none", DIGITS, 0),
    ],
)
def test_sums(name: str, text: bytes, value: int) -> None:
    """Sums, xor and Fletcher against vectors and arithmetic."""
    assert Check.named(name).compute(text) == value


@settings(deadline=None)
@given(st.binary(max_size=600))
def test_fletcher_by_its_recurrence(octets: bytes) -> None:
    """The two sums, taken modulo at each step, as the definition reads."""
    for name, step, modulus in (("fletcher-16", 1, 255), ("fletcher-32", 2, 65535)):
        first = second = 0
        padded = octets + bytes(-len(octets) % step)
        for at in range(0, len(padded), step):
            word = int.from_bytes(padded[at : at + step], "little")
            first = (first + word) % modulus
            second = (second + first) % modulus
        expected = second * (modulus + 1) + first
        assert Check.named(name).compute(octets) == expected


def test_fletcher_is_not_modulo_256() -> None:
    """The variant modulo 256 gives other values: C3EFh for abcde."""
    assert Check.named("fletcher-16").compute(b"abcde") != 0xC3EF


@settings(deadline=None)
@given(st.binary(max_size=64))
def test_any_buffer(octets: bytes) -> None:
    """Bytes, bytearray, memoryview and every second octet of one are the same."""
    spread = bytes(octet for pair in zip(octets, octets, strict=True) for octet in pair)
    for name in ("CRC-16/MODBUS", "sum-8", "xor-8", "fletcher-32", "none"):
        check = Check.named(name)
        value = check.compute(octets)
        assert check.compute(bytearray(octets)) == value
        assert check.compute(memoryview(octets)) == value
        assert check.compute(memoryview(spread)[::2]) == value


# --- names ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "canonical", "size"),
    [
        ("crc-16/modbus", "CRC-16/MODBUS", 2),
        ("CRC16-MODBUS", "CRC-16/MODBUS", 2),
        ("MODBUS", "CRC-16/MODBUS", 2),
        ("CRC-16/CCITT-FALSE", "CRC-16/IBM-3740", 2),
        ("CRC-16/CCITT-TRUE", "CRC-16/KERMIT", 2),
        ("CRC-16/X-25", "CRC-16/IBM-SDLC", 2),
        ("CRC-16/LTE", "CRC-16/XMODEM", 2),
        ("CRC-32C", "CRC-32/ISCSI", 4),
        ("PKZIP", "CRC-32/ISO-HDLC", 4),
        ("CRC-15/CAN", "CRC-15/CAN", 2),
        ("CRC-3/GSM", "CRC-3/GSM", 1),
        ("CRC-17/CAN-FD", "CRC-17/CAN-FD", 3),
        ("CRC-40/GSM", "CRC-40/GSM", 5),
        ("LRC-8", "lrc-8", 1),
        ("none", "none", 0),
    ],
)
def test_names_that_mean_one_algorithm(name: str, canonical: str, size: int) -> None:
    """Canonical names, aliases, other spellings; size in octets on the wire."""
    check = Check.named(name)
    assert (check.name, check.size) == (canonical, size)


def test_every_alias_is_accepted_or_ambiguous() -> None:
    """An alias means what the second library says, unless it is a width or family."""
    refused = set()
    for other in ALLCRCCLASSES:
        canonical, *aliases = names_of(other)
        if other.width() > 64:
            continue
        for alias in aliases:
            if alias == "CRC-12-X":
                continue  # in the catalogue: X-CRC-12
            line = refusal(alias)
            if line is None:
                assert Check.named(alias).name == canonical
            else:
                assert f"{canonical} (" in line, alias
                refused.add(alias)
    assert refused == {
        *("CRC-7", "CRC-8", "CRC-10", "CRC-11", "CRC-15", "CRC-24", "CRC-32"),
        *("CRC-64", "CRC-IBM", "CRC-CCITT", "CRC-16/CCITT"),
    }


@pytest.mark.parametrize(
    ("name", "some"),
    [
        ("CRC-16", ["CRC-16/MODBUS (4B37h)", "CRC-16/XMODEM (31C3h)"]),
        ("crc16", ["CRC-16/MODBUS (4B37h)"]),
        ("CRC-8", ["CRC-8/SMBUS (F4h)", "CRC-8/MAXIM-DOW (A1h)"]),
        ("CRC-32", ["CRC-32/ISO-HDLC (CBF43926h)", "CRC-32/ISCSI (E3069283h)"]),
        ("CRC-CCITT", ["CRC-16/KERMIT (2189h)", "CRC-16/IBM-3740 (29B1h)"]),
        ("CRC-16/IBM", ["CRC-16/ARC (BB3Dh)", "CRC-16/MODBUS (4B37h)"]),
        ("CRC-IBM", ["CRC-16/ARC (BB3Dh)"]),
        ("CRC-24/LTE", ["CRC-24/LTE-A (CDE703h)", "CRC-24/LTE-B (23EF52h)"]),
        ("USB", ["CRC-5/USB (19h)", "CRC-16/USB (B4C8h)"]),
    ],
)
def test_ambiguous_names_are_refused(name: str, some: list[str]) -> None:
    """One line with the candidates and what each gives for 123456789."""
    with pytest.raises(BenchError) as caught:
        Check.named(name)
    (line,) = caught.value.lines
    assert line.startswith(f"the name of a check means several algorithms: {name},")
    assert "\n" not in line
    for candidate in some:
        assert candidate in line


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("CRC-16/MODBSU", "CRC-16/MODBUS"),
        ("CRC-32/ISCI", "CRC-32/ISCSI"),
        ("fletcher16x", "fletcher-16"),
        ("sum-9", "sum-8"),
    ],
)
def test_unknown_names_are_refused(name: str, nearest: str) -> None:
    """With the nearest that is known."""
    with pytest.raises(BenchError) as caught:
        Check.named(name)
    line = str(caught.value)
    assert line.startswith(f"unknown check: {name}, ")
    assert nearest in line.split("nearest: ")[1]


@pytest.mark.parametrize("name", ["", "banana", "CRC", "CRC-9", "/"])
def test_senseless_names_are_refused(name: str) -> None:
    """Whatever is typed, the answer is one line."""
    with pytest.raises(BenchError, match="unknown check"):
        Check.named(name)


@settings(deadline=None)
@given(st.text(max_size=12))
def test_any_text_is_a_check_or_refused(text: str) -> None:
    """No text brings the look-up down."""
    line = refusal(text)
    if line is None:
        check = Check.named(text)
        assert check.size == -(-check.width // 8)
    else:
        assert "\n" not in line


@pytest.mark.parametrize("field", ["poly", "init", "xorout"])
def test_parameters_must_fit_the_width(field: str) -> None:
    """A value with more bits than the width is a fault that names the field."""
    values = {"width": 8, "poly": 7, field: 0x100}
    with pytest.raises(BenchError, match=f"100h, expected at most FFh .* @ {field}"):
        Check.named(Given(**values))


def test_parameters_without_a_name() -> None:
    """They are their own name, and differ from those of the catalogue."""
    check = Check.named(Given(16, 0x1021, 0x1234, refin=True))
    assert check.name == "CRC-16 poly 1021h init 1234h refin xorout 0000h"
    assert (check.kind, check.width, check.size) == (Kind.CRC, 16, 2)


# --- which one is it? -----------------------------------------------------------------


def test_case_a22() -> None:
    """Catalogue names, an ambiguous one, parameters; a frame with swapped octets."""
    case = tomllib.loads((CASES / "A22_crc.toml").read_text())
    values = []
    for asked in case["check"]:
        if line := refusal(asked.get("say", "CRC-16/ARC")):
            assert asked["say"] == "CRC-16/CCITT"
            for name in ("CRC-16/KERMIT", "CRC-16/XMODEM", "CRC-16/IBM-3740"):
                assert name in line
            values.append(None)
        else:
            check = Check.named(asked["say"] if "say" in asked else Given(**asked))
            values.append(check.compute(DIGITS))
    assert values == [
        *(0x31C3, 0x29B1, 0xE5CC, 0x2189, 0x4B37, 0x906E, 0xBB3D),
        None,
        *(0xA1, 0xCBF43926, 0x6F91),
    ]
    assert Check.named(Given(**case["check"][-1])).name == "CRC-16/MCRF4XX"

    hints = []
    for frame in case["frame"]:
        octets = bytes.fromhex(frame["hex"])
        check = Check.named(frame["crc"])
        hints.append(diagnose(check, octets[:-2], octets[-2:], "little"))
    assert hints == [None, "valid if the octets are swapped"]
    good = bytes.fromhex(case["frame"][0]["hex"])
    assert Check.named("CRC-16/MODBUS").compute(good[:-2]) == 0xCDC5


def test_every_pair_of_16_bits_is_told_apart() -> None:
    """Whichever 16-bit CRC a packet has, and either way round, the hint names it."""
    octets = b"handrail lights along a causeway"
    wanted = Check.named("CRC-16/MODBUS")
    for name, check in catalogue().items():
        if check.width != 16 or name == wanted.name:
            continue
        value = check.compute(octets).to_bytes(2, "little")
        hint = diagnose(wanted, octets, value, "little")
        assert hint is not None
        assert f"as {name}" in hint
        turned = diagnose(wanted, octets, value[::-1], "little")
        assert turned is not None
        assert f"as {name} with the octets swapped" in turned


def test_no_hint_where_none_helps() -> None:
    """A value that nothing explains; an 8-bit CRC with another polynomial."""
    modbus = Check.named("CRC-16/MODBUS")
    value = modbus.compute(b"ebb") ^ 0x0110
    assert diagnose(modbus, b"ebb", value.to_bytes(2, "little"), "little") is None
    smbus, other = Check.named("CRC-8/SMBUS"), Check.named("CRC-8/DVB-S2")
    assert diagnose(smbus, b"ebb", bytes([other.compute(b"ebb")]), "big") is None
    rohc = Check.named("CRC-8/ROHC")
    hint = diagnose(smbus, b"ebb", bytes([rohc.compute(b"ebb")]), "big")
    assert hint == "valid as CRC-8/ROHC"


def test_sums_are_told_apart() -> None:
    """A sum where its complement was expected."""
    total = bytes([Check.named("sum-8").compute(b"flood")])
    hint = diagnose(Check.named("lrc-8"), b"flood", total, "big")
    assert hint == "valid as sum-8"


def test_the_second_library_identifies_ours() -> None:
    """The other way round: it finds our algorithm by what that gives."""
    for name in ("CRC-16/DNP", "CRC-16/KERMIT", "CRC-32/ISCSI", "CRC-8/ROHC"):
        check = Check.named(name)
        octets = b"the tide comes in over the causeway"
        found = identify(octets, check.compute(octets), width=check.width)
        assert names_of(found)[0] == name
