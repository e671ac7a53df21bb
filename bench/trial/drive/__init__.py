"""A drive: somebody turns things while traffic runs, and nothing else changes.

A drive is a chain of segments on one line, each a stretch of the one path under one set
of values.  What is asked (`asked/`) goes to the desk, which says what becomes of it;
the source puts it on the line between two packets, and every change leaves a mark.
"""
