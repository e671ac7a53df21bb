"""Matching bursts with packets: what it means stands in `bench.judge.match`."""
