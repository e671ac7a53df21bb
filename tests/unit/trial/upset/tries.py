"""Trying upsets on nodes that only decode, with no ledger and nobody looking on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from unit.traffic.profiles import LENGTH, PACKETS, SMALL, small
from unit.trial.upset.plain_nodes import PlainNode, PlainNodes

from bench.base.clock import JumpClock
from bench.profile.load import parse_profile
from bench.trial.runner import Tools
from bench.trial.upset.named import UPSETS
from bench.trial.upset.result import Performed, Request, verdict_of
from bench.trial.upset.run import Performer

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.link.link import Link
    from bench.profile.model import Profile

BLACKOUT = ("processor.on_silence=blackout", "processor.blackout_after=40 ms")


class Nobody:
    """Keeps the records, and looks at nothing."""

    def __init__(self) -> None:
        self.records: list[dict[str, Any]] = []

    def interval(self, record: dict[str, Any]) -> None:
        """See `bench.trial.runner.Records`."""
        self.records.append(record)

    def anomaly(self, record: dict[str, Any]) -> None:
        """See `bench.trial.runner.Records`."""
        self.records.append(record)

    def sync(self) -> None:
        """See `bench.trial.runner.Records`."""

    def begun(self, folder: object) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: object) -> None:
        """See `bench.trial.runner.Watcher`."""


def request_of(
    profile: Profile, *names: str, times: int = 2, seed: int = 7, **more: Any
) -> Request:
    """Some upsets by name; all without any."""
    wanted = tuple(one for one in UPSETS if not names or one.name in names)
    return Request(profile, wanted, seed, times, **more)


def performed(
    request: Request,
    make_link: Callable[[], Link],
    stop: Callable[[], int | None] = lambda: None,
) -> tuple[Performed, Nobody]:
    """What came of it, and the records."""
    nobody = Nobody()
    tools = Tools(JumpClock(), nobody, nobody, stop)
    performer = Performer(request, make_link, tools, lambda *_: None)
    return performer.perform(), nobody


def said(
    profile: Profile, *names: str, kind: type[PlainNode] = PlainNode, **more: Any
) -> dict[str, Any]:
    """The verdict on nodes of one kind."""
    request = request_of(profile, *names, **more)
    tried, _ = performed(request, lambda: PlainNodes(profile, kind))
    return verdict_of(request, tried)


def marker(*overrides: str) -> Profile:
    """The small profile of markers."""
    return small("marker", *overrides)


def open_ended(*overrides: str) -> Profile:
    """The small profile of breaks, its packets without a length."""
    packet = PACKETS["break"].replace(f"{LENGTH}, ", "")
    packet = packet.replace('pad = "FF"\n', "")
    return parse_profile(SMALL.format(packet=packet), overrides)
