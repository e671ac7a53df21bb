"""The wire floor: characters, checks, stuffing, packets, and the decoder of a format.

Octets or level changes go in, events come out.  Nothing here does I/O or knows the
time, and whether a stream comes in one piece or octet by octet makes no difference.
"""
