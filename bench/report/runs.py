"""The list of runs: what each came to, the newest first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.report.page import WIDTH, Page, Piece

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.report.page import Role

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LEAST_LABELS = 24
_MOST_LABELS = 36
_UNITS = ("B", "kB", "MB", "GB", "TB")


def runs_page(shelf: Content, width: int = WIDTH) -> Page:
    """The list.

    Args:
        shelf: What `bench.api_runs.Shelf.as_dict` says.
        width: Columns to write for.
    """
    listed = shelf["runs"]
    names = [_name(one["run"]) for one in listed]
    longest = max((len(name) for name in names), default=0) + 1
    page = Page(max(_LEAST_LABELS, min(longest, _MOST_LABELS)), width)
    if not listed:
        page.field("runs", f"none under {shelf['logs']}")
    else:
        rows = [(name, _cells(one)) for name, one in zip(names, listed, strict=True)]
        page.table("run", ("", "profile", "size"), rows)
        page.blank()
        damaged = [one for one in listed if one["fault"]]
        for one in damaged:
            page.field(_name(one["run"]), one["fault"], "bad")
        total = sized(sum(one["octets"] for one in listed))
        count = f"{len(listed)} run{'' if len(listed) == 1 else 's'}"
        page.field("in all", f"{count}, {total}")
    if shelf["others"]:
        page.field("not runs", ", ".join(shelf["others"]))
    _pruned(page, shelf)
    return page


def _cells(one: Content) -> list[Piece]:
    """The cells of one run."""
    word = one["verdict"] if one["state"] == "ended" else one["state"]
    role: Role = _ROLES.get(word or "", "open")
    # A signal or a verdict of another kind leaves no such word.
    return [
        Piece((word or "ended").ljust(10), role),
        Piece(str(one["profile"] or "–")),
        Piece(sized(one["octets"])),
    ]


def _pruned(page: Page, shelf: Content) -> None:
    """What was deleted, or would be."""
    deleted: Sequence[str] = shelf["deleted"]
    if not deleted and not shelf["kept"]:
        return
    page.blank()
    label = "deleted" if shelf["done"] else "to be deleted"
    if not deleted:
        page.field(label, "nothing")
    for run in deleted:
        page.whole(label, run)
        label = ""
    label = "kept"
    for one in shelf["kept"]:
        page.field(label, f"{one['run']}: {one['why']}")
        label = ""
    if deleted and not shelf["done"]:
        page.field("", "nothing was deleted; --yes does it")


def sized(octets: int) -> str:
    """A size in three digits."""
    number, unit = float(octets), 0
    while number >= 999.5 and unit < len(_UNITS) - 1:
        number /= 1000
        unit += 1
    return f"{number:.3g} {_UNITS[unit]}"


def _name(run: str) -> str:
    """The name of a run's folder."""
    return run.replace("\\", "/").rpartition("/")[2]
