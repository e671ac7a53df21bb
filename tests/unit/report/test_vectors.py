"""Golden vectors as C, JSON and an array: the same content, the same octets each time.

The C header is compiled and read by a program that knows nothing else.
"""

from __future__ import annotations

import hashlib
import json
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.report.compiled import C99, CPP, complaint, needs_gcc, needs_gpp, printed
from unit.report.papers import NAMES, paper_profile

from bench.api import header
from bench.api_vectors import vectors
from bench.base.errors import UsageError
from bench.golden import vectors_of
from bench.profile import load_profile, profile_digest
from bench.report.header.names import prefix_of

if TYPE_CHECKING:
    from pathlib import Path

SMALL = ["output.devices=1", "output.register_bits=16"]

LIKE = ("causeway", "jetty", "slipway", "dmx512", "modbus-rtu", "strobe", "shared")
"""Every way of output, every way of delimiting that stuffs or does not."""


def small(name):
    """A profile with short chains, for what is read by eye or by a compiler."""
    if name in ("causeway", "jetty"):
        fits = ["packet.fields.2.octets=20"] if name == "jetty" else []
        bits = ["output.devices=2"]
        return load_profile(name, bits + fits)
    return paper_profile(name)


def wide():
    """70 lanes, so that port words have 16 octets."""
    return load_profile(
        "causeway",
        ["output.lanes=70", "output.word_octets=16", *SMALL],
    )


def pairs(text):
    """Pairs of hexadecimal digits as octets."""
    return bytes.fromhex(text)


# --- JSON and array -------------------------------------------------------------------


@pytest.mark.parametrize("name", LIKE)
def test_json_and_array_hold_the_vectors(name):
    """Both say of every vector what it is, and who they belong to."""
    profile = small(name)
    made = vectors_of(profile)
    content = json.loads(vectors(profile, "json"))
    rows = np.load(BytesIO(vectors(profile, "npy")), allow_pickle=False)
    assert content["version"] == 1
    assert content["profile_digest"] == profile_digest(profile)
    assert rows["profile_digest"][0].decode() == profile_digest(profile)
    assert {one.decode() for one in rows["digest"]} == {content["digest"]}
    assert len(content["vectors"]) == len(rows) == len(made.rows)
    for vector, told, row in zip(made.rows, content["vectors"], rows, strict=True):
        assert (told["name"], told["why"]) == (vector.name, vector.why)
        assert row["name"].decode() == vector.name
        assert told["refused"] == vector.refused
        assert row["refused"].decode() == (vector.refused or "")
        assert row["shown"] == (vector.refused is None)
        for key in ("packet", "line", "own"):
            octets = getattr(vector, key)
            assert pairs(told[key]) == octets
            assert row[key][: row[f"{key}_octets"]].tobytes() == octets
            assert not row[key][row[f"{key}_octets"] :].any()
        assert told["at"] == row["at"] == vector.at
        if vector.levels is None:
            assert told["lanes"] is None
            assert told["words"] is None
            assert not row["lanes"].any()
            continue
        lanes = [[int(level) for level in lane] for lane in told["lanes"]]
        assert lanes == row["lanes"].tolist() == vector.levels.tolist()
        if vector.words is None:
            assert told["words"] is None
            assert "words" not in row.dtype.names
            continue
        words = [int(word, 16) for word in told["words"].split(" ")]
        assert words == row["words"].tolist()
        assert words == [int.from_bytes(w.tobytes(), "little") for w in vector.words]


def test_wide_words():
    """Words of 16 octets: 32 digits in JSON, two numbers in the array."""
    content = json.loads(vectors(wide(), "json"))
    rows = np.load(BytesIO(vectors(wide(), "npy")))
    (at,) = [k for k, v in enumerate(content["vectors"]) if v["name"] == "lane-69"]
    words = content["vectors"][at]["words"].split(" ")
    assert words == [f"{1 << 69:032X}"] * 16
    assert rows["words"][at].tolist() == [[0, 1 << 5]] * 16


# --- stable ---------------------------------------------------------------------------

DIGESTS = {
    "c": "b27c4979b90041a15c6f15d4fa427698fa9543e4d868d5647c119d2d30df1e64",
    "json": "ac97cfc7a8c3c14052087ca9758134ebbfb9c32db3ab6e5ed08d6319e58140ce",
    "npy": "8141300e39f184d609e87ed27669bd995c1ec3f9a9fa92b4480ca0b3c0126f6e",
}
"""SHA-256 of the documents of the small causeway: who changes one, changes what every
firmware's tests hold, and says so."""


@given(
    name=st.sampled_from(NAMES[:-21]),
    seed=st.integers(0, 2**64 - 1),
    random=st.integers(0, 3),
    form=st.sampled_from(["c", "json", "npy"]),
)
@settings(max_examples=25, deadline=None)
def test_the_same_arguments_give_the_same_octets(name, seed, random, form):
    """Twice the same; another seed changes nothing unless something is random."""
    profile = paper_profile(name)
    node = profile.node[0].name
    given_ = {"node": node, "random": random, "command": "x"}
    first = vectors(profile, form, seed=seed, **given_)
    assert vectors(profile, form, seed=seed, **given_) == first
    assert vectors(profile, form, seed=seed ^ 1, **given_) != first


