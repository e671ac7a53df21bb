"""Plans by their names or their files; a few are shipped beside the profiles."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.profile.load import shipped_folder
from bench.trial.accept.load import plan_digest, plan_of

if TYPE_CHECKING:
    from bench.trial.accept.model import AcceptPlan


@dataclass(frozen=True)
class ReadPlan:
    """A plan, and what it was read from.

    Attributes:
        plan: Checked.
        text: As its file has it.
        file: Where it lies.
        near: What folders in it are seen from: its own, or for a shipped one the
            current one.
    """

    plan: AcceptPlan
    text: str
    file: Path
    near: Path

    @property
    def digest(self) -> str:
        """The SHA-256 of its file."""
        return plan_digest(self.text)


def shipped_plans() -> list[str]:
    """The names of the shipped plans."""
    return sorted(file.stem for file in _folder().glob("*.toml"))


def load_plan(source: str | Path) -> ReadPlan:
    """A plan, checked.

    Args:
        source: A bare name is a shipped plan; a `Path`, and text with a separator or
            with the ending .toml, is a file.

    Raises:
        UsageError: If it cannot be read, or has faults; all of them.
    """
    text = str(source)
    if (
        isinstance(source, Path)
        or "/" in text
        or "\\" in text
        or text.endswith(".toml")
    ):
        file, near = Path(source), Path(source).parent
    else:
        file, near = _shipped(text), Path()
    try:
        content = file.read_bytes().decode()
    except UnicodeDecodeError as error:
        what = f"not UTF-8 from octet {error.start} on"
        mend = "save it as UTF-8"
        raise UsageError(Fault(what, "", "UTF-8", str(file), mend)) from error
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = error.strerror if isinstance(error, OSError) else str(error)
        what = f"cannot read the plan ({str(reason).lower()})"
        raise UsageError(Fault(what, where=shown(str(file), 200))) from error
    return ReadPlan(plan_of(content, str(file)), content, file, near)


def _folder() -> Path:
    return shipped_folder() / "plans"


def _shipped(name: str) -> Path:
    """The file of a shipped plan."""
    known = shipped_plans()
    if name in known:
        return _folder() / f"{name}.toml"
    near = get_close_matches(name, known, n=1)
    mend = f"did you mean {near[0]}?" if near else ""
    expected = f"{', '.join(known)}, or a path to a .toml file"
    raise UsageError(Fault("unknown plan", shown(name), expected, mend=mend))
