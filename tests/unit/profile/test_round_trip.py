"""Properties: sound profiles survive their own text; rubbish is refused politely."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import jsonschema
import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from unit.profile.edits import CAUSEWAY, TEXT
from unit.profile.valid import valid_tables

from bench.base.errors import ProfileError
from bench.profile import (
    Profile,
    json_schema,
    parse_profile,
    profile_digest,
    profile_of,
    to_toml,
)
from bench.profile.schema import Path, child, known_paths

SCHEMA = jsonschema.Draft202012Validator(json_schema())


def reached(path: Path) -> bool:
    """Whether the causeway has the table or array that a path ends in."""
    container: Any = CAUSEWAY
    for step in path[:-1]:
        container = child(container, step)
    return container is not None


KNOWN: list[Any] = sorted(known_paths(CAUSEWAY), key=str)
PATHS: list[Any] = [path for path in KNOWN if reached(path)]

RUBBISH = st.recursive(
    st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.dates()
    | st.sampled_from(["4 Mbaud", "12.5 us", "A5 5A", "marker", "15 %", 1, 2]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["kind", "name", "octets", "uart", "x"]), inner
        )
    ),
    max_leaves=6,
)


def outcome(text: str, overrides: tuple[str, ...] = ()) -> Profile | list[str]:
    """A profile, or the lines that refuse it; any other exception fails the test."""
    try:
        return parse_profile(text, overrides)
    except ProfileError as error:
        return list(error.lines)


def polite(result: Profile | list[str]) -> bool:
    """Whether it is a profile, or lines that a terminal may print."""
    return isinstance(result, Profile) or all(
        line and line.isprintable() for line in result
    )


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(tables=valid_tables())
def test_sound_profiles(tables: dict[str, Any]) -> None:
    """A sound profile loads, agrees with the schema, and reads back as itself."""
    profile = profile_of(tables)
    resolved = profile.dump()
    assert list(SCHEMA.iter_errors(tables)) == []
    assert list(SCHEMA.iter_errors(resolved)) == []
    assert profile_of(resolved) == profile
    assert parse_profile(to_toml(profile)) == profile
    assert parse_profile(tomli_w.dumps(tables)) == profile
    assert profile_digest(parse_profile(to_toml(profile))) == profile_digest(profile)


@given(text=st.text() | st.text("abc=[]{}.\"'#\n 0123456789+-_eE:"))
def test_any_text(text: str) -> None:
    """Any text is a profile or is refused; nothing else happens."""
    assert polite(outcome(text))


@given(data=st.data())
def test_torn_text(data: st.DataObject) -> None:
    """A sound text with a piece of it replaced is a profile or is refused."""
    start = data.draw(st.integers(0, len(TEXT)))
    end = data.draw(st.integers(start, min(len(TEXT), start + 40)))
    piece = data.draw(
        st.text(max_size=6) | st.sampled_from(['"', "\n[", "= 3", "1e999"])
    )
    assert polite(outcome(TEXT[:start] + piece + TEXT[end:]))


@pytest.mark.parametrize("count", [1, 3])
@settings(deadline=None)
@given(data=st.data())
def test_rubbish_in_place(count: int, data: st.DataObject) -> None:
    """Rubbish at any places of a sound profile is refused, or is none after all."""
    tables = deepcopy(CAUSEWAY)
    for _ in range(count):
        path, container = data.draw(st.sampled_from(PATHS)), tables
        try:
            for step in path[:-1]:
                container = container[step]  # type: ignore[index]
            container[path[-1]] = data.draw(RUBBISH)  # type: ignore[index]
        except (KeyError, IndexError, TypeError):
            continue  # rubbish stands there already
    try:
        result: Profile | list[str] = profile_of(tables)
    except ProfileError as error:
        result = list(error.lines)
    assert polite(result)


@given(overrides=st.lists(st.text(max_size=20), max_size=3))
def test_any_override(overrides: list[str]) -> None:
    """Any override is obeyed or refused; nothing else happens."""
    assert polite(outcome(TEXT, tuple(overrides)))


@settings(deadline=None)
@given(
    path=st.sampled_from(KNOWN),
    value=st.text(max_size=20) | st.text("[]{}\"'=,#. 0123456789e", max_size=12),
)
def test_any_value_of_an_override(path: tuple[str | int, ...], value: str) -> None:
    """Any value at any path is obeyed or refused; nothing else happens."""
    assert polite(outcome(TEXT, (f"{'.'.join(map(str, path))}={value}",)))
