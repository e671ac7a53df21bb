"""The system's own calls, where a library stops: terminals, descriptors, sysfs.

Modules that only a POSIX system has are asked for when they are needed, and what lacks
is told in a line or is "not observable".
"""
