"""What the plotting library is asked to draw, and in which colours.

Figures are built in the colours of paper by daylight; the page exchanges them for those
of the dark, one for one (`ink.PAIRS`).
"""
