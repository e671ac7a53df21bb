"""Nights that never were: ledgers of records made up, to draw and to measure.

The numbers hang together (counts of intervals add up to those of the verdict) and are
drawn by a seed; a night has a spell of losses, a host that got busy, a link that was
lost, a laptop that slept, and a temperature that somebody read every minute.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench import api
from bench.judge.histogram import Histogram
from bench.judge.statistics import binomial_upper
from bench.ledger import Ledger
from bench.profile import profile_digest, to_toml

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from bench.profile import Profile

S = 1_000_000_000
STEP_S = 10
PACKETS_S = 80
"""Packets in a second, four nodes at twenty frames."""

LATENCY_MS = 17.5
NODES = ("slack-water", "ebb", "flood-gate", "harbour-end")
WORDS = (
    "offered",
    "shown",
    "lost",
    "corrupt",
    "stray",
    "late",
    "repeated",
    "out_of_order",
    "ambiguous",
)

BUSY = "the queue of the adapter ran dry 3 times, for up to 4.1 ms"
SLEPT = "the host slept inside it"


def night_ledger(
    root: Path, *, hours: float = 10, anomalies: int = 3000, seed: int = 7
) -> Path:
    """The ledger of a night with a bit of everything; its folder."""
    draws = np.random.default_rng(seed)
    profile = api.load_profile("causeway")
    facts = run_facts(profile, seed) | {
        "point": {"traffic.foreign.share": "20 %"},
        "duration_ns": int(hours * 3600) * S,
        "command": ["nightbench", "soak", "causeway", "--for", f"{hours:g}h"],
    }
    ledger = Ledger.create(root, "20261124T203000Z", "soak", facts, to_toml(profile))
    with ledger:
        told = _intervals(ledger, int(hours * 3600) // STEP_S, draws)
        _anomalies(ledger, anomalies, draws)
        ledger.verdict(_verdict(told, ledger.folder, int(hours * 3600) * S))
    return ledger.folder


def run_facts(profile: Profile, seed: int) -> dict[str, Any]:
    """What is known of any of these runs beforehand."""
    return {
        "seed": seed,
        "point": {},
        "profile": profile.name,
        "profile_digest": profile_digest(profile),
        "packets": None,
        "duration_ns": None,
        "line": None,
        "link": "/dev/serial/by-id/made-up-adapter",
        "rig": {
            "host": "bench-room",
            "system": "Linux 6.1 x86_64",
            "python": "3.11.7",
            "versions": {"nightbench": "0.1.0", "numpy": "2.1.0"},
        },
        "dut": {
            "serial": "CW-0042",
            "revision": "C",
            "firmware": "sha256:" + "5d" * 32,
            "operator": "night shift",
        },
    }


def _intervals(
    ledger: Ledger, number: int, draws: np.random.Generator
) -> dict[str, Any]:
    """Write the intervals and events; what they come to."""
    sums = dict.fromkeys(WORDS, 0)
    valid_offered = valid_lost = void = 0
    spread = Histogram()
    per_node = np.zeros((len(NODES), 3), np.int64)
    slept = int(number * 0.62)
    for k in range(number):
        begun = k * STEP_S * S
        if k in (int(number * 0.31), int(number * 0.31) + 1):
            continue  # the link was lost
        why = _why(k, number, slept)
        offered = PACKETS_S * STEP_S
        storm = number * 0.18 <= k <= number * 0.2
        lost = int(draws.poisson(2.5 if storm else 0.002)) if not why else 3
        corrupt = int(k == int(number * 0.8))
        packets = dict.fromkeys(WORDS, 0) | {
            "offered": offered,
            "shown": offered - lost - corrupt,
            "lost": lost,
            "corrupt": corrupt,
        }
        for word in WORDS:
            sums[word] += packets[word]
        per_node[draws.integers(0, 2), 0] += lost
        per_node[2, 1] += corrupt
        if not why:
            valid_offered += offered
            valid_lost += lost + corrupt
        void += bool(why)
        times = _times(k, number, draws)
        spread.add(times)
        ledger.interval(
            _interval(k, begun, packets, why, times, draws, number)
            | {"upper": binomial_upper(valid_lost, max(1, valid_offered), 0.95)}
        )
        for event in _events(k, number, slept, begun):
            ledger.interval(event)
    return {
        "sums": sums,
        "void": void,
        "written": number - 2,
        "spread": spread,
        "nodes": per_node,
        "valid": (valid_offered, valid_lost),
    }


def _why(k: int, number: int, slept: int) -> list[str]:
    if k == slept:
        return [SLEPT]
    busy = number * 0.44 <= k <= number * 0.455 and k % 3
    return [BUSY] if busy else []


def _times(k: int, number: int, draws: np.random.Generator) -> NDArray[np.int64]:
    """Latencies of one interval, in nanoseconds."""
    load = 0.25 if number * 0.5 <= k < number * 0.7 else 0.05
    tail = draws.exponential(load, 40) + 0.3 * (draws.random(40) < 0.004)
    return np.asarray((LATENCY_MS + tail) * 1e6, np.int64)


def _interval(
    k: int,
    begun: int,
    packets: dict[str, int],
    why: list[str],
    times: NDArray[np.int64],
    draws: np.random.Generator,
    number: int,
) -> dict[str, Any]:
    busy = 0.35 + 0.08 * float(draws.random()) + (0.5 if why else 0.0)
    quantiles = np.quantile(times, [0, 0.5, 0.99, 1], method="inverted_cdf")
    least, p50, p99, most = (int(one) for one in quantiles)
    record: dict[str, Any] = {
        "number": k,
        "stretch": 0,
        "from_ns": begun,
        "to_ns": begun + STEP_S * S,
        "spent_ns": STEP_S * S,
        "awake_ns": begun + STEP_S * S,
        "total_ns": begun + STEP_S * S,
        "at": f"{(20 + (30 * 60 + k * STEP_S) // 3600) % 24:02d}:"
        f"{((30 * 60 + k * STEP_S) // 60) % 60:02d}:{(k * STEP_S) % 60:02d}",
        "packets": packets,
        "bursts": {
            "count": packets["shown"],
            "wrong_clocks": packets["corrupt"],
            "marginal": 0,
            "short_gaps": 0,
        },
        "dropped_frames": packets["lost"],
        "characters": 4_000_000,
        "lost_characters": 0,
        "latency_ns": {"least": least, "p50": p50, "p99": p99, "most": most},
        "health": {
            "void": why,
            "queue_dry": 3 if why else 0,
            "lateness_p99_ns": 40_000,
            "processor_share": min(1.0, busy),
            "memory_free_share": 0.6 - 0.1 * k / number,
            "swapped_octets": 0,
            "adapter_errors": 0,
        },
    }
    if k % 6 == 0:
        warm = 24 + 9 * np.sin(k / number * 3.0) + float(draws.normal(0, 0.15))
        record["readings"] = {"temperature, °C": round(float(warm), 2)}
    return record


def _events(k: int, number: int, slept: int, begun: int) -> list[dict[str, Any]]:
    """What happened at the end of an interval."""
    end = begun + STEP_S * S
    told = []
    if k == int(number * 0.31) - 1:
        text = "the adapter was unplugged, and came back under the same name"
        told.append(("link lost", end, end + 2 * STEP_S * S, text))
        told.append(("link back", end + 2 * STEP_S * S, end + 2 * STEP_S * S, ""))
    if k == slept:
        told.append(("host asleep", end, end, "for 41 min; awake time stood still"))
    if k == int(number * 0.7):
        text = "the clock on the wall went back by an hour"
        told.append(("clock stepped", end, end, text))
    if k == int(number * 0.5):
        told.append(("changed", end, end, "foreign traffic from 20 % to 60 %"))
    names = ("event", "from_ns", "to_ns", "text")
    return [dict(zip(names, one, strict=True)) for one in told]


def _anomalies(ledger: Ledger, number: int, draws: np.random.Generator) -> None:
    """Lost packets, and one burst with an extra clock and shifted data."""
    payload = draws.integers(0, 256, 3840, np.uint8).tobytes()
    bits = int.from_bytes(payload, "big") >> 1
    shifted = bits.to_bytes(3840, "big")
    before = [("a55a1100100e" + "17" * size) for size in (96, 16, 320)]
    ledger.anomaly(
        {
            "kind": "corrupt",
            "node": NODES[2],
            "ns": 28800 * S,
            "cause": "1 clock too many: data shifted by one bit",
            "packet": 2_304_002,
            "frame": 576_000,
            "sent_ns": 28800 * S - 9_620_000,
            "expected": payload.hex(),
            "seen": shifted.hex(),
            "bits": 15345,
            "clocks": 3841,
            "expected_clocks": 3840,
            "data_intact": False,
            "before": before,
        }
    )
    for k in range(number):
        ledger.anomaly(
            {
                "kind": "lost",
                "node": NODES[k % 2],
                "ns": int(6500 * S + k * 211_000_000),
                "cause": "no receive buffer free"
                if k % 5
                else "receiver overrun while entering the receive handler",
                "packet": 500_000 + 3 * k,
                "frame": 120_000 + k,
                "sent_ns": int(6500 * S + k * 211_000_000) - 9_620_000,
                "expected": payload[:64].hex() if k > 100 else payload.hex(),
                "seen": None,
                "before": before,
                "lost_characters": 12,
                "first_lost": 24,
            }
        )


def _verdict(told: dict[str, Any], folder: Path, trial_ns: int) -> dict[str, Any]:
    sums, (valid, lost) = told["sums"], told["valid"]
    upper = binomial_upper(lost, valid, 0.95)
    times = told["spread"].as_dict()
    reason = (
        f"{lost} of {valid} packets were not shown as sent: mostly no receive buffer "
        "free"
    )
    return {
        "verdict": "FAIL",
        "reason": reason,
        "exit_code": 1,
        "failures": [
            reason,
            f"1 of 2874397 bursts had a wrong number of clocks at {NODES[2]}",
        ],
        "void": [],
        "not_observable": ["marginal pulses", "latch gaps"],
        "notes": [],
        "packets": sums,
        "loss_rate": lost / valid,
        "loss_upper": upper,
        "loss": {
            "n": valid,
            "rate": lost / valid,
            "upper": upper,
            "confidence": 0.95,
            "assumes": "packets are lost independently of each other, at one rate "
            "throughout",
            "packets_needed": {"1e-4": 29957, "1e-5": 299572, "1e-6": 2995732},
        },
        "bursts": {
            "count": sums["shown"],
            "wrong_clocks": 1,
            "marginal": None,
            "short_gaps": None,
            "least_gap_ns": None,
            "lane_skew_ns": 0,
        },
        "dropped_frames": sums["lost"],
        "lost_characters": 900,
        "latency_ns": {"first_bit": None, "shown": times},
        "spread_ns": {"shown": told["spread"].spread()},
        "skew_ns": None,
        "quantiles": "inverted CDF (Hyndman and Fan type 1), upper edge of its bin",
        "shown_on": "packet",
        "line": {"characters": 14_400_000_000, "offered_load": 1.0},
        "causes": [
            _cause("lost", "no receive buffer free", sums["lost"] - 40),
            _cause("lost", "receiver overrun while entering the receive handler", 40),
            _cause("corrupt", "1 clock too many: data shifted by one bit", 1),
            _cause("wrong_clocks", "1 clock too many", 1),
        ],
        "nodes": [
            {
                "name": name,
                "address": k + 1,
                "observed": True,
                "packets": dict.fromkeys(WORDS, 0)
                | {
                    "offered": sums["offered"] // 4,
                    "shown": sums["offered"] // 4 - int(told["nodes"][k].sum()),
                    "lost": int(told["nodes"][k][0]),
                    "corrupt": int(told["nodes"][k][1]),
                },
                "bursts": {"wrong_clocks": int(told["nodes"][k][1])},
            }
            for k, name in enumerate(NODES)
        ],
        "seed": 7,
        "signal": None,
        "lost": None,
        "ledger": None,
        "trial_ns": trial_ns,
        "spent_ns": trial_ns,
        "run": str(folder),
        "soak": {
            "intervals": told["written"],
            "valid": told["written"] - told["void"],
            "void": told["void"],
            "valid_share": 1 - told["void"] / told["written"],
            "stretches": 2,
            "events": 5,
            "missing_ns": 20 * S,
            "stopped_by": "time",
        },
    }


def _cause(what: str, cause: str, count: int) -> dict[str, Any]:
    first = {"node": "slack-water", "ns": 6480 * S, "packet": 518_400, "frame": 129_600}
    return {"what": what, "cause": cause, "count": count, "first": first}


# --- searches -------------------------------------------------------------------------


def _search(root: Path, what: str, verdict: dict[str, Any], records: Any) -> Path:
    """The ledger of a run of many trials."""
    profile = api.load_profile("causeway")
    facts = run_facts(profile, 1)
    when = "20261124T190000Z"
    with Ledger.create(root, when, what, facts, to_toml(profile)) as ledger:
        for record in records:
            ledger.interval(record)
        about = {"seed": 1, "signal": None, "ledger": None, "void": [], "failures": []}
        about |= {"trial_ns": 12 * S, "spent_ns": S, "run": str(ledger.folder)}
        ledger.verdict(about | verdict)
    return ledger.folder


def sweep_ledger(root: Path) -> Path:
    """A sweep over two axes, with points of every state."""
    across = ["1 Mbaud", "2 Mbaud", "4 Mbaud", "8 Mbaud"]
    down = ["0 %", "10 %", "20 %"]
    states = ["cannot be sent", "pass", "marginal", "fail"]
    records = []
    for y, share in enumerate(down):
        for x, baud in enumerate(across):
            state = "void" if (x, y) == (1, 2) else states[x]
            told = state not in ("cannot be sent", "void")
            lost = {"fail": 0.3 * (y + 1)}.get(state, 0.0)
            records.append(
                {
                    "index": y * len(across) + x,
                    "point": {"bus.baud": baud, "foreign": share},
                    "state": state,
                    "verdict": {"pass": "PASS", "fail": "FAIL"}.get(state),
                    "cause": "no receive buffer free" if state == "fail" else "",
                    "reason": f"made up: {state}",
                    "loss_rate": lost if told else None,
                    "loss_upper": lost + 0.03 if told else None,
                }
            )
    verdict = {
        "verdict": "FAIL",
        "reason": "3 of 12 points fail; the first at bus.baud = 8 Mbaud",
        "exit_code": 1,
        "axes": [
            {"name": "bus.baud", "values": across, "log": False},
            {"name": "foreign", "values": down, "log": False},
        ],
        "size": 12,
        "causes": [{"cause": "no receive buffer free", "count": 3, "state": "fail"}],
        "notes": ["3 of 12 points: cannot be sent"],
    }
    return _search(root, "sweep", verdict, records)


def edge_ledger(root: Path) -> Path:
    """A search for the edge of an output clock."""
    tried = [(250e3, "pass"), (2e6, "fail"), (710e3, "pass"), (1.16e6, "marginal")]
    tried += [(1.3e6, "fail"), (1.19e6, "fail"), (1.13e6, "pass")]
    values = [
        {
            "value": int(hertz),
            "text": f"{hertz / 1e6:g} MHz",
            "state": state,
            "trials": 3,
            "offered": 240,
            "shown": 0 if state == "fail" else 240,
            "cause": "1 clock too many" if state == "fail" else "",
        }
        for hertz, state in tried
    ]
    verdict = {
        "verdict": "PASS",
        "reason": "last good output.clock = 1.13 MHz, first bad 1.19 MHz",
        "exit_code": 0,
        "vary": "output.clock",
        "unit": "Hz",
        "scale": "log",
        "values": values,
        "last_good": 1_130_000,
        "last_good_text": "1.13 MHz",
        "first_bad": 1_190_000,
        "first_bad_text": "1.19 MHz",
        "budget": {"limit": 1.1337e6, "limit_text": "1.1337 MHz", "by": "stop"},
        "trials": 21,
        "notes": [],
    }
    return _search(root, "edge", verdict, values)
