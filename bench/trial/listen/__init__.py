"""A bus that somebody else drives: heard, counted, judged; nothing is ever sent.

Octets and the instants at which reads returned go in; what talks, how often, how evenly
and how soundly comes out.  Sans-IO but for `run`, which reads a transport and asks a
clock that is handed in.
"""
