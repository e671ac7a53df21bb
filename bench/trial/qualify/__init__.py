"""The bench's own rig, measured alone: host, driver, adapter, and no node.

What is sent comes back, by a plug that joins both pairs, by a loop, or through a second
port on the same line.  From that follows what verdicts over this rig can claim.
"""
