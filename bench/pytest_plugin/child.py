"""A host build of firmware for a test: octets in, sighting lines out.

The program reads bus octets on its standard input, and ends when that ends; on its
standard output it says what it did, in sighting lines (`bench.link.lines`).
"""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LinkError
from bench.pytest_plugin.asked import told
from bench.pytest_plugin.seen import did_by_lines, traffic_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.api import StreamResult
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.pytest_plugin.seen import Did
    from bench.strategies.sent import Piece, Traffic

__all__ = ["Child"]

SOON_S = 10.0
"""A program that has not ended so long after its input did hangs."""


class Child:
    """A host build of firmware.

    Attributes:
        profile: What it is to follow.
        seed: What traffic is drawn from.
        command: Its words.
    """

    def __init__(
        self,
        profile: Profile,
        seed: int,
        command: str | Path,
        make_folder: Callable[[str], Path],
    ) -> None:
        """A program that is started for everything that is sent.

        Args:
            profile: What it is to follow.
            seed: What traffic is drawn from.
            command: Its command line as a shell would split it, or its path.
            make_folder: Makes a folder for a ledger.
        """
        self.profile = profile
        self.seed = seed
        is_path = isinstance(command, Path)
        self.command = [str(command)] if is_path else shlex.split(str(command))
        self._make_folder = make_folder

    def send(self, sent: Traffic | Piece | bytes, *, within_s: float = SOON_S) -> Did:
        """Start it, send octets, end its input, and hear it to its end.

        Args:
            sent: Traffic, a piece of it, or octets.
            within_s: It has to end so soon.

        Raises:
            ValueError: If there is more to the traffic than octets.
            LinkError: If it cannot be started, hangs, breaks, or tells of nobody.
        """
        octets = traffic_of(self.profile, sent).octets
        try:
            ran = subprocess.run(  # noqa: S603 - the user's own command line
                self.command,
                input=octets,
                capture_output=True,
                timeout=within_s,
                check=False,
            )
        except OSError as error:
            what, name = error.strerror or str(error), self.command[0]
            raise LinkError(Fault(f"cannot start: {what.lower()}", name)) from None
        except subprocess.TimeoutExpired:
            after = f"{within_s:g} s after {len(octets)} octets"
            raise LinkError(Fault("the program hangs", after)) from None
        if ran.returncode:
            last = ran.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
            how = f"with exit code {ran.returncode}"
            if ran.returncode < 0:
                how = f"by signal {-ran.returncode}"
            raise LinkError(Fault(f"the program ended {how}", "".join(last)))
        return did_by_lines(self.profile, ran.stdout.decode("utf-8", "replace"))

    @property
    def link(self) -> str:
        """What `--link` calls it."""
        return f"child:{shlex.join(self.command)}"

    def make_link(self, profile: Profile, seed: int) -> Link:
        """A live link to it, for whatever takes one; see `bench.trial.links`."""
        from bench.trial.links import open_link

        return open_link(self.link, profile, seed=seed)

    def stream(self, **request: Any) -> StreamResult:
        """Stream the profile's own traffic to it in real time; see `bench.stream`.

        It lights nothing, so that any pattern may be sent.
        """
        from bench.api import stream
        from bench.traffic.light import ALLOW_BRIGHT, ALLOW_FLASHING

        with told(), self.make_link(self.profile, self.seed) as link:
            request = {"seed": self.seed, **request}
            request.setdefault("logs", self._make_folder("logs"))
            request.setdefault("allowed", (ALLOW_BRIGHT, ALLOW_FLASHING))
            return stream(self.profile, link=link, **request)
