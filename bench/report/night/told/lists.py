"""Runs that are lists of other things: accepted plans, fuzzing, driving by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.report.night.blocks import Block, Cell, Chapter, Facts, Grid, Heading, Words
from bench.report.night.reading import (
    at,
    clock,
    count,
    many,
    number,
    part,
    texts,
    whole,
    words,
)
from bench.report.night.told.opening import ROLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    Record = Mapping[str, Any]

_FINDINGS = 24
_MARKS = 200


def accept_chapter(verdict: Record) -> Chapter | None:
    """The steps of an acceptance; None where the run is none."""
    accept = part(verdict, "accept")
    steps = many(accept, "steps")
    if not accept:
        return None
    rows: list[list[Cell | str]] = []
    for step in steps:
        word = words(step, "verdict")
        rows.append(
            [
                words(step, "name") or "–",
                words(step, "kind"),
                Cell(word or "not done", ROLES.get(word, "open")),
                _figure(step, "required"),
                _figure(step, "measured"),
                _figure(step, "margin"),
                words(step, "reason"),
                words(step, "run"),
            ]
        )
    heads = ["step", "kind", "verdict", "required", "measured", "margin", "why", "run"]
    grid = Grid("Steps of the plan", heads, rows, left=(1, 2, 6, 7))
    plan = [("digest of the plan", words(accept, "plan_sha256") or "not stated")]
    return Chapter("accept", "The plan", [grid, Facts(plan)])


def _figure(step: Record, key: str) -> str:
    """A figure of a step, as it was written or as a number."""
    value = number(step, key)
    text = words(step, key)
    return text or ("–" if value is None else f"{value:g}")


def fuzz_chapter(verdict: Record) -> Chapter | None:
    """Attacks and what they found; None where the run is no fuzzing."""
    fuzz = part(verdict, "fuzz")
    if not fuzz:
        return None
    rows: list[list[Cell | str]] = []
    for attack in many(fuzz, "attacks"):
        found = whole(attack, "found")
        rows.append(
            [
                words(attack, "attack"),
                count(whole(attack, "cases")),
                count(whole(attack, "good")),
                Cell(count(found), "bad" if found else "good"),
            ]
        )
    heads = ["attack", "cases", "judged good", "found"]
    blocks: list[Block] = [
        Words(
            f"{count(whole(fuzz, 'cases'))} cases, seed {count(whole(fuzz, 'seed'))}."
        ),
        Grid("Attacks and their outcomes", heads, rows),
    ]
    findings = many(fuzz, "findings")
    for finding in findings[:_FINDINGS]:
        blocks += _finding(finding)
    if (left := len(findings) - _FINDINGS) > 0:
        blocks.append(Words(f"And {left} more findings, in verdict.json."))
    return Chapter("fuzz", "Attacks", blocks)


def _finding(finding: Record) -> list[Block]:
    """One finding: what it should have done, and what it did."""
    told = at(finding, "text")
    lines = texts(finding, "text") or ([words(finding, "text")] if told else [])
    rows: list[list[Cell | str]] = [
        ["should", words(finding, "should") or "–"],
        ["did", Cell(words(finding, "did") or "–", "bad")],
    ]
    rows += [["sent", line] for line in lines]
    for key in ("octets", "rows"):
        value = at(finding, key)
        if isinstance(value, int):
            rows.append([key, count(value)])
        elif isinstance(value, str):
            rows.append([key, words(finding, key)])
    rate = number(finding, "rate")
    if rate is not None:
        rows.append(["fails in", f"{100 * rate:g} % of its replays"])
    title = f"{words(finding, 'attack')}: {words(finding, 'oracle')}"
    under = words(finding, "case")
    return [Heading(title, under), Grid("Finding", ["", "what"], rows, left=(1,))]


def drive_chapter(verdict: Record) -> Chapter | None:
    """What was asked for by hand; None where nothing was."""
    marks = many(verdict, "marks")
    if not marks:
        return None
    rows: list[list[Cell | str]] = []
    for mark in marks[:_MARKS]:
        ns = number(mark, "at_ns")
        rows.append(
            [
                count(whole(mark, "mark")),
                "–" if ns is None else clock(ns),
                words(mark, "asked"),
            ]
        )
    heads = ["mark", "at", "asked"]
    return Chapter("drive", "Asked by hand", [Grid("Marks", heads, rows, left=(2,))])


def other_chapter(verdict: Record, kinds: frozenset[str]) -> Chapter | None:
    """Figures that no chapter knows, for kinds of run that have no other ones.

    Args:
        verdict: That of the run.
        kinds: Keys that some chapter tells of.
    """
    rows: list[tuple[str, str]] = []
    for key, value in sorted(verdict.items()):
        if key in kinds:
            continue
        flat = _flat(value)
        rows += [(f"{key}{path}".replace("_", " "), text) for path, text in flat]
    if not rows:
        return None
    return Chapter("figures", "Figures", [Facts(rows[:_MARKS])])


def _flat(value: Any, path: str = "", depth: int = 0) -> list[tuple[str, str]]:
    """Simple values of a tree, each with its path."""
    if isinstance(value, dict) and depth < 4:
        found = []
        for key, inner in sorted(value.items()):
            found += _flat(inner, f"{path}, {key}", depth + 1)
        return found
    if isinstance(value, bool):
        return [(path, "yes" if value else "no")]
    told = number({"x": value}, "x")
    if told is not None:
        return [(path, count(told) if told == int(told) else f"{told:.6g}")]
    text = words({"x": value}, "x")
    return [(path, text)] if text else []
