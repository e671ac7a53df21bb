"""Others who try points of a sweep: processes of this machine, and a cluster.

A worker is a process of its own that reads points and writes records, one line of JSON
each, so that nothing but those lines passes between them: no state is shared, and it
does not matter who tries what.  Processes, and not threads: between two kernels a short
trial spends most of its time in the interpreter, of which a process has one.

A worker leaves signals of the terminal to whoever started it, and ends when its input
does.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import traceback
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Protocol

from bench.api_search.before import ended
from bench.base.errors import Fault, LinkError, UsageError
from bench.base.units import shown
from bench.trial.sweep.hands import Died
from bench.trial.sweep.point import Task, job_of, tried

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from bench.trial.sweep.hands import Record, Stop

    Came = tuple[Task, "Record | Died"]

_LOOK_S = 0.1
"""How often a request to stop is looked for."""

_ALONE = {
    "OPENBLAS_NUM_THREADS": "1",
    "MALLOC_MMAP_THRESHOLD_": "600000",
    "MALLOC_TOP_PAD_": "16777216",
    "MALLOC_TRIM_THRESHOLD_": "134217728",
}
"""What a worker is to know: it has one core; and where the C library is glibc, that it
makes the same arrays anew for every trial.  Large ones come as pages that nobody has to
touch, and the others' memory is not given back: a twelfth of a short trial's time."""

_BUG = "bug"


class Work(Protocol):
    """What all tasks have in common: a `Job` of a sweep, or another's."""

    def as_dict(self) -> dict[str, Any]:
        """As strict JSON, from which a worker makes it again."""
        ...


