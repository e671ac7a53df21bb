"""Attacks for a test: on the simulated boards, or on a host build of firmware."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.pytest_plugin.asked import told

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from bench.api_fuzz import FuzzResult
    from bench.profile import Profile
    from bench.pytest_plugin.child import Child

__all__ = ["CASES", "Campaign"]

CASES = 1000
"""Cases of a campaign that is given no end."""


class Campaign:
    """Attacks made from a profile's own packets.

    Attributes:
        profile: The profile.
        seed: What attacks are drawn from.
    """

    def __init__(
        self, profile: Profile, seed: int, make_folder: Callable[[str], Path]
    ) -> None:
        self.profile = profile
        self.seed = seed
        self._make_folder = make_folder

    def attack(self, child: Child | None = None, **request: Any) -> FuzzResult:
        """Attack, and make what breaks a board as small as it can be.

        Args:
            child: A host build of firmware; the simulated boards unless given.
            **request: As `bench.api_fuzz.fuzz` takes it; 1000 cases unless it says how
                many, or for how long.  Cases that broke something are kept in the
                folder `corpus`, a temporary one unless named.
        """
        # Kernels are loaded here, when attacks are really wanted.
        from bench.api_fuzz import fuzz

        if "cases" not in request and "duration" not in request:
            request["cases"] = CASES
        if child is not None:
            request.setdefault("make_link", child.make_link)
        request = {"seed": self.seed, "jobs": 1, **request}
        for folder in ("logs", "corpus"):
            if folder not in request:
                request[folder] = self._make_folder(folder)
        with told():
            return fuzz(self.profile, **request)

    @staticmethod
    def notes(result: FuzzResult) -> str:
        """What was found, each as a note for the bench; "" if nothing was."""
        found = result.figures["fuzz"]["findings"]
        return "\n".join(line for finding in found for line in _note(finding))


def _note(finding: Mapping[str, Any]) -> list[str]:
    """One finding: what is wrong, what to send, what should come of it, what did."""
    lines = [f"{finding['oracle']}: {finding['wrong']}"]
    lines += [f"    send    {step}" for step in finding["text"]]
    lines.append(f"    should  {finding['should']}")
    lines.append(f"    did     {finding['did']}")
    if finding["case"] is not None:
        lines.append(f"    kept    {finding['case']}")
    return lines