@pytest.mark.parametrize("form", DIGESTS)
def test_the_same_octets_for_ever(form):
    """On every machine, in every release, until somebody means to change them."""
    profile = load_profile("causeway", SMALL)
    made = vectors(profile, form, command="nightbench vectors small.toml")
    content = json.loads(vectors(profile, "json"))
    # What a profile's own digest is changes with every key that profiles gain.
    for digest in (content["profile_digest"], content["digest"]):
        for text in (digest, digest[:8].upper()):
            made = made.replace(text.encode(), b"")
    assert hashlib.sha256(made).hexdigest() == DIGESTS[form]


def test_what_is_refused():
    """A form, a seed or a number that nobody has heard of, in one line each."""
    profile = load_profile("causeway", SMALL)
    for bad, message in (
        ({"form": "xml"}, "no such form: xml, expected c or json or npy"),
        ({"seed": -1}, "out of range: -1, expected 0 to 18446744073709551615 @ seed"),
        ({"random": 1001}, "out of range: 1001, expected 0 to 1000 @ random"),
    ):
        with pytest.raises(UsageError) as caught:
            vectors(profile, **bad)
        assert str(caught.value) == message


# --- C --------------------------------------------------------------------------------

PRINTS = """
#include <stdio.h>
#include "vectors.h"
int main(void)
{{
    size_t k, w;
    for (k = 0; k < {prefix}_VECTORS; k++) {{
        const {name}_vector *v = &{name}_vectors[k];
        printf("%s|%s|", v->name, v->refused ? v->refused : "");
        for (w = 0; w < v->packet_octets; w++) printf("%02X", v->packet[w]);
        printf("|");
        for (w = 0; w < v->line_octets; w++) printf("%02X", v->line[w]);
        printf("|");
        for (w = 0; w < v->own_octets; w++) printf("%02X", v->own[w]);
        printf("|");
        {words}
        printf("\\n");
    }}
    return 0;
}}
"""

PLAIN = (
    'for (w = 0; w < v->words_count; w++) printf("%llX ", '
    "(unsigned long long)v->words[w]);"
)
WIDER = (
    'for (w = 0; w < v->words_count; w++) printf("%llX%016llX ", '
    "(unsigned long long)v->words[w].high, (unsigned long long)v->words[w].low);"
)


@needs_gcc
@pytest.mark.parametrize("name", [*LIKE, "wide"])
def test_a_program_reads_the_header(tmp_path: Path, name):
    """Everything that JSON holds is in the compiled header, number for number."""
    profile = wide() if name == "wide" else small(name)
    (tmp_path / "vectors.h").write_bytes(vectors(profile))
    prefix = prefix_of(profile.name)
    content = json.loads(vectors(profile, "json"))
    size = content["output"]["word_octets"]
    words = "" if size is None else WIDER if size == 16 else PLAIN
    source = PRINTS.format(prefix=prefix, name=prefix.lower(), words=words)
    lines = printed(tmp_path, source)
    expected = []
    for vector in content["vectors"]:
        told = vector["words"].split(" ") if vector["words"] else []
        numbers = [int(word, 16) for word in told]
        digits = [f"{n:X} " for n in numbers]
        if size == 16:
            digits = [f"{n >> 64:X}{n & (1 << 64) - 1:016X} " for n in numbers]
        parts = [
            *(vector["name"], vector["refused"] or ""),
            *(vector["packet"], vector["line"], vector["own"], "".join(digits)),
        ]
        expected.append("|".join(parts))
    assert lines == expected


@needs_gcc
@needs_gpp
@pytest.mark.parametrize("name", [*LIKE, "wide"])
def test_compilers_are_content(tmp_path: Path, name):
    """C99 and C++11 without a warning, alone, twice, beside the profile's header."""
    profile = wide() if name == "wide" else small(name)
    (tmp_path / "vectors.h").write_bytes(vectors(profile))
    (tmp_path / "profile.h").write_text(header(profile), encoding="ascii")
    text = '#include "vectors.h"\n#include "vectors.h"\n#include "profile.h"\n'
    for ending, compiler in ((".c", C99), (".cpp", CPP)):
        file = tmp_path / f"x{ending}"
        name = prefix_of(profile.name).lower()
        use = f"const void *x(void) {{ return {name}_vectors; }}"
        file.write_text(f"{text}const void *x(void);\n{use}\n", encoding="ascii")
        assert complaint(compiler, file, "-Wunused") == ""


@needs_gcc
def test_two_states_in_one_build_stop_it(tmp_path: Path):
    """Other vectors of the name, and the header of another state of the profile."""
    small_one = load_profile("causeway", SMALL)
    (tmp_path / "a.h").write_bytes(vectors(small_one))
    (tmp_path / "b.h").write_bytes(vectors(small_one, seed=1))
    (tmp_path / "c.h").write_text(header(load_profile("causeway")), encoding="ascii")
    file = tmp_path / "x.c"
    file.write_text('#include "a.h"\n#include "b.h"\n')
    said = complaint(C99, file)
    assert "other vectors whose names begin with CAUSEWAY_ were included" in said
    file.write_text('#include "c.h"\n#include "a.h"\n')
    said = complaint(C99, file)
    assert "CAUSEWAY_ constants were included that are of another profile" in said


def test_the_header_is_plain():
    """Printable ASCII, no date, at most 100 columns, the command at its head."""
    profile = load_profile("causeway", SMALL)
    text = vectors(profile, command="nightbench vectors causeway --set x=y").decode()
    assert text.isascii()
    assert all(sign.isprintable() or sign == "\n" for sign in text)
    assert max(map(len, text.splitlines())) <= 100
    assert "/*     nightbench vectors causeway --set x=y */\n" in text
