"""Campaigns, replays and the zoo from Python, on bad nodes in simulated time."""

from __future__ import annotations

import json
from functools import partial

import pytest

from bench.api_fuzz import fuzz, replay_case, replay_corpus, resume_fuzz, zoo
from bench.base.clock import JumpClock
from bench.base.errors import Fault, LedgerError, LinkError, UsageError
from bench.fuzz.corpus import Corpus
from bench.fuzz.zoo import bad_nodes
from bench.fuzz.zoo.boards import SHORT
from bench.ledger import read_run
from bench.node.link import SimulatedLink

SETS = SHORT["causeway"]
ONLY = ("check-value",)


def bad_link(name, profile, seed):
    """A link to a bad node."""
    del profile, seed
    (bad,) = (node for node in bad_nodes() if node.name == name)
    return bad.make_link()


def good_link(profile, seed):
    """A link to good ones."""
    return SimulatedLink(profile, seed=seed, threads=1)


@pytest.fixture
def place(tmp_path):
    """Where runs and cases go, and a clock that jumps."""
    return {
        "logs": tmp_path / "logs",
        "corpus": tmp_path / "corpus",
        "clock": JumpClock(),
    }


def attack(place, link="check-ignored", **more):
    """A short campaign."""
    make = partial(bad_link, link) if link else more.pop("make_link", None)
    known = {"overrides": SETS, "attacks": ONLY, "cases": 40, "seed": 7}
    return fuzz("causeway", make_link=make, **{**known, **place, **more})


def around(place):
    """The same without a corpus."""
    return {key: place[key] for key in ("logs", "clock")}


def test_a_bad_node_is_found_and_its_case_kept(place):
    """The smallest case is told in words and octets, and lies in the corpus."""
    result = attack(place)
    assert (result.verdict, result.exit_code) == ("FAIL", 1)
    told = result.figures["fuzz"]
    assert told["cases"] == 40
    (finding,) = told["findings"]
    assert finding["oracle"] == "unsound"
    assert finding["rows"] == [["check-value", 0, 1]]
    assert (finding["failed"], finding["tries"]) == (10, 10)
    assert finding["text"][0].startswith("check-value: a packet whose check is wrong")
    assert finding["octets"].startswith("A5 5A 01")
    assert finding["should"] == "nothing is shown"
    (path,) = place["corpus"].glob("*.case")
    assert finding["case"] == str(path)
    rows = {row["attack"]: row for row in told["attacks"]}
    assert rows["check-value"]["good"] == 0
    assert rows["check-value"]["by"]["unsound"] == rows["check-value"]["cases"]


def test_what_the_ledger_holds(place):
    """The verdict as it was returned, a record a block, and the finding."""
    result = attack(place)
    stored = read_run(result.run)
    assert stored.faults == ()
    assert stored.verdict == json.loads(json.dumps(result.as_dict()))
    assert (
        stored.anomalies.records[0]["finding"]
        == (result.figures["fuzz"]["findings"][0])
    )
    blocks = [one for one in stored.intervals.records if "attacks" in one]
    assert sum(block["cases"] for block in blocks) == 40
    assert "check-value" in (result.run / "report.txt").read_text()


def test_a_good_node_passes(place):
    """Nothing is found, nothing is kept."""
    result = attack(place, None, make_link=good_link, attacks=(), cases=30)
    assert (result.verdict, result.exit_code) == ("PASS", 0)
    assert not place["corpus"].exists()


def test_the_next_campaign_replays_first(place):
    """A case that fails still is found before any new one, and stays."""
    attack(place)
    result = attack(place, attacks=("calm",), cases=1)
    told = result.figures["fuzz"]
    assert told["corpus"]["replayed"] == told["corpus"]["failed"] == 1
    assert told["findings"][0]["why"] == "known from the corpus"
    assert len(list(place["corpus"].glob("*.case"))) == 1


def test_a_mended_node(place):
    """A case that no longer fails is moved, not lost."""
    attack(place)
    result = attack(place, None, make_link=good_link)
    assert result.verdict == "PASS"
    assert result.figures["fuzz"]["corpus"]["mended"] == 1
    assert len(list((place["corpus"] / "mended").glob("*.case"))) == 1
    assert list(place["corpus"].glob("*.case")) == []


