"""The C header, compiled: what programs that know nothing else make of it.

Offsets, checks and whole packets are computed by compiled C from the header alone and
compared with the bench, and with catalogues, libraries and standards from outside.
"""

from __future__ import annotations

import binascii
from random import Random
from typing import TYPE_CHECKING

import anycrc
import pytest
from crccheck.crc import ALLCRCCLASSES, Crc
from unit.report.compiled import (
    C99,
    CPP,
    array,
    complaint,
    needs_gcc,
    needs_gpp,
    printed,
)
from unit.report.papers import NAMES, paper_profile

from bench.profile.model import CrcParameters
from bench.report.fields import check_of
from bench.report.header import header
from bench.report.header.checks import check_constants, check_functions, crc_table
from bench.wire.checks import Check, Kind, catalogue
from bench.wire.format import format_of
from bench.wire.packets import build, read

if TYPE_CHECKING:
    from pathlib import Path

    from bench.profile import Profile

pytestmark = needs_gcc

DIGITS = b"123456789"

START = "#include <stddef.h>\n#include <stdint.h>\n#include <stdio.h>\n"


def written(folder: Path, name: str) -> str:
    """The header of a profile in a file of its own; the profile's prefix."""
    text = header(paper_profile(name), f"nightbench header {name}")
    (folder / f"{name}.h").write_text(text, encoding="ascii")
    return name.upper().replace("-", "_")


# --- compilers ------------------------------------------------------------------------


@needs_gpp
@pytest.mark.parametrize("name", NAMES)
def test_compiles(tmp_path: Path, name: str) -> None:
    """C99 and C++11, every warning an error, included twice, nothing of it used."""
    written(tmp_path, name)
    for compiler, ending in ((C99, "c"), (CPP, "cpp")):
        source = tmp_path / f"x.{ending}"
        source.write_text(f'#include "{name}.h"\n#include "{name}.h"\nint x = 1;\n')
        assert complaint(compiler, source) == ""


def test_all_in_one(tmp_path: Path) -> None:
    """Headers of many profiles stand beside each other in one program."""
    names = [name for name in NAMES if name != "kinds"]
    prefixes = [written(tmp_path, name) for name in names]
    lines = [f'#include "{name}.h"' for name in names]
    sum_ = " + ".join(f"{prefix}_NODES" for prefix in prefixes)
    source = "\n".join(["#include <stdio.h>", *lines, ""])
    source += f'int main(void) {{ printf("%u\\n", {sum_}); return 0; }}\n'
    nodes = sum(len(paper_profile(name).node) for name in names)
    assert printed(tmp_path, source) == [str(nodes)]


def test_another_state_of_it(tmp_path: Path) -> None:
    """A header of the same name and another digest stops the build; it says why."""
    text = header(paper_profile("causeway"), "x")
    other = text.replace("DIGEST_32  0x", "DIGEST_32  0x1", 1)
    assert other != text
    (tmp_path / "old.h").write_text(other)
    (tmp_path / "new.h").write_text(text)
    source = tmp_path / "x.c"
    source.write_text('#include "old.h"\n#include "new.h"\nint x = 1;\n')
    said = complaint(C99, source)
    assert "another header whose names begin with CAUSEWAY_" in said


def test_kinds(tmp_path: Path) -> None:
    """Nodes that differ have their figures under the same names, once one is chosen."""
    written(tmp_path, "kinds")
    source = START + '#include "kinds.h"\n'
    source += 'int main(void) { printf("%u %u\\n", KINDS_LANES, KINDS_DEVICES);\n'
    source += '#ifdef KINDS_CPU_HZ\nprintf("%lu\\n", KINDS_CPU_HZ);\n#endif\n'
    source += "return 0; }\n"
    one, other, third = "SLACK_WATER", "EBB", "FLOOD_GATE"
    for node, lines in (
        (one, ["8 20"]),
        (other, ["4 40"]),
        (third, ["8 20", "72000000"]),
    ):
        kind = f"-DKINDS_KIND=KINDS_NODE_{node}_KIND"
        assert printed(tmp_path, source, kind) == lines
    file = tmp_path / "program.c"
    assert "KINDS_LANES" in complaint(C99, file)  # not chosen: not there
    assert "KINDS_KIND is no kind of node" in complaint(C99, file, "-DKINDS_KIND=9")


# --- checks ---------------------------------------------------------------------------


