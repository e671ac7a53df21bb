"""Sweeps and edges from Python: map loss over any axes, find where it begins.

    import bench

    chart = bench.sweep("causeway", ["bus.baud=4 Mbaud .. 12 Mbaud, 9"])
    edge = bench.edge("causeway", "output.clock", "250 kHz", "2 MHz")
    print(edge.figures["last_good_text"], edge.figures["cause"])

A profile is named, or loaded; where one is varied, what its file says is what counts,
so that a value set at a point does what `--set` does.

    sweeps    `sweep` and `resume_sweep`
    edges     `edge`
    kept      what both have in common, their ledger above all
    workers   processes and clusters that try points
    before    commands that are run before them
"""
