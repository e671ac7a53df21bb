"""Sweeps: one trial at each point of a grid, whatever its axes are.

axes       what is varied, and which values it takes
scale      values between two others, and how they are written
template   the profile as it is written, and that of each point
point      one trial, and the record that is kept of it
offset     a trial in which the sender's baud is off
state      what became of a trial, in one word
hands      who does the work; one after another, here
gather     all points: tried, kept, and gone on with
result     what they say together
"""