def test_a_case_by_itself(place):
    """It fails on the bad node and passes on the good one; the file stays."""
    attack(place)
    (path,) = place["corpus"].glob("*.case")
    make = partial(bad_link, "check-ignored")
    failed = replay_case(path, make_link=make, **around(place))
    assert (failed.verdict, failed.exit_code) == ("FAIL", 1)
    passed = replay_case(path, make_link=good_link, **around(place))
    assert (passed.verdict, passed.exit_code) == ("PASS", 0)
    assert passed.reason == "it did not fail in 3 tries"
    assert path.exists()


def test_a_case_of_another_profile(place):
    """One line says so."""
    attack(place)
    (path,) = place["corpus"].glob("*.case")
    with pytest.raises(UsageError, match="case of another profile: causeway") as caught:
        replay_case(path, profile="jetty", **around(place))
    assert len(caught.value.lines) == 1


def test_a_corpus_with_files_that_cannot_be_used(place):
    """They are told, a line each, and the others are replayed."""
    attack(place)
    (path,) = place["corpus"].glob("*.case")
    octets = path.read_bytes()
    (place["corpus"] / "a.case").write_bytes(octets[:-30])
    (place["corpus"] / "b.case").write_bytes(octets.replace(b"seed 7", b"seed 8"))
    make = partial(bad_link, "check-ignored")
    result = replay_corpus(
        "causeway", place["corpus"], overrides=SETS, make_link=make, **around(place)
    )
    told = result.figures["fuzz"]["corpus"]
    assert told["replayed"] == told["failed"] == 1
    assert [line.split(":")[0].split(" @")[0] for line in told["faults"]] == [
        "damaged case",
        "damaged case",
    ]


def test_an_empty_corpus_passes(place):
    """What nobody has found yet is no failure."""
    result = replay_corpus("causeway", place["corpus"], **around(place))
    assert result.verdict == "PASS"
    assert result.reason == "none of 0 cases of the corpus fails"


def test_a_corpus_on_a_full_disk(place, monkeypatch):
    """The finding is told and in the ledger; the file is not there, and why is told."""

    def full(self, kept):
        del self, kept
        raise UsageError(Fault("case not kept", "no space left on device"))

    monkeypatch.setattr(Corpus, "keep", full)
    result = attack(place)
    told = result.figures["fuzz"]
    assert told["findings"][0]["case"] is None
    assert told["corpus"]["faults"] == ["case not kept: no space left on device"]
    assert len(read_run(result.run).anomalies.records) == 1


# --- boards that die ------------------------------------------------------------------


def test_a_board_that_dies(place):
    """The campaign ends, says which case was last, and keeps it."""
    result = attack(place, "wedges-at-once")
    assert result.verdict == "FAIL"
    told = result.figures["fuzz"]
    assert "the board is dead" in told["ended"]
    assert f"case {told['last']['number']} was the last" in told["ended"]
    assert told["cases"] < 40
    assert told["findings"][0]["oracle"] == "alive"
    assert len(list(place["corpus"].glob("*.case"))) >= 1


def test_a_board_that_dies_and_is_revived(place):
    """With a command that switches it off and on the campaign goes on to its end."""
    result = attack(place, "wedges-at-once", cases=6, revive="true")
    told = result.figures["fuzz"]
    assert told["ended"] is None
    assert told["cases"] == 6
    assert told["revived"] > 0
    assert told["findings"][0]["rate"] == 1.0


def test_a_link_that_is_lost(place):
    """Exit code 3, which case was last, and what there was by then."""

    class Lost(SimulatedLink):
        count = 0

        def carry(self, line, sent=None):
            Lost.count += 1
            if Lost.count > 30:
                raise LinkError(Fault("unplugged"))
            return super().carry(line, sent)

    def make(profile, seed):
        return Lost(profile, seed=seed, threads=1)

    result = attack(place, None, make_link=make)
    assert (result.verdict, result.exit_code) == ("VOID", 3)
    assert result.reason.startswith("unplugged; case ")
    assert 0 < result.figures["fuzz"]["cases"] < 40


# --- on simulated nodes in blocks -----------------------------------------------------


class StopAfter:
    """Somebody who stops it after some looks."""

    def __init__(self, looks_allowed: int) -> None:
        self.left = looks_allowed

    def __call__(self):
        """A signal, once it is time."""
        self.left -= 1
        return 15 if self.left < 0 else None


