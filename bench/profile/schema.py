"""The JSON Schema of a profile as a person writes it.

Editors complete and check with it, and the loader asks it what may stand at a path and
what is expected there, so that one statement of a range serves both.

It differs from the schema of the models in what the file adds to them: `[processor]`,
`[output]` and `[observe]` at the top hold what the nodes share, so any part of them may
be left out in either place.  It cannot know the rules between fields, nor that 4e6 is
not a whole number (to JSON it is one); the loader does.
"""

from __future__ import annotations

from copy import deepcopy
from functools import cache
from typing import TYPE_CHECKING, Any

from pydantic.json_schema import GenerateJsonSchema

from bench.profile.model import Profile

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic_core import core_schema

    from bench.profile.model.section import Section

Path = tuple[str | int, ...]
"""Keys and indexes from the top of the file to a value."""

Schema = dict[str, Any]
"""A JSON Schema, whole."""

SHARED = ("processor", "output", "observe")
"""Tables that may stand at the top of the file, for all nodes."""

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _AsWritten(GenerateJsonSchema):
    """Defaults with their units; none where there is no value."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> dict[str, Any]:
        """See the base class."""
        described = super().default_schema(schema)
        if described.get("default", "") is None:
            del described["default"]
        written: Any = schema["schema"].get("serialization", {})
        if "default" in described and "function" in written:
            described["default"] = written["function"](described["default"])
        return described

    def nullable_schema(self, schema: core_schema.NullableSchema) -> dict[str, Any]:
        """TOML has no null: what has no value is left out."""
        return self.generate_inner(schema["schema"])

    def field_title_should_be_set(self, schema: object) -> bool:  # noqa: ARG002
        """The key says it already."""
        return False


def schema_of(model: type[Section]) -> dict[str, Any]:
    """The schema of what a person writes for a model, and of nothing else."""
    return model.model_json_schema(schema_generator=_AsWritten)


@cache
def _schema() -> dict[str, Any]:
    schema = schema_of(Profile)
    parts = schema["$defs"]
    for name in ("Processor", "Interrupt", "Output", "Probe"):
        del parts[name]["required"]
    parts["Node"]["required"] = ["name", "address"]
    for name in SHARED:
        shared = {
            "$ref": f"#/$defs/{name.capitalize()}",
            "description": f"What the nodes' {name} tables share.",
        }
        schema["properties"][name] = shared
    return {"$schema": DIALECT, **schema, "title": "nightbench profile"}


def json_schema() -> dict[str, Any]:
    """The schema, draft 2020-12; the caller's own copy."""
    return deepcopy(_schema())


# --- what may stand at a path ---------------------------------------------------------


def _resolved(part: dict[str, Any], value: object, whole: Schema) -> dict[str, Any]:
    """A part of the schema with its reference followed and its union decided."""
    if "oneOf" in part:
        described = {key: part[key] for key in ("description",) if key in part}
        part = {**_chosen(part, value), **described}
    if "$ref" in part:
        name = part["$ref"].rpartition("/")[2]
        return {**whole["$defs"][name], **part}
    return part


def _chosen(part: dict[str, Any], value: object) -> dict[str, Any]:
    """The member of a union that a value belongs to."""
    table = isinstance(value, dict)
    if "discriminator" not in part:  # a text or a table
        return next(one for one in part["oneOf"] if ("$ref" in one) == table)
    kind = value.get("kind") if isinstance(value, dict) else None
    reference = part["discriminator"]["mapping"].get(
        kind if isinstance(kind, str) else ""
    )
    if reference:
        return {"$ref": reference}
    kinds = list(part["discriminator"]["mapping"])
    return {"type": "object", "properties": {"kind": {"type": "string", "enum": kinds}}}


def part_at(
    path: Path, tables: object, whole: Schema | None = None
) -> dict[str, Any] | None:
    """What the schema says of a path; None where nothing may stand.

    Args:
        path: From the top of the file.
        tables: The file, which decides between kinds of packet fields and how many
            members an array has.
        whole: The schema; that of a profile unless given.
    """
    whole = whole or _schema()
    part, value = _resolved(whole, tables, whole), tables
    for step in path:
        below = _below(part, step, value)
        if below is None:
            return None
        value = child(value, step)
        part = _resolved(below, value, whole)
    return part


def _below(part: dict[str, Any], step: str | int, value: object) -> Any:
    """The part of the schema one step down; None where there is none."""
    if isinstance(step, str):
        return part.get("properties", {}).get(step)
    if not isinstance(value, list | tuple) or step >= len(value):
        return None
    ordered = part.get("prefixItems", [])
    return ordered[step] if step < len(ordered) else part.get("items")


def child(value: object, step: str | int) -> object:
    """The value one step down in tables and arrays; None where there is none."""
    if isinstance(value, dict):
        return value.get(step)
    if isinstance(value, list | tuple) and isinstance(step, int) and step < len(value):
        return value[step]
    return None


def known_paths(tables: dict[str, Any], whole: Schema | None = None) -> Iterator[Path]:
    """Every path at which something may stand, given how long the arrays are."""
    whole = whole or _schema()
    yield from _paths((), whole, tables, whole)


def _paths(
    path: Path, part: dict[str, Any], value: object, whole: Schema
) -> Iterator[Path]:
    part = _resolved(part, value, whole)
    if path:
        yield path
    steps: list[str | int] = list(part.get("properties", {}))
    if isinstance(value, list):
        steps += range(len(value))
    for step in steps:
        below = _below(part, step, value)
        if below is not None:
            yield from _paths((*path, step), below, child(value, step), whole)


# --- in the words of a fault ----------------------------------------------------------

_NAMES = {
    "integer": "an integer",
    "number": "a number",
    "string": "text",
    "boolean": "true or false",
    "object": "a table",
    "array": "an array",
}


def expectation(part: dict[str, Any]) -> str:
    """What a part of the schema accepts, in the words of a fault."""
    if "const" in part:
        return str(part["const"])
    if "enum" in part:
        return one_of(part["enum"])
    if "anyOf" in part:
        return " or ".join(expectation(option) for option in part["anyOf"])
    if "examples" in part:
        return f'text such as "{part["examples"][0]}"'
    name = _NAMES[part["type"]]
    if part["type"] == "array" and part.get("items", {}).keys() & {"$ref", "oneOf"}:
        name = "an array of tables"
    if "pattern" in part:
        return f"{name} that matches {part['pattern']}"
    limits = _limits(part)
    return f"{name}, {limits}" if limits else name


def _limits(part: dict[str, Any]) -> str:
    """The range of a number, or how long a text or an array may be."""
    for least, most, of in (
        ("minimum", "maximum", ""),
        ("minLength", "maxLength", " signs"),
        ("minItems", "maxItems", ""),
    ):
        if least in part and part.get(most) == part[least]:
            return f"{part[least]} of them"
        if least in part and most in part:
            return f"{part[least]} to {part[most]}{of}"
        if least in part and "exclusiveMaximum" in part:
            return f"{part[least]} to {part['exclusiveMaximum'] - 1}"
        if least in part:
            return f"at least {part[least]}{of}"
    if "exclusiveMinimum" in part:
        return f"above {part['exclusiveMinimum']}"
    return ""


def one_of(choices: list[Any]) -> str:
    """A list of choices as a sentence has it."""
    *most, last = [str(choice) for choice in choices]
    return f"{', '.join(most)} or {last}" if most else last
