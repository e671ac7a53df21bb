"""A report in other forms, held against schemas and parsers that nobody here wrote."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from page.invented import edge_ledger, night_ledger, run_facts, sweep_ledger

from bench import api
from bench.api_report import made
from bench.ledger import Ledger, read_run
from bench.profile import to_toml

if TYPE_CHECKING:
    from pathlib import Path

# The JUnit schema that is in wide use: "JUnit test result schema for the Apache Ant
# JUnit and JUnitReport tasks" (JUnit.xsd, Windy Road Technology, 2011; repository
# windyroad/JUnit-Schema).  Its rules are restated here, read from there: names, order,
# types, and what is required.  Every attribute here is also allowed by junit-10.xsd of
# the Jenkins xUnit plugin, which is looser but for the form of `time`.
SCHEMA = """
<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema">
  <xs:simpleType name="filled"><xs:restriction base="xs:token">
    <xs:minLength value="1"/></xs:restriction></xs:simpleType>
  <xs:simpleType name="moment"><xs:restriction base="xs:dateTime">
    <xs:pattern value="\\d{4}-\\d{2}-\\d{2}T\\d{2}:\\d{2}:\\d{2}"/>
  </xs:restriction></xs:simpleType>
  <xs:complexType name="told"><xs:simpleContent><xs:extension base="xs:string">
    <xs:attribute name="message" type="xs:string"/>
    <xs:attribute name="type" type="xs:string" use="required"/>
  </xs:extension></xs:simpleContent></xs:complexType>
  <xs:element name="testsuites"><xs:complexType><xs:sequence>
    <xs:element name="testsuite" minOccurs="0" maxOccurs="unbounded">
    <xs:complexType><xs:sequence>
      <xs:element name="properties"><xs:complexType><xs:sequence>
        <xs:element name="property" minOccurs="0" maxOccurs="unbounded">
          <xs:complexType>
            <xs:attribute name="name" type="filled" use="required"/>
            <xs:attribute name="value" type="xs:string" use="required"/>
          </xs:complexType></xs:element>
      </xs:sequence></xs:complexType></xs:element>
      <xs:element name="testcase" minOccurs="0" maxOccurs="unbounded">
        <xs:complexType>
          <xs:choice minOccurs="0">
            <xs:element name="skipped"/>
            <xs:element name="error" type="told"/>
            <xs:element name="failure" type="told"/>
          </xs:choice>
          <xs:attribute name="name" type="xs:token" use="required"/>
          <xs:attribute name="classname" type="xs:token" use="required"/>
          <xs:attribute name="time" type="xs:decimal" use="required"/>
        </xs:complexType></xs:element>
      <xs:element name="system-out" type="xs:string"/>
      <xs:element name="system-err" type="xs:string"/>
    </xs:sequence>
    <xs:attribute name="package" type="xs:token" use="required"/>
    <xs:attribute name="id" type="xs:int" use="required"/>
    <xs:attribute name="name" type="filled" use="required"/>
    <xs:attribute name="timestamp" type="moment" use="required"/>
    <xs:attribute name="hostname" type="filled" use="required"/>
    <xs:attribute name="tests" type="xs:int" use="required"/>
    <xs:attribute name="failures" type="xs:int" use="required"/>
    <xs:attribute name="errors" type="xs:int" use="required"/>
    <xs:attribute name="skipped" type="xs:int"/>
    <xs:attribute name="time" type="xs:decimal" use="required"/>
    </xs:complexType></xs:element>
  </xs:sequence></xs:complexType></xs:element>
</xs:schema>
"""


def faults_of(text: bytes) -> list[str]:
    """What the schema finds wrong."""
    etree = pytest.importorskip("lxml.etree", reason="lxml is not installed")
    schema = etree.XMLSchema(etree.fromstring(SCHEMA))
    schema.validate(etree.fromstring(text))
    return [str(error) for error in schema.error_log]


def outcomes(text: bytes) -> dict[str, str]:
    """What became of each test case."""
    cases = ET.fromstring(text).iter("testcase")
    return {
        case.get("name", ""): case[0].tag if len(case) else "passed" for case in cases
    }


def run_of(root: Path, what: str, verdict: dict[str, Any] | None) -> Path:
    """The ledger of a run with a verdict and nothing else."""
    profile = api.load_profile("causeway")
    facts = run_facts(profile, 1)
    when = "20261124T190000Z"
    with Ledger.create(root, when, what, facts, to_toml(profile)) as ledger:
        if verdict is not None:
            ledger.verdict(verdict)
    return ledger.folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The ledger of an hour with a bit of everything."""
    return night_ledger(tmp_path_factory.mktemp("logs"), hours=1, anomalies=30)


# --- JUnit ----------------------------------------------------------------------------


def test_the_schema_refuses_what_it_should() -> None:
    """The restated schema is no rubber stamp."""
    assert faults_of(b"<testsuites><testsuite/></testsuites>")
    assert faults_of(b"<testsuites><testcase/></testsuites>")
    assert not faults_of(b"<testsuites/>")


