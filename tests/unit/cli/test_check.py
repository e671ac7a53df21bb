"""The check command: what a profile comes to."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import call

if TYPE_CHECKING:
    from pathlib import Path


def checked(*words: str) -> dict[str, Any]:
    """The figures of a profile."""
    result = call("check", *words, "--json")
    assert result.exit_code == 0, result.stderr
    figures = json.loads(result.stdout)
    assert isinstance(figures, dict)
    return figures


def test_sheet() -> None:
    """The page of the shipped profile holds figures that were worked out by hand."""
    result = call("check", "causeway")
    assert result.exit_code == 0
    text = result.stdout
    for line in (
        "  character          2.5 us          10 bits",
        "  packet             9.62 ms         3848 characters, payload 3840",
        "  frame              38.48 ms        one packet to every node",
        "  own load           76.96 %         at 20 frames/s; foreign 15 % beside it",
        "  most frame rate    25.99 frames/s  own packets alone",
        "  interrupt cost     1.05 us         a character of 2.5 us (42 %), 4 at",
        "  rearrange          960 us          alone",
        "  burst              15.36 ms        3840 clocks at 250 kHz, then 500 us to",
        "  first extra clock  1.19 MHz        stops after 420 ns, rises at 50 % of its",
        "  cap                7.68 A          20 % of 38.4 A",
    ):
        assert line in text.replace("µ", "u")


def test_overrides_count() -> None:
    """What is set is what is checked."""
    figures = checked("causeway", "--set", "bus.baud=8 Mbaud")
    assert figures["line"]["character_ns"] == 1250
    plain = checked("causeway")
    assert plain["line"]["character_ns"] == 2500
    assert plain["digest"] != figures["digest"]


def test_what_is_not_simulated_is_a_note() -> None:
    """A profile that the model does not simulate is still a sound one."""
    figures = checked("causeway", "--set", "bus.direction=half")
    assert figures["notes"] == [
        "not simulated yet: half, expected simplex @ bus.direction"
    ]
    text = call("check", "causeway", "--set", "bus.direction=half").stdout
    assert "not simulated        half, expected simplex @ bus.direction\n" in text
    assert checked("causeway")["notes"] == []


def test_light() -> None:
    """A constant pattern draws what its octet says: FFh everything, 00h nothing."""
    for octet, share in (("FF", 1), ("00", 0)):
        light = checked("causeway", "--set", f"traffic.pattern=constant-{octet}")[
            "light"
        ]
        # 4 nodes x 8 lanes x 20 devices x 12 channels x 5 mA
        assert light["full_ma"] == 38_400
        assert light["pattern_ma"] == 38_400 * share
        assert light["pattern_brightness"] == share
        assert light["cap_ma"] == pytest.approx(7_680)


def test_play_needs_no_recording() -> None:
    """A profile that plays a recording is checked without it; its light is unknown."""
    light = checked("causeway", "--set", "traffic.pattern=play")["light"]
    assert light["pattern_brightness"] is None
    assert light["pattern_ma"] is None


def test_nothing_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A check leaves no trace."""
    monkeypatch.chdir(tmp_path)
    call("check", "causeway")
    assert list(tmp_path.iterdir()) == []
