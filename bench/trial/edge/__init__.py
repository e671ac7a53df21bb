"""Edges: where one value stops working, and why.

search     bracket, bisect, and look for what is not monotone: no trials in here
within     how close an edge is to be found
probe      one value tried: with several seeds, or several times on boards
find       an edge found with trials, decided, and explained
window     the bauds that each node takes
methods    throughput and loss in steps (RFC 2544)
boards     trials on boards of which everything that was seen is wanted
recovery   after too much traffic, and after a reset (likewise)
result     what all that says
"""