def test_junit_keeps_to_its_schema(folder: Path, tmp_path: Path) -> None:
    """A night, a sweep, an edge, a run without an end: all are valid."""
    runs = [folder, sweep_ledger(tmp_path), edge_ledger(tmp_path)]
    runs.append(run_of(tmp_path, "soak", None))
    for run in runs:
        assert faults_of(made(run, "junit")) == []


def test_junit_counts_what_it_holds(folder: Path, tmp_path: Path) -> None:
    """Failures, errors and skipped ones are as many as the attributes say."""
    for run in (folder, sweep_ledger(tmp_path)):
        text = made(run, "junit")
        suite = ET.fromstring(text)[0]
        found = list(outcomes(text).values())
        for attribute, outcome in (
            ("failures", "failure"),
            ("errors", "error"),
            ("skipped", "skipped"),
        ):
            assert int(suite.get(attribute, "-1")) == found.count(outcome)
        assert int(suite.get("tests", "-1")) == len(list(suite.iter("testcase")))


def test_junit_tells_fail_from_void(tmp_path: Path) -> None:
    """FAIL is a failure, VOID an error, what was not tried is skipped."""
    found = outcomes(made(sweep_ledger(tmp_path), "junit"))
    assert found["verdict"] == "failure"
    assert found["bus.baud = 8 Mbaud, foreign = 0 %"] == "failure"
    assert found["bus.baud = 2 Mbaud, foreign = 20 %"] == "error"
    assert found["bus.baud = 1 Mbaud, foreign = 0 %"] == "skipped"
    assert found["bus.baud = 2 Mbaud, foreign = 0 %"] == "passed"
    assert outcomes(made(run_of(tmp_path, "soak", None), "junit")) == {
        "verdict": "error"
    }


def test_junit_of_a_plan_and_of_fuzzing(tmp_path: Path) -> None:
    """Steps and attacks are test cases of their own."""
    steps = [
        {"name": "night", "verdict": "PASS", "reason": "all shown"},
        {"name": "margin", "verdict": "FAIL", "reason": "edge too close"},
        {"name": "start", "verdict": None},
    ]
    attacks = [{"attack": "flip", "cases": 9, "good": 9, "found": 0}]
    attacks.append({"attack": "cut", "cases": 9, "good": 8, "found": 1})
    verdict = {"verdict": "FAIL", "reason": "edge too close"}
    verdict |= {"accept": {"steps": steps}, "fuzz": {"attacks": attacks}}
    found = outcomes(made(run_of(tmp_path, "accept", verdict), "junit"))
    assert found == {
        "verdict": "failure",
        "step night": "passed",
        "step margin": "failure",
        "step start": "skipped",
        "attack flip": "passed",
        "attack cut": "failure",
    }


# --- JSON, tables ---------------------------------------------------------------------


def refuse(constant: str) -> None:
    """RFC 8259 has no NaN and no infinity."""
    raise AssertionError(constant)


def test_json_is_strict_and_whole(folder: Path) -> None:
    """A strict parser takes it, and it holds what the ledger holds."""
    found = json.loads(made(folder, "json"), parse_constant=refuse)
    stored = read_run(folder)
    assert found["verdict"] == stored.verdict
    assert found["run"] == stored.run
    assert [*found["intervals"], *found["events"]] == sorted(
        stored.intervals.records, key=lambda row: "event" in row
    )
    assert len(found["anomalies"]) == len(stored.anomalies.records)
    assert found["budget"]["fits"] is True
    assert found["faults"] == []


def test_csv_has_every_interval(folder: Path) -> None:
    """The table adds up to the log; an empty cell is what was not known."""
    rows = list(csv.DictReader(io.StringIO(made(folder, "csv").decode(), newline="")))
    records = [row for row in read_run(folder).intervals.records if "event" not in row]
    assert len(rows) == len(records)
    for word in ("offered", "shown", "lost", "corrupt"):
        expected = sum(row["packets"][word] for row in records)
        assert sum(int(row[word]) for row in rows) == expected
    read = [row["read temperature, °C"] for row in rows]
    assert [bool(text) for text in read[:7]] == [True, *[False] * 5, True]
    assert {row["void"] for row in rows} >= {"", "the host slept inside it"}


def test_csv_of_a_sweep_has_its_points(tmp_path: Path) -> None:
    """A sweep has no intervals: its table is that of its points."""
    rows = list(
        csv.DictReader(io.StringIO(made(sweep_ledger(tmp_path), "csv").decode()))
    )
    assert [row["state"] for row in rows[:4]] == [
        "cannot be sent",
        "pass",
        "marginal",
        "fail",
    ]
    assert float(rows[3]["bus.baud [baud]"]) == 8e6


def test_parquet_is_the_same_table(folder: Path) -> None:
    """Another library reads from it what the CSV says."""
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed")
    table = parquet.read_table(io.BytesIO(made(folder, "parquet")))
    rows = list(csv.DictReader(io.StringIO(made(folder, "csv").decode(), newline="")))
    assert table.column_names == list(rows[0])
    lost = [value or 0 for value in table["lost"].to_pylist()]
    assert lost == [int(row["lost"] or 0) for row in rows]
