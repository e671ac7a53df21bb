"""Loading: names and files, TOML, shared tables, overrides, and back to text."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from unit.profile.edits import CAUSEWAY, ROOT, TEXT, changed, faults

from bench.base.errors import ProfileError
from bench.profile import (
    Profile,
    load,
    load_profile,
    parse_profile,
    profile_digest,
    profile_of,
    shipped_profiles,
    to_toml,
)


def said(error: pytest.ExceptionInfo[ProfileError]) -> list[str]:
    """The lines of an error."""
    return list(error.value.lines)


# --- names and files ------------------------------------------------------------------


def test_shipped_by_name() -> None:
    """A bare name is a shipped profile, wherever the program is started."""
    assert "causeway" in shipped_profiles()
    assert load_profile("causeway") == parse_profile(TEXT)


def test_every_shipped_profile_is_sound() -> None:
    """What is shipped loads."""
    for name in shipped_profiles():
        assert isinstance(load_profile(name), Profile), name


@pytest.mark.parametrize("form", ["path", "text", "text with a separator"])
def test_file_by_path(
    form: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A path, and text that looks like one, is a file."""
    (tmp_path / "mine.toml").write_text(TEXT, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    source = {
        "path": Path("mine.toml"),
        "text": "mine.toml",
        "text with a separator": "./mine.toml",
    }[form]
    assert load_profile(source) == load_profile("causeway")


def test_shipped_in_a_wheel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a wheel the shipped profiles lie inside the package."""
    (tmp_path / "bench" / "_profiles").mkdir(parents=True)
    (tmp_path / "profiles").mkdir()
    inside = tmp_path / "bench" / "_profiles" / "weir.toml"
    inside.write_text(TEXT, encoding="utf-8")
    monkeypatch.setattr(load, "_PACKAGE", tmp_path / "bench")
    assert shipped_profiles() == ["weir"]
    assert load_profile("weir") == parse_profile(TEXT)


def test_unknown_name() -> None:
    """An unknown name is a fault that names those there are, and the nearest."""
    names = shipped_profiles()
    listed = " or ".join([*[", ".join(names[:-1])][: len(names) - 1], names[-1]])
    with pytest.raises(ProfileError) as caught:
        load_profile("causway")
    assert said(caught) == [
        (
            f"unknown profile: causway, expected {listed}, or a path to a .toml file "
            "(did you mean causeway?)"
        )
    ]


def test_no_such_file() -> None:
    """A file that is not there is a fault, and so is a name that no file can have."""
    with pytest.raises(ProfileError) as caught:
        load_profile("./nowhere.toml")
    assert said(caught) == [
        "cannot read the profile (no such file or directory) @ nowhere.toml"
    ]
    with pytest.raises(ProfileError) as caught:
        load_profile("a\0b.toml")
    assert said(caught) == ["cannot read the profile (embedded null byte) @ a␣b.toml"]


def test_folder_is_no_file(tmp_path: Path) -> None:
    """A folder is a fault like any file that cannot be read."""
    with pytest.raises(ProfileError, match=r"^cannot read the profile"):
        load_profile(tmp_path)


def test_mark_and_line_ends(tmp_path: Path) -> None:
    """A leading byte-order mark is skipped, and lines may end in CR LF."""
    file = tmp_path / "windows.toml"
    file.write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    assert load_profile(file) == load_profile("causeway")


@pytest.mark.parametrize(
    ("octets", "what"),
    [
        (b"\xff\xfen\0a\0", "UTF-16"),
        (b"\xfe\xff\0n\0a", "UTF-16"),
        (b'summary = "\xe4"', "not UTF-8 from octet 11 on"),
    ],
)
def test_other_encodings(octets: bytes, what: str, tmp_path: Path) -> None:
    """A file in another encoding is a fault that says which is wanted."""
    file = tmp_path / "coded.toml"
    file.write_bytes(octets)
    with pytest.raises(ProfileError) as caught:
        load_profile(file)
    assert said(caught) == [f"{what}, expected UTF-8 @ {file} (save it as UTF-8)"]


# --- TOML -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[bus\n",
            "not TOML: expected ']' at the end of a table declaration: [bus @ f:1",
        ),
        ("a = 1\nb = 2\na = 3\n", "not TOML: set twice: a = 3 @ f:3"),
        ("[a]\n[b]\n[a]\n", "not TOML: set twice: [a] @ f:3"),
        (
            "a = 007",
            (
                "not TOML: expected newline or end of document after a statement: a = "
                "007 @ f:1 (a number has no leading zero; 0x, 0o and 0b are bases)"
            ),
        ),
        (
            "\nclock = 2 MHz\n",
            (
                "not TOML: expected newline or end of document after a statement: "
                "clock = 2 MHz @ f:2 (a value with a unit stands in quotes)"
            ),
        ),
        (
            "a = 2,5",
            (
                "not TOML: expected newline or end of document after a statement: a = "
                "2,5 @ f:1 (a decimal point, and quotes around a value with a unit)"
            ),
        ),
        ("a = \n", "not TOML: invalid value: a = @ f:1"),
    ],
)
def test_not_toml(text: str, line: str) -> None:
    """What is not TOML is one fault, with the file and the line."""
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, name="f")
    assert said(caught) == [line]


def test_toml_past_the_reader() -> None:
    """Nesting and numbers that the reader cannot take are faults too."""
    with pytest.raises(ProfileError) as caught:
        parse_profile("a = " + "[" * 100_000, name="f")
    assert said(caught) == ["not TOML: nested too deeply @ f"]
    with pytest.raises(ProfileError, match=r"^not TOML: exceeds the limit") as caught:
        parse_profile("a = " + "9" * 5000, name="f")
    assert len(said(caught)) == 1


# --- shared tables --------------------------------------------------------------------


def test_own_over_shared() -> None:
    """A node's own keys go over the shared ones, however deep; the rest is shared."""
    own = {
        "uart": {"trigger": 2},
        "interrupt": {"priority": ["bit", "receive", "complete"]},
    }
    profile = profile_of(changed({"node.1.processor": own}))
    first, second = profile.node[0].processor, profile.node[1].processor
    assert (first.uart.trigger, second.uart.trigger) == (4, 2)
    assert first.uart.fifo == second.uart.fifo == 8
    assert second.interrupt.priority == ("bit", "receive", "complete")
    assert second.interrupt.entry_ns == 1_300


def test_all_own() -> None:
    """Without shared tables every node has its own, and the profile is the same."""
    tables = changed({})
    shared = {key: tables.pop(key) for key in ("processor", "output")}
    for node in tables["node"]:
        node.update(shared)
    assert profile_of(tables) == profile_of(CAUSEWAY)


# --- overrides ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("override", "place", "value"),
    [
        ('output.clock="2 MHz"', "node.3.output.clock", "2 MHz"),
        ("output.clock=2 MHz", "node.3.output.clock", "2 MHz"),
        ("output.clock = 2000000", "node.3.output.clock", "2 MHz"),
        ("node.0.address=7", "node.0.address", 7),
        ("node.0.address=0x1F", "node.0.address", 31),
        ("packet.fields.4.most=3840", "packet.fields.4.most", 3840),
        ("node.2.output.rise=0.25", "node.2.output.rise", "25 %"),
        ("traffic.foreign.addresses=[40, 41]", "traffic.foreign.addresses", [40, 41]),
        ("traffic.foreign.addresses.1=41", "traffic.foreign.addresses.1", 41),
        ("traffic.broadcast_every=3", "traffic.broadcast_every", 3),
        ("bus.parity=even", "bus.parity", "even"),
        ("packet.pad=55", "packet.pad", "55"),
        ("packet.fields.0.octets=55 AA", "packet.fields.0.octets", "55 AA"),
        (
            "packet.fields.5={kind='check', algorithm='sum-8'}",
            "packet.fields.5.algorithm",
            "sum-8",
        ),
        ("summary=two = three", "summary", "two = three"),
        ("summary=", "summary", ""),
        ("summary=1\nname='other'", "name", "causeway"),
    ],
)
def test_override(override: str, place: str, value: object) -> None:
    """An override sets any value by its dotted path; what is no TOML is text."""
    found: object = parse_profile(TEXT, [override]).dump()
    for step in place.split("."):
        found = found[int(step) if step.isdecimal() else step]  # type: ignore[index]
    assert found == value


