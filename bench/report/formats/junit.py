"""A report as JUnit XML, which programs that run builds show as tests.

One test case for each thing that can fail by itself: a node, a point of a sweep, an
upset, a step of a plan, a fuzzing attack; for any other run, the run.  FAIL is a
failure; VOID is an error, for it says nothing of the board; what was not tried is
skipped.  The run as a whole is the first case, so that no reason is lost.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

from bench.report.night.reading import at, many, number, part, texts, whole, words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from bench.ledger import StoredRun

    Record = Mapping[str, Any]

_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Signs that XML 1.0 cannot hold in any way (its production 2, Char)."""

_FAULTS = ("lost", "corrupt", "stray", "late", "repeated", "out_of_order")

_KINDS = {"FAIL": "failure", "VOID": "error", "fail": "failure", "void": "error"}
_NOT_TRIED = frozenset({"cannot be sent", "not tried", "NOT TRIED", ""})


@dataclass(frozen=True, slots=True)
class _Case:
    """One test case: its name, what became of it, and why."""

    name: str
    outcome: str = ""
    message: str = ""
    text: str = ""
    seconds: float = 0.0


def junit(stored: StoredRun) -> str:
    """The XML text of a run."""
    verdict = stored.verdict or {}
    profile = words(stored.run, "profile") or "run"
    cases = [_run_case(stored), *_parts(stored, verdict)]
    suite = ET.Element("testsuite")
    suite.set("id", "0")
    suite.set("package", "nightbench")
    suite.set("name", _clean(f"{words(stored.run, 'what')} {profile}"))
    counts = {
        "tests": len(cases),
        "failures": sum(case.outcome == "failure" for case in cases),
        "errors": sum(case.outcome == "error" for case in cases),
        "skipped": sum(case.outcome == "skipped" for case in cases),
    }
    for key, value in counts.items():
        suite.set(key, str(value))
    suite.set("time", _seconds(sum(case.seconds for case in cases)))
    suite.set("timestamp", _stamp(words(stored.run, "when")))
    suite.set("hostname", _clean(words(stored.run, "rig", "host") or "unknown"))
    _properties(suite, stored)
    for case in cases:
        _add(suite, case, _clean(f"nightbench.{profile}"))
    ET.SubElement(suite, "system-out").text = _clean(f"ledger {stored.folder}")
    ET.SubElement(suite, "system-err").text = _clean(
        "\n".join(str(fault) for fault in stored.faults)
    )
    root = ET.Element("testsuites")
    root.append(suite)
    ET.indent(root)
    text = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _add(suite: ET.Element, case: _Case, group: str) -> None:
    element = ET.SubElement(suite, "testcase")
    element.set("name", _clean(case.name) or "unnamed")
    element.set("classname", group)
    element.set("time", _seconds(case.seconds))
    if not case.outcome:
        return
    told = ET.SubElement(element, case.outcome)
    if case.outcome == "skipped":
        told.set("message", _clean(case.message))
        return
    told.set("message", _clean(case.message))
    told.set("type", "FAIL" if case.outcome == "failure" else "VOID")
    told.text = _clean(case.text or case.message)


def _properties(suite: ET.Element, stored: StoredRun) -> None:
    """What was tested, for whoever reads only this file."""
    run = stored.run
    known = {
        "seed": str(at(run, "seed")),
        "link": words(run, "link"),
        "profile.digest": words(run, "profile_digest"),
        "nightbench": words(run, "rig", "versions", "nightbench"),
        **{
            f"dut.{word}": words(run, "dut", word)
            for word in ("serial", "revision", "firmware", "operator")
        },
    }
    properties = ET.SubElement(suite, "properties")
    for name, value in known.items():
        if value:
            one = ET.SubElement(properties, "property")
            one.set("name", name)
            one.set("value", _clean(value))


# --- cases ----------------------------------------------------------------------------


def _run_case(stored: StoredRun) -> _Case:
    """The run as a whole."""
    verdict = stored.verdict
    if verdict is None:
        text = "the run came to no verdict, or it cannot be read"
        return _Case("verdict", "error", text)
    word, reason = words(verdict, "verdict"), words(verdict, "reason")
    lines = [*texts(verdict, "failures"), *texts(verdict, "void")]
    outcome = "" if word == "PASS" else _KINDS.get(word, "error")
    seconds = (number(verdict, "spent_ns") or 0) / 1e9
    return _Case("verdict", outcome, reason, "\n".join(lines), seconds)


def _parts(stored: StoredRun, verdict: Record) -> Iterator[_Case]:
    """Whatever can fail by itself."""
    for step in many(verdict, "accept", "steps"):
        yield _judged(f"step {words(step, 'name')}", step)
    for upset in many(verdict, "upsets"):
        yield _judged(f"upset {words(upset, 'upset')}", upset)
    for attack in many(verdict, "fuzz", "attacks"):
        found = whole(attack, "found") or 0
        name = f"attack {words(attack, 'attack')}"
        message = f"{found} findings"
        yield _Case(name, "failure" if found else "", message if found else "")
    if many(verdict, "axes"):
        yield from _points(stored.intervals.records)
    elif part(verdict, "packets"):
        for node in many(verdict, "nodes"):
            yield _node(node)


def _judged(name: str, row: Record) -> _Case:
    """Something with a verdict of its own."""
    word = words(row, "verdict")
    if word in _NOT_TRIED:
        return _Case(name, "skipped", "not tried")
    outcome = "" if word == "PASS" else _KINDS.get(word, "error")
    return _Case(name, outcome, words(row, "reason") if outcome else "")


def _points(records: Sequence[Record]) -> Iterator[_Case]:
    for row in records:
        point, state = part(row, "point"), words(row, "state")
        if not point:
            continue
        where = ", ".join(f"{key} = {words(point, key)}" for key in sorted(point))
        reason = words(row, "reason") or words(row, "cause")
        if state in ("pass", "marginal"):
            yield _Case(where)
        elif state in _NOT_TRIED:
            yield _Case(where, "skipped", reason)
        else:
            yield _Case(where, _KINDS.get(state, "error"), reason)


def _node(node: Record) -> _Case:
    """One node: whether its packets were shown as sent."""
    name = f"node {words(node, 'name')}"
    if node.get("observed") is False:
        return _Case(name, "skipped", "not observed")
    packets = part(node, "packets")
    if whole(packets, "shown") is None:
        return _Case(name, "skipped", "what it shows is not observable")
    wrong = [
        f"{value} {word.replace('_', ' ')}"
        for word in _FAULTS
        if (value := whole(packets, word))
    ]
    wrong += [
        f"{value} {word.replace('_', ' ')}"
        for word in ("wrong_clocks", "marginal", "short_gaps")
        if (value := whole(node, "bursts", word))
    ]
    return _Case(name, "failure" if wrong else "", ", ".join(wrong))


# --- text -----------------------------------------------------------------------------


def _clean(text: str) -> str:
    """Text without signs that XML cannot hold."""
    return _NO_XML.sub("\N{REPLACEMENT CHARACTER}", text)


def _seconds(value: float) -> str:
    return f"{max(0.0, value):.3f}"


_NO_DATE = "1970-01-01T00:00:00"
"""Where a ledger states none: the schema asks for one."""

_STAMP = re.compile(r"(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)Z", re.ASCII)


def _stamp(when: str) -> str:
    """The date as ISO 8601 without a zone, as the schema has it; UTC."""
    found = _STAMP.fullmatch(when)
    if found is None:
        return _NO_DATE
    year, month, day, hour, minute, second = found.groups()
    return f"{year}-{month}-{day}T{hour}:{minute}:{second}"