def cores() -> int:
    """How many processes this one may use at a time."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


# --- what a worker does ---------------------------------------------------------------


def serve(
    made: Callable[[Mapping[str, Any]], Any] = job_of,
    done: Callable[[Any, Task], Record | None] = tried,
) -> None:
    """Be a worker: a job first, then tasks, until the input ends.

    Args:
        made: A job, of what its `as_dict` wrote.
        done: The record of one task of a job.
    """
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    with os.fdopen(os.dup(1), "w", encoding="ascii") as out:
        os.dup2(2, 1)  # what a library prints is no record
        job = made(json.loads(sys.stdin.readline()))
        for line in sys.stdin:
            out.write(answered(job, json.loads(line), done) + "\n")
            out.flush()


def answered(
    job: Any, given: Sequence[Any], done: Callable[[Any, Task], Record | None] = tried
) -> str:
    """The record of one task as a line."""
    index, values = given
    try:
        record = done(job, Task(index, tuple(values)))
    except Exception:  # it is raised again where somebody can be told
        record = {_BUG: traceback.format_exc()}
    return json.dumps(record)


def answer_for(job: Mapping[str, Any], index: int, values: Sequence[str]) -> str:
    """The record of one point, for a worker of a cluster.

    Args:
        job: What `Job.as_dict` wrote.
        index: Of the point.
        values: Of the point.
    """
    return answered(job_of(job), (index, values))


def _record(text: str) -> Record:
    """The record that a worker wrote.

    Raises:
        RuntimeError: If it met a bug of the bench.
    """
    record: Record = json.loads(text)
    if _BUG in record:
        raise RuntimeError(f"in a worker:\n{record[_BUG]}")
    return record


# --- processes ------------------------------------------------------------------------


class Processes:
    """Workers on this machine, each in a process of its own."""

    def __init__(self, count: int, command: Sequence[str] | None = None) -> None:
        """Get ready; processes begin with the work.

        Args:
            count: How many at most.
            command: What a worker is started with; one that tries points of a sweep
                unless given.
        """
        self._count = count
        self._command = command or own_command(__name__)

    def work(
        self, job: Work, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, Record | Died]]:
        """See `Hands`."""
        waiting: queue.SimpleQueue[Task] = queue.SimpleQueue()
        left = 0
        for task in tasks:
            waiting.put(task)
            left += 1
        came: queue.SimpleQueue[Came | BaseException] = queue.SimpleQueue()
        workers = [
            _Worker(job, self._command, waiting, came)
            for _ in range(min(self._count, left))
        ]
        try:
            while left:
                if stop() is not None:
                    return
                with suppress(queue.Empty):
                    one = came.get(timeout=_LOOK_S)
                    if isinstance(one, BaseException):
                        raise one
                    left -= 1
                    yield one
        finally:
            for worker in workers:
                worker.end()


class _Worker:
    """One process, and the thread that talks to it."""

    def __init__(
        self,
        job: Work,
        command: Sequence[str],
        waiting: queue.SimpleQueue[Task],
        came: queue.SimpleQueue[Came | BaseException],
    ) -> None:
        self._job = json.dumps(job.as_dict())
        self._command = command
        self._waiting = waiting
        self._came = came
        self._ending = False
        self._process: subprocess.Popen[str] | None = None
        self._thread = threading.Thread(target=self._body, name="worker", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """End it, whatever it does."""
        self._ending = True
        if self._process is not None:
            with suppress(OSError):
                self._process.kill()
        self._thread.join()

    def _body(self) -> None:
        try:
            while not self._ending:
                try:
                    task = self._waiting.get_nowait()
                except queue.Empty:
                    break
                self._came.put((task, self._tried(task)))
        except BaseException as error:  # raised again by whoever waits for records
            self._came.put(error)
        self._put_away()

    def _tried(self, task: Task) -> Record | Died:
        """One point, by a process that lives."""
        process = self._process = self._process or self._begun()
        assert process.stdin is not None
        assert process.stdout is not None
        line = ""
        with suppress(OSError):
            process.stdin.write(json.dumps([task.index, task.values]) + "\n")
            process.stdin.flush()
            line = process.stdout.readline()
        if line.endswith("\n"):
            return _record(line)
        self._process = None
        _close(process)
        return Died(ended(process.wait()))

    def _begun(self) -> subprocess.Popen[str]:
        """A process that has been told the job.

        Raises:
            LinkError: If none can be started.
        """
        try:
            process = subprocess.Popen(  # noqa: S603 (our own interpreter)
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="ascii",
                start_new_session=True,  # a signal of the terminal is ours alone
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
                env={**os.environ, **_ALONE},
            )
        except OSError as error:
            reason = error.strerror or str(error)
            raise LinkError(Fault("a worker cannot be started", reason)) from error
        if self._ending:
            process.kill()
        with suppress(OSError):
            assert process.stdin is not None
            process.stdin.write(self._job + "\n")
        return process

    def _put_away(self) -> None:
        """Let the process end."""
        process, self._process = self._process, None
        if process is not None:
            _close(process)
            process.wait()


def own_command(module: str) -> list[str]:
    """What starts a worker with the same package as this process has.

    Args:
        module: Whose `serve` it is.
    """
    home = str(Path(__file__).parents[2])
    code = f"import sys; sys.path.insert(0, {home!r}); "
    return [
        sys.executable,
        "-c",
        f"{code}from {module} import serve; serve()",
    ]


def _close(process: subprocess.Popen[str]) -> None:
    """Close what leads to a process, and comes from it."""
    pipes: tuple[IO[str] | None, ...] = (process.stdin, process.stdout)
    for pipe in pipes:
        if pipe is not None:
            with suppress(OSError):
                pipe.close()


# --- a cluster ------------------------------------------------------------------------


class Cluster:
    """The workers of a Dask cluster, which have the same bench installed."""

    def __init__(self, address: str, answer: Callable[..., str] = answer_for) -> None:
        """Reach a cluster.

        Args:
            address: Of its scheduler, "tcp://…:8786".
            answer: What its workers do with a task; as `answer_for`.

        Raises:
            UsageError: If the library for it is not installed.
            LinkError: If nobody answers.
        """
        self._answer = answer
        try:
            self._library: Any = import_module("distributed")
        except ImportError as error:
            what = "a cluster needs a library that is not installed"
            mend = "pip install 'nightbench[cluster]'"
            raise UsageError(Fault(what, "distributed", mend=mend)) from error
        try:
            self._client: Any = self._library.Client(
                address, timeout="5s", set_as_default=False
            )
        except (OSError, ValueError) as error:  # a time-out is an OSError
            fault = Fault("no cluster answers", shown(address), where="--cluster")
            raise LinkError(fault) from error

    def work(
        self, job: Work, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, Record | Died]]:
        """See `Hands`."""
        wait, killed = self._library.wait, self._library.scheduler.KilledWorker
        given = job.as_dict()
        left = {
            self._client.submit(
                self._answer, given, task.index, task.values, pure=False, retries=0
            ): task
            for task in tasks
        }
        try:
            while left:
                if stop() is not None:
                    return
                with suppress(TimeoutError), self._client.as_current():
                    wait(list(left), timeout=_LOOK_S, return_when="FIRST_COMPLETED")
                for future in [one for one in left if one.done()]:
                    task = left.pop(future)
                    try:
                        yield task, _record(future.result())
                    except killed as error:
                        yield task, Died(f"on {error.last_worker.address}")
        finally:
            self._client.cancel(list(left))

    def close(self) -> None:
        """Let go of the cluster."""
        self._client.close()
