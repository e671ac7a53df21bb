"""Ground floor: units, errors, exact time, the clock, keys for draws, columns.

Imports nothing of the rest of the bench.
"""
