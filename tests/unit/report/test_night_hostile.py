"""Hostile names and texts: whatever a profile, a node or a host says stays text."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from bench.ledger.read import LogRead, StoredRun
from bench.report.formats.junit import junit
from bench.report.formats.markdown import markdown
from bench.report.formats.plain import plain
from bench.report.formats.tables import table_of
from bench.report.night import night
from bench.report.night.web import page
from bench.report.points import as_csv

if TYPE_CHECKING:
    from pathlib import Path

S = 1_000_000_000

NASTY = (
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    '" onfocus="alert(1)" autofocus="',
    "'><svg/onload=alert(1)>",
    "<!--<script>",
    "]]>&lt;&#0;&amp;",
    "[x](javascript:alert(1)) <https://evil.example> www.evil.example",
    "|a|b|\n---|---\n# head",
    "%{customdata[0]} <b>bold</b><a href='http://evil.example'>x</a>",
    "\ud800\x00\x07\u202e\u2028 end",
    "=cmd|'/c calc'!A0",
    "`" * 5 + "text",
)

TEXTS = st.sampled_from(NASTY) | st.text(max_size=40)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXTS,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3)
    ),
    max_leaves=6,
)
SLOW = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


def stored(
    folder: Path,
    run: Any,
    verdict: Any,
    intervals: list[Any],
    anomalies: list[Any],
    profile: str | None = None,
) -> StoredRun:
    """A run's folder as it is read, made up."""
    logs = LogRead(intervals), LogRead(anomalies)
    return StoredRun(folder, run, profile, *logs, verdict, ())


def hostile(folder: Path, text: str) -> StoredRun:
    """A run in which everything that has a name is called the same."""
    packets = {"offered": 8, "shown": 7, "lost": 1, "corrupt": 1, "stray": 0}
    node = {"name": text, "address": 1, "observed": True, "packets": packets}
    times = {"n": 3, "p50": 5, "p99": 6, "p99.9": 6, "max": 7}
    columns = {"first_ns": [1, 3, 5], "last_ns": [2, 4, 6], "count": [1, 1, 1]}
    verdict = {
        "verdict": "FAIL",
        "reason": text,
        "failures": [text, text + "x"],
        "notes": [text],
        "not_observable": [text],
        "packets": packets,
        "nodes": [node],
        "causes": [{"what": text, "cause": text, "count": 1, "first": {"node": text}}],
        "loss": {"n": 8, "rate": 0.1, "upper": 0.3, "confidence": 0.9, "assumes": text},
        "latency_ns": {"shown": times},
        "spread_ns": {"shown": columns},
        "axes": [{"name": text, "values": [text]}],
        "vary": text,
        "values": [{"value": 1, "text": text, "state": text, "cause": text}],
        "upsets": [{"upset": text, "verdict": "FAIL", "reason": text, "what": text}],
        "accept": {"steps": [{"name": text, "verdict": "FAIL", "reason": text}]},
        "fuzz": {
            "attacks": [{"attack": text, "cases": 1, "good": 0, "found": 1}],
            "findings": [{"attack": text, "oracle": text, "text": [text]}],
        },
        "marks": [{"mark": 1, "at_ns": 5, "asked": text}],
    }
    health = {"void": [text]}
    intervals: list[dict[str, Any]] = [
        {
            "from_ns": k * S,
            "to_ns": (k + 1) * S,
            "at": text,
            "packets": packets,
            "health": health if k == 1 else {},
            "readings": {text: k + 1},
        }
        for k in range(3)
    ]
    intervals.append({"event": text, "text": text, "from_ns": 0, "to_ns": S})
    point = {"point": {text: text}, "index": 0, "state": "fail", "cause": text}
    intervals.append({**point, "loss_rate": 0.5, "reason": text, "verdict": text})
    anomaly = {"kind": text or "x", "node": text, "cause": text, "before": [text]}
    anomaly |= {"expected": "00ff", "seen": "00fe", "ns": 5}
    run = {
        "what": text,
        "profile": text,
        "link": text,
        "when": text,
        "seed": 1,
        "command": [text],
        "point": {text: text},
        "rig": {"host": text, "versions": {text: text}},
        "dut": {"serial": text, "operator": text},
    }
    return stored(folder, run, verdict, intervals, [anomaly], text)


