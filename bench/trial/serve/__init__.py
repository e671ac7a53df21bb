"""A served node: the simulated nodes in real time, for any other program to talk to.

`wire.py` puts octets that arrive on a virtual wire, `defects.py` makes nodes bad on
purpose, `told.py` writes sighting lines, `served.py` joins them, `run.py` is the loop.
Time is handed in throughout.
"""
