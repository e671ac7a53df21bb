"""The night: stretches of traffic, one trial each, until morning or until told.

A soak only writes plan points for the one runner.  What it adds is everything around:
what becomes of the host meanwhile, what is worth a verdict and what is not, and how to
go on.
"""
