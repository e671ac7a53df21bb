"""What is known of a rig: by the link's whole name, replaced whole, or not at all."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import LedgerError
from bench.ledger.rigs import keep_rig, known_rig

NAMES = ["/dev/ttyUSB0", "COM3", "socket://localhost:4000", "loop", "…", "con", ""]


@pytest.mark.parametrize("name", NAMES)
def test_what_is_kept_is_known(tmp_path, name):
    """Any name of a link gives a file, and the same name finds it."""
    assert known_rig(name, tmp_path) is None
    path = keep_rig(tmp_path, name, {"baud": 1})
    assert path.parent == tmp_path / "rigs"
    assert known_rig(name, tmp_path) == {"baud": 1, "link": name}
    keep_rig(tmp_path, name, {"baud": 2})
    assert known_rig(name, tmp_path)["baud"] == 2


@given(st.sets(st.text(st.characters(codec="utf-8"), max_size=80), min_size=2))
def test_no_two_links_share_a_file(tmp_path_factory, names):
    """However alike their names, what is known of one is not said of another."""
    folder = tmp_path_factory.mktemp("rigs")
    for name in names:
        keep_rig(folder, name, {"of": name})
    for name in names:
        assert known_rig(name, folder)["of"] == name


@pytest.mark.parametrize("octets", [b"", b"{", b"[]", b'{"link": "other"}', b"\xff"])
def test_damage_is_no_knowledge(tmp_path, octets):
    """A file that cannot be read says nothing, and can be replaced."""
    keep_rig(tmp_path, "loop", {}).write_bytes(octets)
    assert known_rig("loop", tmp_path) is None
    keep_rig(tmp_path, "loop", {"baud": 3})
    assert known_rig("loop", tmp_path)["baud"] == 3


def test_what_cannot_be_written_is_a_fault(tmp_path):
    """A file where the folder belongs."""
    (tmp_path / "rigs").write_text("in the way")
    with pytest.raises(LedgerError, match="rig not kept"):
        keep_rig(tmp_path, "loop", {})
