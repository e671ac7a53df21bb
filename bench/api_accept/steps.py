"""Each kind of step, carried out by the same call that its own command makes."""

from __future__ import annotations

import shutil
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from bench.api import stream
from bench.base.errors import Fault, LedgerError
from bench.fuzz.corpus.folder import ENDING, MENDED
from bench.report.summary import typed
from bench.trial.accept import judged
from bench.trial.accept.model import (
    CorpusStep,
    EdgeStep,
    SoakStep,
    StreamStep,
    UpsetStep,
)
from bench.trial.soak.wanted import wanted_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from bench.api import StreamResult
    from bench.api_accept.ahead import Task
    from bench.api_search.kept import Around
    from bench.link.link import Link
    from bench.trial.accept.judged import Judged
    from bench.trial.runner import Watcher
    from bench.trial.sweep.point import MakeLink

    Options = dict[str, Any]


@dataclass(frozen=True)
class Doer:
    """Carries steps out.

    Attributes:
        around: What is around all of them.
        seed: What draws of every step depend on.
        make_link: A way to boards; None for simulated nodes.
        allowed: Which limits of the light guard may be passed.
        near: What folders of the plan are seen from.
        folder: Of the acceptance's own ledger.
        words: What a command names the profile by, overrides included.
    """

    around: Around
    seed: int
    make_link: MakeLink | None
    allowed: Sequence[str]
    near: Path
    folder: Path
    words: Sequence[str]

    def carry(
        self, task: Task, watcher: Watcher, begun: Path | None
    ) -> tuple[StreamResult, Judged]:
        """Carry one step out.

        Args:
            task: The step.
            watcher: Who is told of its progress.
            begun: Of a night, the folder of the run that was broken off.

        Returns:
            How its run ended, and what that means for the step.

        Raises:
            BenchError: As the call for its kind does.
        """
        step = task.step
        if isinstance(step, EdgeStep):
            return self._edge(task, step, watcher)
        if isinstance(step, UpsetStep):
            return self._upset(task, step, watcher)
        if isinstance(step, CorpusStep):
            return self._corpus(task, step, watcher)
        if isinstance(step, SoakStep):
            return self._soak(task, step, watcher, begun)
        return self._stream(task, step, watcher)

    # --- kinds

    def _stream(
        self, task: Task, step: StreamStep, watcher: Watcher
    ) -> tuple[StreamResult, Judged]:
        options: Options = {"--for": step.for_ns, "--packets": step.packets}
        link = self.make_link and self.make_link(task.profile, self.seed)
        with link or nullcontext():
            made = stream(
                task.profile,
                packets=step.packets,
                duration=step.for_ns,
                link=link,
                seed=self.seed,
                allowed=self.allowed,
                clock=self.around.clock,
                **self._common(task, options, watcher),
            )
        bound = None if step.bound is None else wanted_of(step.bound)
        return made, judged.trial(made.figures, bound)

    def _edge(
        self, task: Task, step: EdgeStep, watcher: Watcher
    ) -> tuple[StreamResult, Judged]:
        from bench.api_search.edges import edge

        ends = (None, None) if step.method else (task.start, step.to)
        options: Options = {
            "--method": step.method,
            "--vary": step.vary,
            "--from": ends[0],
            "--to": ends[1],
            "--to-within": step.within,
            "--repeat": step.repeat,
            "--for": step.for_ns,
        }
        made = edge(
            task.profile,
            step.vary,
            *ends,
            method=step.method,
            to_within=step.within,
            repeats=step.repeat,
            duration=step.for_ns,
            seed=self.seed,
            make_link=self.make_link,
            allowed=self.allowed,
            clock=self.around.clock,
            **self._common(task, options, watcher),
        )
        return made, judged.edge(step, made.figures, task.ends)

    def _upset(
        self, task: Task, step: UpsetStep, watcher: Watcher
    ) -> tuple[StreamResult, Judged]:
        from bench.api_upset import TIMES, upset

        options: Options = {
            "--trial": step.trial,
            "--times": step.times,
            "--for": step.for_ns,
        }
        made = upset(
            task.profile,
            upsets=step.trial,
            times=step.times or TIMES,
            duration=step.for_ns,
            seed=self.seed,
            make_link=self._link_of(task),
            clock=self.around.clock,
            **self._common(task, options, watcher),
        )
        return made, judged.upset(made.figures)

    def _corpus(
        self, task: Task, step: CorpusStep, watcher: Watcher
    ) -> tuple[StreamResult, Judged]:
        """Replay a copy: a board that passes must not empty the list for the next."""
        from bench.api_fuzz import replay_corpus

        copied = self.folder / f"corpus-{task.number + 1}"
        _copy_cases(self.near / step.folder, copied)
        common = self._common(task, None, watcher)
        made = replay_corpus(
            task.profile,
            copied,
            make_link=self.make_link,
            allowed=self.allowed,
            clock=self.around.clock,
            **common,
        )
        return made, judged.corpus(made.figures, step.least)

    def _soak(
        self, task: Task, step: SoakStep, watcher: Watcher, begun: Path | None
    ) -> tuple[StreamResult, Judged]:
        from bench.api_soak import resume_soak, soak

        options: Options = {
            "--for": step.for_ns,
            "--interval": step.interval_ns,
            "--at": step.schedule,
        }
        around: Options = {
            "make_link": self._link_of(task),
            "allowed": self.allowed,
            "clock": self.around.clock,
        }
        if begun is not None:
            around |= {"watcher": watcher, "stop": self.around.stop}
            around["on_log_failure"] = self.around.on_log_failure
            made: StreamResult = resume_soak(begun, **around)
        else:
            made = soak(
                task.profile,
                duration=step.for_ns,
                interval=step.interval_ns,
                schedule=step.schedule,
                seed=self.seed,
                **around,
                **self._common(task, options, watcher),
            )
        bound = None if step.bound is None else wanted_of(step.bound)
        return made, judged.trial(made.figures, bound)

    # --- shared

    def _link_of(self, task: Task) -> Callable[[], Link] | None:
        """A way to the nodes of a step."""
        if self.make_link is None:
            return None
        return partial(self.make_link, task.profile, self.seed)

    def _common(
        self, task: Task, options: Mapping[str, Any] | None, watcher: Watcher
    ) -> Options:
        """What every call takes."""
        around = self.around
        facts: Options = {"accept": {"run": str(self.folder), "step": task.step.name}}
        facts["point"] = {
            path.strip(): value.strip()
            for path, _, value in (text.partition("=") for text in task.step.set)
        }
        if options is not None:
            facts["command"] = self._command(task, options)
        if (transport := (around.facts or {}).get("transport")) is not None:
            facts["transport"] = transport
        return {
            "logs": around.logs,
            "dut": around.dut,
            "facts": facts,
            "on_log_failure": around.on_log_failure,
            "watcher": watcher,
            "stop": around.stop,
        }

    def _command(self, task: Task, options: Mapping[str, Any]) -> list[str]:
        """The words of a command that does the step alone again."""
        words = ["nightbench", task.step.kind, *self.words]
        for text in task.step.set:
            words += ["--set", text]
        for name, value in options.items():
            if value is None:
                continue
            many = value if isinstance(value, tuple) else (value,)
            for one in many:
                is_time = name in ("--for", "--interval")
                words += [name, typed(one) if is_time else str(one)]
        return [*words, "--seed", str(self.seed)]


def _copy_cases(source: Path, target: Path) -> None:
    """Copy all cases of a corpus, those that were mended too: they must stay so.

    Raises:
        LedgerError: If they cannot be copied.
    """
    try:
        target.mkdir(exist_ok=True)
        for old in target.rglob(f"*{ENDING}"):
            old.unlink()
        for folder in (source / MENDED, source):
            for case in sorted(folder.glob(f"*{ENDING}")):
                shutil.copyfile(case, target / case.name)
    except OSError as error:
        what, why = "corpus not copied", error.strerror or str(error)
        raise LedgerError(Fault(what, why, where=str(source))) from error
