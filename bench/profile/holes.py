"""A faulty profile as far as it is sound.

The rules between fields should speak in the same breath as the faults of shape.  So a
table that did not validate is held all the same, each field on its own: what is sound
is there, what is not is a hole, and to look at a hole raises AttributeError.  A rule
that looks at one says nothing.
"""

from __future__ import annotations

from functools import cache
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import ConfigDict, TypeAdapter, ValidationError

from bench.profile.model import Section

_HOLE = object()


@cache
def _adapter(section: type[Section], name: str) -> TypeAdapter[Any]:
    """What validates one field of a section by itself."""
    field = section.model_fields[name]
    annotation: Any = field.annotation
    for condition in field.metadata:
        annotation = Annotated[annotation, condition]
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return TypeAdapter(annotation)
    return TypeAdapter(annotation, config=ConfigDict(strict=True, allow_inf_nan=False))


def with_holes(section: type[Section], table: dict[str, Any]) -> Any:
    """A model of a table, without the fields that are at fault."""
    values: dict[str, Any] = {}
    for name, field in section.model_fields.items():
        key = field.alias or name
        if key in table:
            values[name] = _sound(section, name, table[key])
        elif not field.is_required():
            values[name] = field.get_default(call_default_factory=True)
    sound = {name: value for name, value in values.items() if value is not _HOLE}
    model = section.model_construct()
    model.__dict__.clear()
    model.__dict__.update(sound)
    return model


def _sound(section: type[Section], name: str, value: object) -> Any:
    """The value of one field, its sound parts, or a hole."""
    if isinstance(value, list):
        value = tuple(value)
    try:
        return _adapter(section, name).validate_python(value)
    except ValidationError:
        return _parts(section.model_fields[name].annotation, value)


def _parts(annotation: Any, value: object) -> Any:
    """What is sound of a table, or of an array of tables; else a hole."""
    if get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    if get_origin(annotation) is tuple and isinstance(value, tuple):
        members = [_parts(get_args(annotation)[0], member) for member in value]
        return tuple(members) if members and _HOLE not in members else _HOLE
    if get_origin(annotation) in (Union, UnionType) and isinstance(value, dict):
        options = [option for option in get_args(annotation) if _is_kind(option, value)]
        annotation = options[0] if options else None
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return with_holes(annotation, value) if isinstance(value, dict) else _HOLE
    return _HOLE


def _is_kind(option: Any, table: dict[str, Any]) -> bool:
    """Whether a table says that it is of one kind of packet field."""
    if not (isinstance(option, type) and issubclass(option, Section)):
        return False
    field = option.model_fields.get("kind")
    return field is not None and get_args(field.annotation) == (table.get("kind"),)