def test_override_before_sharing() -> None:
    """An override of a shared table reaches every node that has no value of its own."""
    tables = changed({"node.1.output": {"clock": "300 kHz"}})
    profile = profile_of(tables, ["output.clock=2 MHz"])
    clocks = [node.output.clock_hz for node in profile.node]
    assert clocks == [2_000_000, 300_000, 2_000_000, 2_000_000]


def test_later_override_wins() -> None:
    """Of two overrides of one path the later one is obeyed."""
    profile = parse_profile(
        TEXT, ["traffic.frame_rate=10 Hz", "traffic.frame_rate=5 Hz"]
    )
    assert profile.traffic.frame_rate_hz == 5


@pytest.mark.parametrize(
    ("override", "line"),
    [
        (
            "output.clok=2 MHz",
            (
                "unknown path: output.clok @ --set output.clok "
                "(did you mean output.clock?)"
            ),
        ),
        (
            "node.4.address=7",
            (
                "unknown path: node.4.address @ --set node.4.address "
                "(did you mean node.3.address?)"
            ),
        ),
        (
            "node.x.address=7",
            (
                "unknown path: node.x.address @ --set node.x.address "
                "(did you mean node.3.address?)"
            ),
        ),
        (
            "node.99999999999999999999=7",
            "unknown path: node.99999999999999999999 @ --set node.99999999999999999999",
        ),
        ("=7", "unknown path @ --set"),
        (
            "output.clock",
            (
                "not an override: output.clock, expected a dotted path, = and a value "
                "@ --set"
            ),
        ),
        (
            "output.clock=2 mhz",
            (
                "prefix or unit in the wrong case: 2 mhz, expected a clock rate or a "
                "baud rate in Hz, kHz, MHz, GHz, baud, kbaud, Mbaud, Bd, kBd, MBd "
                "@ --set output.clock (did you mean 2 MHz?)"
            ),
        ),
        (
            "node.0.address=true",
            (
                "wrong kind of value: true, expected an integer, 0 to 4294967295 "
                "@ --set node.0.address"
            ),
        ),
        (
            "node.2.address=1",
            (
                "address of two nodes: 1, expected another than node.0.address "
                "@ --set node.2.address"
            ),
        ),
        (
            "light={cap = '10 %', save_level = 0}",
            "unknown key: save_level @ --set light (did you mean safe_level?)",
        ),
    ],
)
def test_override_fault(override: str, line: str) -> None:
    """A fault of an override names the override as its place."""
    assert faults({}, [override]) == [line]


