"""Trials: the one data path of the bench, and what may be put at its two ends.

A plan says what is to be done, a source writes the characters, a link carries them, the
judge decides and the ledger remembers.  Asks nobody for the time and prints nothing.
"""
