"""Two runs compared: is what was tested later any worse?

odds       exact tests and intervals of two counts
resample   intervals of quantiles, by drawing the intervals of a run again
sides      what a run has to say, from its records
changed    what else differs between two runs
worse      the comparison, and what it comes to
"""
