"""What is asked for with a campaign: how far, on what, with which attacks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from bench.api_fuzz.play import Ends
from bench.api_search.before import command_before
from bench.api_search.kept import duration_ns_of
from bench.base.errors import Fault, UsageError
from bench.base.grid import NS_PER_S
from bench.base.units import shown
from bench.report.summary import typed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.fuzz.attacks import Attacks
    from bench.fuzz.campaign.finding import Named
    from bench.fuzz.campaign.job import FuzzJob
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.sweep.point import MakeLink

DEFAULT_NS = 120 * NS_PER_S
"""How long a campaign goes on that is given no end."""


@dataclass(frozen=True)
class Way:
    """How cases reach nodes.

    Attributes:
        link: What the link is called.
        make_link: A link to boards; None for simulated nodes.
        jobs: How many processes play on simulated nodes.
        cluster: The address of a cluster that does.
        allowed: Which limits of the light guard may be passed.
        revive: Switches a board off and on; what went wrong, or "".
    """

    link: str
    make_link: Callable[[], Link] | None
    jobs: int | None
    cluster: str | None
    allowed: tuple[str, ...]
    revive: Callable[[], str] | None


def command_of(named: Named, job: FuzzJob, ends: Ends) -> list[str]:
    """The words of a command that does the same, on simulated nodes."""
    words = ["nightbench", "fuzz", named.profile]
    for text in named.sets:
        words += ["--set", text]
    for name in job.only:
        words += ["--attack", name]
    if ends.ns is not None:
        words += ["--for", typed(ends.ns)]
    if ends.cases is not None:
        words += ["--cases", str(ends.cases)]
    return [*words, "--seed", str(job.seed)]


def index_of(profile: Profile, name: str | None) -> int:
    """Index of a node by its name.

    Raises:
        UsageError: If there is none.
    """
    if name is None:
        return 0
    names = [node.name for node in profile.node]
    if name not in names:
        fault = Fault("no such node", shown(name), ", ".join(names), "--node")
        raise UsageError(fault)
    return names.index(name)


def refuse_attacks(attacks: Attacks, names: Sequence[str]) -> None:
    """Refuse attacks that the packets do not allow.

    Raises:
        UsageError: If there are any.
    """
    known = [kind.name for kind in attacks.kinds]
    for name in names:
        if name not in known:
            what = "these packets allow no such attack"
            fault = Fault(what, shown(name), ", ".join(known), "--attack")
            raise UsageError(fault)


def ends_of(duration: str | int | None, cases: int | None) -> Ends:
    """How far a campaign goes."""
    if cases is not None and cases < 1:
        raise UsageError(Fault("no cases", str(cases), "1 or more", "cases"))
    if duration is not None:
        return Ends(cases, duration_ns_of(duration))
    return Ends(cases, DEFAULT_NS if cases is None else None)


BLOCK_OCTETS = 1 << 23
"""About so many characters are in a block: some tenths of a second."""

LIVE_BLOCK = 64


def block_of(attacks: Attacks, *, live: bool) -> int:
    """Cases of a block; a power of two, so that nobody wonders."""
    if live:
        return LIVE_BLOCK
    ground = attacks.ground
    each = 6 * ground.packet_octets + ground.recover
    return 1 << max(6, min(16, (BLOCK_OCTETS // each).bit_length() - 1))


def way_of(
    job: FuzzJob,
    boards: tuple[MakeLink | None, Sequence[str], str | None],
    others: tuple[int | None, str | None],
) -> Way:
    """The way to the nodes; a link that cannot be had is told before anything else.

    Raises:
        UsageError: If what was given does not go together.
        LinkError: If the link cannot be had.
    """
    make_link, allowed, revive = boards
    jobs, cluster = others
    if jobs is not None and jobs < 1:
        raise UsageError(Fault("out of range", str(jobs), "1 or more", "--jobs"))
    if make_link is None:
        return Way("simulated", None, jobs, cluster, (), None)
    if cluster is not None:
        raise UsageError(Fault("a cluster has no boards", cluster, where="--cluster"))
    brings = None
    if revive is not None:
        run = command_before(revive, (), "--revive", "the command that revives it")
        brings = partial(run, {})
    profile = job.profile
    with make_link(profile, job.seed) as link:
        name = link.name
    make = partial(make_link, profile, job.seed)
    return Way(name, make, None, None, tuple(allowed), brings)