def computed(
    folder: Path, checks: list[Check], messages: list[bytes]
) -> list[list[int]]:
    """What compiled C makes of every message, by every check."""
    lines = [START]
    body = []
    for at, check in enumerate(checks):
        lines += check_constants(f"C{at}", check) + check_functions(f"C{at}", check)
        body.append(f'printf("%llx", (unsigned long long)C{at}_CHECK_VALUE);')
        body += [
            f'printf(" %llx", (unsigned long long)c{at}_check(m{k}, {len(message)}U));'
            for k, message in enumerate(messages)
        ]
        body.append('printf("\\n");')
    lines += [
        f"static const uint8_t m{k}[] = {array(message)};"
        for k, message in enumerate(messages)
    ]
    lines += ["int main(void) {", *body, "return 0; }", ""]
    source = "\n".join(lines)
    return [
        [int(word, 16) for word in line.split()] for line in printed(folder, source)
    ]


def messages(random: Random) -> list[bytes]:
    """Messages of every length that may matter, the nine digits first."""
    return [DIGITS, *(random.randbytes(length) for length in (0, 1, 2, 3, 64, 257))]


def test_every_crc_of_the_catalogue(tmp_path: Path) -> None:
    """All of them, against a second library generated from the catalogue (G. Cook)."""
    checks, texts = list(catalogue().values()), messages(Random(3))
    assert len(checks) >= 110
    for check, values in zip(checks, computed(tmp_path, checks, texts), strict=True):
        (other,) = [one for one in ALLCRCCLASSES if one._names[0] == check.name]
        assert values == [other._check_result, *(other.calc(text) for text in texts)]
        assert values[1:] == [check.compute(text) for text in texts]


def test_any_parameters(tmp_path: Path) -> None:
    """CRCs without a name, 3 to 64 bits, turned both ways, one, the other, none."""
    random = Random(4)
    checks, others = [], []
    for at in range(80):
        width = 3 + at if at < 62 else random.randint(3, 64)
        poly, init, xorout = (random.getrandbits(width) for _ in range(3))
        refin, refout = bool(at & 1), bool(at & 2)
        parameters = (width, poly | 1, init, refin, refout, xorout)
        keys = ("width", "poly", "init", "refin", "refout", "xorout")
        given = dict(zip(keys, parameters, strict=True))
        checks.append(Check.named(CrcParameters.model_validate(given)))
        others.append(Crc(*parameters))
    texts = messages(random)
    for check, other, values in zip(
        checks, others, computed(tmp_path, checks, texts), strict=True
    ):
        assert values[1:] == [other.calc(text) for text in texts]
        assert values == [check.compute(text) for text in (DIGITS, *texts)]


def test_sums(tmp_path: Path) -> None:
    """Sums, against published vectors."""
    names = ["sum-8", "sum-16", "lrc-8", "xor-8", "fletcher-16", "fletcher-32"]
    checks = [Check.named(name) for name in names]
    texts = [
        DIGITS,
        b"abcde",
        b"abcdef",
        b"abcdefgh",
        bytes.fromhex("01 03 00 00 00 0A"),
        bytes.fromhex("11 03 00 6B 00 03"),
        *messages(Random(5)),
    ]
    rows = dict(zip(names, computed(tmp_path, checks, texts), strict=True))
    for name, check in zip(names, checks, strict=True):
        assert rows[name][1:] == [check.compute(text) for text in texts]
    # Worked by hand over 31h to 39h.
    assert rows["xor-8"][0] == 0x31
    assert rows["sum-8"][0] == 0xDD
    assert rows["sum-16"][0] == 0x1DD
    assert rows["lrc-8"][0] == 0x23
    # MODBUS over Serial Line V1.02, appendix B 6.2.1: two's complement of the sum.
    assert rows["lrc-8"][5:7] == [0xF2, 0x7E]
    # Widely copied vectors of Fletcher's sums (algorithm: J. Fletcher, 1982).
    assert rows["fletcher-16"][2:5] == [0xC8F0, 0x2057, 0x0627]
    assert rows["fletcher-32"][2:5] == [0xF04FC729, 0x56502D2A, 0xEBE19591]


def test_python_agrees(tmp_path: Path) -> None:
    """The standard library's two CRCs, over random octets."""
    names = ["CRC-32/ISO-HDLC", "CRC-16/XMODEM"]
    texts = messages(Random(6))
    rows = computed(tmp_path, [Check.named(name) for name in names], texts)
    assert rows[0][1:] == [binascii.crc32(text) for text in texts]
    assert rows[1][1:] == [binascii.crc_hqx(text, 0) for text in texts]


def test_published_tables() -> None:
    """The first entries of tables that standards print."""
    # RFC 1662, appendix C.2, fcstab (from memory).
    fcs = crc_table(Check.named("CRC-16/IBM-SDLC"))
    assert fcs[:8] == [0, 0x1189, 0x2312, 0x329B, 0x4624, 0x57AD, 0x6536, 0x74BF]
    # MODBUS over Serial Line V1.02, appendix B: auchCRCHi and auchCRCLo, which hold
    # the low and the high octet (from memory).
    modbus = crc_table(Check.named("CRC-16/MODBUS"))
    assert [entry & 0xFF for entry in modbus[:6]] == [0, 0xC1, 0x81, 0x40, 1, 0xC0]
    assert [entry >> 8 for entry in modbus[:6]] == [0, 0xC0, 0xC1, 1, 0xC3, 3]
    # ISO/IEC 15948 (PNG), annex D, whose sample code makes this table (from memory).
    png = crc_table(Check.named("CRC-32/ISO-HDLC"))
    assert png[:4] == [0, 0x77073096, 0xEE0E612C, 0x990951BA]
    assert png[255] == 0x2D02EF8D


