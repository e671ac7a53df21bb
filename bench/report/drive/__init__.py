"""Drives as people see them: while they run, and afterwards."""
