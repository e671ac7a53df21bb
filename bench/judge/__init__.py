"""The judge: matches what was sent with what was seen, and sums up.

`bench.judge.judge.Judge` takes chunks of columns and gives intervals, anomalies and a
`bench.judge.verdict.Verdict`.  `statistics` holds the exact bounds, `histogram` the
times of a whole night in a fixed space, `match` and `causes` the meaning of each
outcome.  Nothing here does I/O, and no kernel is loaded before a judge is made.
"""