@pytest.mark.parametrize(
    "name", ["CRC-16/ARC", "CRC-12/UMTS", "CRC-5/USB", "CRC-3/GSM"]
)
def test_table_is_the_register_after_an_octet(name: str) -> None:
    """Each entry is the check of that octet alone, from an empty register."""
    check = Check.named(name)
    assert check.kind == Kind.CRC
    bare = anycrc.CRC(check.width, check.poly, 0, check.refin, check.refin, 0)
    up = 0 if check.refin else -check.width % 8
    table = crc_table(check)
    assert table == [bare.calc(bytes([octet])) << up for octet in range(256)]


# --- packets --------------------------------------------------------------------------

PROBE = """
static void probe_{at}(void)
{{
    static const uint8_t p[] = {octets};
    const size_t n = {count}U;
    (void)p; (void)n;
    {reads}
    printf("{shown}\\n"{values});
}}
"""


def reading(prefix: str, field: str) -> str:
    """C that reads one number by the macros of a header."""
    return f"""
    unsigned long long {field} = 0;
    {{
        size_t k;
#ifdef {prefix}_{field}_AT
        const size_t from = {prefix}_{field}_AT;
#else
        const size_t from = n - {prefix}_{field}_FROM_END;
#endif
        for (k = 0; k < {prefix}_{field}_OCTETS; k++)
            {field} |= (unsigned long long)p[from + k] <<
                (8 * ({prefix}_{field}_BIG_ENDIAN
                    ? {prefix}_{field}_OCTETS - 1 - k : k));
    }}"""


def probe(at: int, prefix: str, profile: Profile, payload: bytes) -> tuple[str, str]:
    """C that reads a packet by a header alone, and what it has to print."""
    form = format_of(profile.packet)
    address = None if form.layout.address is None else profile.node[-1].address
    packet = build(form, address=address, payload=payload, sequence=0xA7)
    fields = read(form, packet)
    checked = check_of(form.layout) is not None
    names = ["address", "sequence", "length", *["check"] * checked]
    held = {name.upper(): getattr(fields, name) for name in names}
    held = {name: value for name, value in held.items() if value is not None}
    shown = {name: (name, value) for name, value in held.items()}
    if "LENGTH" in held:
        shown["payload"] = (f"LENGTH - {prefix}_LENGTH_ADDS", len(payload))
    if checked:
        shown["computed"] = (f"{prefix.lower()}_packet_check(p, n)", fields.check)
    source = PROBE.format(
        at=at,
        octets=array(packet),
        count=len(packet),
        reads="".join(reading(prefix, name) for name in held),
        shown=" ".join([prefix, *(f"{name}=%llu" for name in shown)]),
        values="".join(f", (unsigned long long)({c})" for c, _ in shown.values()),
    )
    wanted = [f"{name}={value}" for name, (_, value) in shown.items()]
    return source, " ".join([prefix, *wanted])


def test_packets(tmp_path: Path) -> None:
    """Fields and check of packets that the bench built, read by the header alone."""
    random, lines = Random(7), [START]
    expected: list[str] = []
    for name in NAMES:
        if name == "kinds":
            continue
        prefix, profile = written(tmp_path, name), paper_profile(name)
        layout = format_of(profile.packet).layout
        lines.append(f'#include "{name}.h"')
        for octets in sorted({layout.least, min(layout.most, layout.least + 37)}):
            payload = random.randbytes(octets)
            source, wanted = probe(len(expected), prefix, profile, payload)
            lines.append(source)
            expected.append(wanted)
    calls = [f"    probe_{at}();" for at in range(len(expected))]
    source = "\n".join([*lines, "int main(void) {", *calls, "    return 0;", "}", ""])
    assert printed(tmp_path, source, "-Wno-sign-conversion") == expected


def test_modbus_frame(tmp_path: Path) -> None:
    """MODBUS protocol example: 11 03 00 6B 00 03 has the check 76 87 on the line."""
    prefix = written(tmp_path, "check-0")
    assert prefix == "CHECK_0"
    check = Check.named("CRC-16/MODBUS")
    (values,) = computed(tmp_path, [check], [bytes.fromhex("11 03 00 6B 00 03")])
    assert values[1].to_bytes(2, "little") == bytes.fromhex("76 87")