def test_gone_on_with_it_is_as_if_it_had_never_stopped(place, monkeypatch):
    """The same cases, counts and verdict, stopped in the middle or not."""
    monkeypatch.setattr("bench.api_fuzz.asked.BLOCK_OCTETS", 1 << 13)
    whole = {"overrides": SETS, "cases": 640, "seed": 7, "jobs": 1}
    one = fuzz("causeway", **whole, **place)
    part = fuzz("causeway", **whole, **place, stop=StopAfter(3))
    assert part.exit_code == 128 + 15
    assert 0 < part.figures["fuzz"]["cases"] < 640
    assert not (part.run / "verdict.json").exists()
    both = resume_fuzz(part.run, jobs=1, clock=JumpClock(), corpus=place["corpus"])
    assert both.figures["fuzz"]["attacks"] == one.figures["fuzz"]["attacks"]
    assert both.figures["fuzz"]["coverage"] == one.figures["fuzz"]["coverage"]
    assert (both.verdict, both.reason) == (one.verdict, one.reason)
    with pytest.raises(LedgerError, match="run has ended"):
        resume_fuzz(part.run, jobs=1)


def told_of(result):
    """What does not depend on who played which block."""
    return {
        key: result.figures["fuzz"][key] for key in ("cases", "attacks", "coverage")
    }


def test_does_not_depend_on_who_plays(place, monkeypatch):
    """One process, two, and a cluster play the same cases with the same outcome."""
    monkeypatch.setattr("bench.api_fuzz.asked.BLOCK_OCTETS", 1 << 13)
    whole = {"overrides": SETS, "cases": 300, "seed": 7, **place}
    one = fuzz("causeway", jobs=1, **whole)
    two = fuzz("causeway", jobs=2, **whole)
    assert told_of(one) == told_of(two)
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        address = cluster.scheduler_address
        other = fuzz("causeway", cluster=address, **whole)
    assert told_of(one) == told_of(other)


def test_other_folders_are_no_campaigns(place, tmp_path):
    """One line each."""
    with pytest.raises(LedgerError, match="not the folder of a run"):
        resume_fuzz(tmp_path)
    result = replay_corpus("causeway", place["corpus"], **around(place))
    with pytest.raises(LedgerError, match="not a campaign"):
        resume_fuzz(result.run)


def test_the_end_by_the_clock(place):
    """A campaign without a number of cases ends when its time is over."""

    class Ticking(JumpClock):
        def now_ns(self):
            self.advance(10**8)
            return super().now_ns()

    result = fuzz(
        "causeway",
        overrides=SETS,
        seed=7,
        jobs=1,
        duration="2 s",
        **{**place, "clock": Ticking()},
    )
    assert result.verdict == "PASS"
    assert result.figures["fuzz"]["cases"] > 0


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"attacks": ("bad-escape",)}, "these packets allow no such attack: bad-esc"),
        ({"node": "nobody"}, "no such node: nobody, expected slack-water, ebb"),
        ({"cases": 0}, "no cases: 0, expected 1 or more"),
        ({"jobs": 0}, "out of range: 0, expected 1 or more @ --jobs"),
        ({"seed": -1}, "out of range: -1"),
        ({"revive": "'", "make_link": good_link}, "not a command: ', expected no"),
        (
            {"cluster": "tcp://nowhere:1", "make_link": good_link},
            "a cluster has no boards",
        ),
    ],
)
def test_what_cannot_be_obeyed(place, more, words):
    """It is told before anything is sent, and no ledger is begun."""
    with pytest.raises(UsageError) as caught:
        fuzz("causeway", **{"overrides": SETS, "cases": 5, **place, **more})
    assert words in str(caught.value)
    assert not place["logs"].exists()


# --- the zoo --------------------------------------------------------------------------


def test_some_of_the_zoo():
    """Each is found, by what its maker would expect, and made as small as is known."""
    names = ("check-ignored", "length-wraps", "one-clock-more")
    result = zoo(names=names, jobs=1)
    assert [node["name"] for node in result.nodes] == list(names)
    assert all(node["found"] for node in result.nodes)
    assert result.larger == []
    assert result.exit_code == 0
    by = {node["name"]: node["by"] for node in result.nodes}
    assert by["length-wraps"] == "length-wrapping"
    assert by["one-clock-more"] == "good-traffic"


def test_a_bad_node_that_is_not_found():
    """It is told, and the exit code says so."""
    result = zoo(names=("length-wraps",), cases=10, jobs=1)
    assert [node["name"] for node in result.missed] == ["length-wraps"]
    assert result.exit_code == 1


def test_no_such_bad_node():
    """The names that there are, are told."""
    with pytest.raises(UsageError, match="no such bad node: nobody, expected check-i"):
        zoo(names=("nobody",), jobs=1)
