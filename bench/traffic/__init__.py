"""What is sent: payload patterns, foreign traffic, and when each character starts.

A schedule is a function of a profile, its point and a seed, and of nothing else: it
writes columns, sends nothing, and asks nobody for the time.  Kernels are imported only
when a schedule is made.
"""