class Elements(HTMLParser):
    """What elements and attributes a page really has."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.comments: list[str] = []
        self._script: dict[str, str | None] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """An element begins."""
        self.tags.add(tag)
        self.attributes.update(name for name, _ in attrs)
        self._script = dict(attrs) if tag == "script" else None
        if tag == "script":
            self.scripts.append((dict(attrs), ""))

    def handle_data(self, data: str) -> None:
        """Text; of a script its source."""
        if self._script is not None:
            attributes, text = self.scripts[-1]
            self.scripts[-1] = attributes, text + data

    def handle_endtag(self, tag: str) -> None:
        """An element ends."""
        if tag == "script":
            self._script = None

    def handle_comment(self, data: str) -> None:
        """A comment."""
        self.comments.append(data)


def elements(text: str) -> Elements:
    """The page as a parser sees it."""
    found = Elements()
    found.feed(text)
    found.close()
    return found


@pytest.fixture(scope="module", autouse=True)
def _library() -> None:
    """The page needs the plotting library."""
    pytest.importorskip("plotly", reason="plotly is not installed")


@pytest.fixture(scope="module")
def plain_page(tmp_path_factory: pytest.TempPathFactory) -> Elements:
    """The same run with harmless names."""
    run = hostile(tmp_path_factory.mktemp("runs"), "harmless")
    return elements(page(night(run, None, "0", "0")))


@given(TEXTS)
@example(NASTY[0])
@SLOW
def test_a_name_adds_nothing_to_the_page(
    plain_page: Elements, tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    """Elements, attributes and scripts are those of the same page with tame names."""
    run = hostile(tmp_path_factory.getbasetemp(), text)
    found = elements(page(night(run, None, "0", "0")))
    assert found.tags <= plain_page.tags
    assert found.attributes <= plain_page.attributes
    assert found.comments == []
    running = [source for kind, source in found.scripts if "type" not in kind]
    tame = [source for kind, source in plain_page.scripts if "type" not in kind]
    assert running == tame
    for kind, source in found.scripts:
        if kind.get("type") == "application/json":
            json.loads(source)


@pytest.mark.parametrize("text", NASTY)
def test_a_drawing_shows_a_name_as_it_is(tmp_path: Path, text: str) -> None:
    """The library takes tags in texts for its own: none of ours is one."""
    found = elements(page(night(hostile(tmp_path, text), None, "0", "0")))
    for kind, source in found.scripts:
        if not str(kind.get("id")).endswith("-figure"):
            continue
        for tag in re.findall(
            r"<[a-zA-Z!/][^>]*>", " ".join(_texts(json.loads(source)))
        ):
            assert tag in ("<b>", "</b>", "<br>", "<extra>", "</extra>"), tag


def _texts(value: Any) -> list[str]:
    """Every text in a figure."""
    if isinstance(value, str):
        return [value]
    rows = value.values() if isinstance(value, dict) else value
    if isinstance(rows, str | int | float | bool | None):
        return []
    return [text for row in rows for text in _texts(row)]


@given(TEXTS)
@SLOW
def test_every_other_form_takes_any_name(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    """XML stays well-formed, JSON strict, CSV and Markdown can be written."""
    run = hostile(tmp_path_factory.getbasetemp(), text)
    root = ET.fromstring(junit(run).encode())
    assert {one.tag for one in root.iter()} <= {
        "testsuites",
        "testsuite",
        "testcase",
        "properties",
        "property",
        "failure",
        "error",
        "skipped",
        "system-out",
        "system-err",
    }
    assert json.loads(plain(run, "0", None, "0"))["verdict"]["reason"] == text
    assert as_csv(table_of(run))
    told = markdown(night(run, None, "0", "0"))
    outside = re.sub(r"^(`{3,})text\n.*?^\1$", "", told, flags=re.S | re.M)
    assert not re.search(r"(?<!\\)[<\[`]", outside), "no markup comes out of a name"


RUN_KEYS = ("what", "when", "rig", "dut", "seed")
VERDICT_KEYS = (
    *("verdict", "reason", "packets", "nodes", "causes", "loss", "latency_ns", "soak"),
    *("spread_ns", "axes", "values", "upsets", "accept", "fuzz", "marks", "bursts"),
    *("line", "skew_ns", "notes", "vary", "scale", "last_good"),
)
INTERVAL_KEYS = ("from_ns", "to_ns", "packets", "health", "event", "text", "point")
ANOMALY_KEYS = ("kind", "node", "ns", "expected", "seen", "before", "clocks", "note")
LISTS = st.lists(st.dictionaries(TEXTS, VALUES, max_size=3), max_size=2)


def records(keys: tuple[str, ...], most: int) -> st.SearchStrategy[Any]:
    """Records with keys that mean something, and any values."""
    return st.lists(st.dictionaries(st.sampled_from(keys), VALUES), max_size=most)


@given(
    st.dictionaries(st.sampled_from(RUN_KEYS), VALUES),
    st.dictionaries(st.sampled_from(VERDICT_KEYS), VALUES | LISTS, max_size=8),
    records(INTERVAL_KEYS, 4),
    records(ANOMALY_KEYS, 3),
)
@settings(SLOW, max_examples=120)
def test_any_shape_can_be_told(
    tmp_path_factory: pytest.TempPathFactory,
    run: Any,
    verdict: Any,
    intervals: list[Any],
    anomalies: list[Any],
) -> None:
    """Whatever records look like, a report comes out, in every form."""
    base = tmp_path_factory.getbasetemp()
    found = stored(base, run, verdict or None, intervals, anomalies)
    told = night(found, None, "0", "0")
    assert page(told).startswith("<!DOCTYPE html>")
    assert markdown(told).startswith("# ")
    ET.fromstring(junit(found).encode())
    assert json.loads(plain(found, "0", None, "0"))["report"] == 1
    assert as_csv(table_of(found))


def paths_of(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a tree."""
    rows: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        rows = list(value.items())
    elif isinstance(value, list):
        rows = list(enumerate(value))
    found = [path] if path else []
    for key, inner in rows:
        found += paths_of(inner, (*path, key))
    return found


@given(st.data(), VALUES)
@settings(SLOW, max_examples=150)
def test_one_value_of_any_kind_is_survived(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject, value: Any
) -> None:
    """One figure of a sound ledger changed into anything: the rest is still told."""
    run = hostile(tmp_path_factory.getbasetemp(), "name")
    tree: Any = {
        "run": run.run,
        "verdict": run.verdict,
        "intervals": run.intervals.records,
        "anomalies": run.anomalies.records,
    }
    tree = json.loads(json.dumps(tree))
    *way, last = data.draw(
        st.sampled_from([path for path in paths_of(tree) if len(path) > 1])
    )
    inner = tree
    for key in way:
        inner = inner[key]
    inner[last] = value
    intervals = [row for row in tree["intervals"] if isinstance(row, dict)]
    anomalies = [row for row in tree["anomalies"] if isinstance(row, dict)]
    found = stored(run.folder, tree["run"], tree["verdict"], intervals, anomalies)
    told = night(found, None, "0", "0")
    assert page(told).startswith("<!DOCTYPE html>")
    assert markdown(told).startswith("# ")
    ET.fromstring(junit(found).encode())
    assert as_csv(table_of(found))
