"""Plans of acceptance: read, checked, every fault at once."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

import jsonschema
import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.api_accept import load_plan, shipped_plans
from bench.base.errors import UsageError
from bench.trial.accept.load import PlanError, plan_digest, plan_of, plan_schema
from bench.trial.accept.model import EdgeStep

HEAD = 'plan = 1\nname = "short"\n'
STREAM = '[[step]]\nname = "a"\nkind = "stream"\n'
EDGE = '[[step]]\nname = "b"\nkind = "edge"\n'


def lines(text: str) -> list[str]:
    """What is wrong with a plan."""
    with pytest.raises(PlanError) as told:
        plan_of(text, "x.toml")
    return list(told.value.lines)


@pytest.mark.parametrize("name", shipped_plans())
def test_shipped(name: str) -> None:
    """A shipped plan is one, also by its schema; its folders are seen from here."""
    read = load_plan(name)
    assert read.plan.name == name
    assert read.digest == sha256(read.file.read_bytes()).hexdigest()
    assert str(read.near) == "."
    validator = jsonschema.Draft202012Validator
    validator.check_schema(plan_schema())
    import tomllib

    validator(plan_schema()).validate(tomllib.loads(read.text))


def test_units_and_words() -> None:
    """Lengths are read with their units, and `for` and `from` mean what they say."""
    edge = 'vary = "output.clock"\nfrom = "300 kHz"\nto = "2 MHz"\nleast = "1 MHz"\n'
    plan = plan_of(HEAD + STREAM + 'for = "2 min"\n' + EDGE + edge)
    one, two = plan.step
    assert one.kind == "stream"
    assert one.for_ns == 120 * 10**9
    assert isinstance(two, EdgeStep)
    assert (two.from_, two.to, two.least, two.margin) == (
        "300 kHz",
        "2 MHz",
        "1 MHz",
        None,
    )


def test_every_fault_at_once() -> None:
    """Each fault has a line with its place; the nearest key is named."""
    text = HEAD + STREAM + 'fro = "1 min"\npackets = 0\n' + EDGE + "margn = 2\n"
    first, *rest = lines(text)
    assert first.startswith("x.toml: out of range: 0, expected an integer, 1 to")
    assert first.endswith("@ step.0.packets")
    assert rest == [
        "  unknown key: fro @ step.0.fro (did you mean for?)",
        "  unknown key: margn @ step.1.margn (did you mean margin?)",
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('name = "x"\n' + STREAM, "required key missing, expected 1 @ plan"),
        (
            "plan = 2\n" + 'name = "x"\n' + STREAM,
            "unknown choice: 2, expected 1 @ plan",
        ),
        (HEAD, "required key missing, expected an array of tables, 1 to 200 @ step"),
        (
            HEAD + '[[step]]\nname = "a"\nkind = "strem"\n',
            (
                'unknown choice: "strem", expected corpus, edge, soak, stream or upset '
                "@ step.0.kind (did you mean stream?)"
            ),
        ),
        (
            HEAD + STREAM + STREAM,
            "a name twice: a @ step.1.name (step.0 has it)",
        ),
        (
            HEAD + STREAM + 'set = ["bus.baud"]\n',
            (
                "not an override: bus.baud, expected a dotted path, = and a value "
                "@ step.0.set.0"
            ),
        ),
        (
            HEAD + STREAM + 'bound = "many"\n',
            (
                "no bound: many, expected a rate and a confidence, 1e-6 or 1e-6@0.99 "
                "@ step.0.bound"
            ),
        ),
        (
            HEAD + '[[step]]\nname = "a"\nkind = "upset"\ntrial = ["power-op"]\n',
            "(did you mean power-up?)",
        ),
        (HEAD + EDGE, "neither vary nor method, expected one of the two @ step.0"),
        (
            HEAD + EDGE + 'vary = "output.clock"\nmargin = 2\n',
            "required key missing, expected an end that fails @ step.0.to",
        ),
        (
            HEAD + EDGE + 'vary = "output.clock"\nto = "2 MHz"\n',
            "demands: nothing, expected one of margin, least, most @ step.0",
        ),
        (
            HEAD + EDGE + 'vary = "bus.baud_offset"\nmargin = 2\n',
            (
                "demands: margin, expected window, how far all nodes have to go along "
                "@ step.0"
            ),
        ),
    ],
)
def test_faults(text: str, line: str) -> None:
    """What no plan may say is told with its place and what was expected."""
    told = lines(text)
    assert any(line in one for one in told), told


def test_no_toml() -> None:
    """What is no TOML is told with its line."""
    with pytest.raises(UsageError, match=r"not TOML: .* @ x.toml:1"):
        plan_of("plan = 1 1", "x.toml")


def test_files(tmp_path: Any) -> None:
    """A plan that cannot be read, or is not known, is told in one line."""
    with pytest.raises(
        UsageError, match=r"unknown plan: causewya.*did you mean causeway"
    ):
        load_plan("causewya")
    with pytest.raises(UsageError, match="cannot read the plan"):
        load_plan(tmp_path / "none.toml")
    (tmp_path / "wide.toml").write_bytes("plan = 1".encode("utf-16"))
    with pytest.raises(UsageError, match="not UTF-8"):
        load_plan(tmp_path / "wide.toml")


def test_digest() -> None:
    """The digest is that of the file's octets."""
    assert plan_digest("abc") == sha256(b"abc").hexdigest()


VALUES = (
    st.text(max_size=8)
    | st.integers(-3, 10**6)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.booleans()
    | st.lists(st.text(max_size=5) | st.integers(0, 3), max_size=3)
)
KEYS = st.sampled_from(
    ["name", "kind", "set", "for", "bound", "vary", "to", "margin", "window", "x"]
)
KINDS = st.sampled_from(["stream", "edge", "upset", "corpus", "soak", "other"])
STEPS = st.lists(
    st.dictionaries(KEYS, VALUES, max_size=6).flatmap(
        lambda step: KINDS.map(lambda kind: {**step, "kind": kind})
    ),
    max_size=3,
)


@settings(deadline=None)  # the first plan makes the schema
@given(STEPS, st.dictionaries(KEYS, VALUES, max_size=3))
def test_any_tables(steps: list[dict[str, Any]], more: dict[str, Any]) -> None:
    """Whatever tables hold, they are a plan or told in single lines."""
    text = tomli_w.dumps({"plan": 1, "name": "x", **more, "step": steps})
    told: list[str] = []
    try:
        plan = plan_of(text)
    except UsageError as error:
        told = list(error.lines)
    else:
        assert len(plan.step) == len(steps)
    assert all(line and "\n" not in line for line in told)
