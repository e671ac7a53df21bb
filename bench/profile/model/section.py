"""What every table of the profile has in common."""

from __future__ import annotations

import re
from typing import Any

from pydantic import BaseModel, ConfigDict, model_validator

MOST_ADDRESS = 256**4 - 1
"""An address field has four octets at most."""

_UNIT_SUFFIX = re.compile(r"_(ns|hz|m|ohm|ma|v)$")


def key_of(field: str) -> str:
    """The name that a person writes in the file for a field of a model."""
    return _UNIT_SUFFIX.sub("", field)


class Section(BaseModel):
    """A table of the file: strict types, no unknown keys, never changed."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        alias_generator=key_of,
        allow_inf_nan=False,
    )

    @model_validator(mode="before")
    @classmethod
    def _arrays(cls, table: Any) -> Any:
        """TOML and JSON know arrays; a model that never changes holds tuples."""
        if not isinstance(table, dict):
            return table
        return {
            key: tuple(value) if isinstance(value, list) else value
            for key, value in table.items()
        }