def test_override_faults_along_with_others() -> None:
    """A bad override does not hide what else is wrong."""
    assert faults({"bus.baud": True}, ["output.clok=2 MHz"]) == [
        "unknown path: output.clok @ --set output.clok (did you mean output.clock?)",
        (
            'not a baud rate: true, expected a baud rate such as "4 Mbaud" or a whole '
            "number @ bus.baud"
        ),
    ]


def test_override_into_no_table() -> None:
    """An override below something that is no table says so, beside the fault itself."""
    assert faults({"accept": [3]}, ["accept.loss=1 %"]) == [
        "not in a table: accept.loss @ --set accept.loss",
        "wrong kind of value: [3], expected a table @ accept",
    ]
    assert faults({"accept": 3}, ["accept.loss=1 %"]) == [
        "not in a table: accept.loss @ --set accept.loss",
        "wrong kind of value: 3, expected a table @ accept",
    ]


def test_tables_are_not_changed() -> None:
    """Overrides do not change the tables that the caller handed in."""
    tables = changed({})
    profile_of(tables, ["output.clock=2 MHz", "light.cap=1 %"])
    assert tables == CAUSEWAY


# --- and back -------------------------------------------------------------------------


def test_resolved_text() -> None:
    """The resolved profile is TOML, with units and with every default written out."""
    text = to_toml(load_profile("causeway"))
    assert '\nbaud = "4 Mbaud"\n' in text
    assert '\nparity = "none"\n' in text
    assert '\nlatch_gap = "500 us"\n' in text
    assert '\noverrun = "drop"\n' in text
    assert parse_profile(text) == load_profile("causeway")


def test_digest_of_what_is_meant() -> None:
    """The digest is that of the meaning: spelling does not change it, a value does."""
    plain = profile_digest(load_profile("causeway"))
    spelt = {"bus.baud": 4_000_000, "output.latch_gap": "500 µs", "bus.stop_bits": 1.0}
    assert profile_digest(profile_of(changed(spelt))) == plain
    assert profile_digest(profile_of(changed({"bus.cable": "21 m"}))) != plain
    assert len(plain) == 32
    assert set(plain) <= set("0123456789abcdef")


def test_light_import() -> None:
    """Loading needs neither arrays nor compiled code, nor the floors above."""
    code = (
        "import sys, bench.profile as p; p.load_profile('causeway'); "
        "print(*sorted(m for m in sys.modules if m.split('.')[0] in ('numpy', 'numba', "
        "'scipy', 'rich', 'click', 'tomli_w') or m.startswith('bench.')))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = run.stdout.split()
    assert loaded
    assert [
        name for name in loaded if not name.startswith(("bench.base", "bench.profile"))
    ] == []


def test_an_override_of_nothing_takes_a_key_out():
    """Nothing after the "=" is as if the key had not been written."""
    shorter = load_profile(
        "causeway", ["processor.interrupt.body=drain", "processor.interrupt.count="]
    )
    assert shorter.node[0].processor.interrupt.count is None
    with pytest.raises(ProfileError, match="baud"):
        load_profile("causeway", ["bus.baud="])
