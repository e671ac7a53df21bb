"""The chapters of a report: records of a ledger in, blocks out.

Each asks for what it needs and is left out where that is not there, so that one report
serves every kind of run.
"""
