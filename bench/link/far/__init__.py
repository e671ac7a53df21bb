"""The far side of a link: what a served node listens on, a pty or a loopback TCP port.

Anybody may open it, one after another; that somebody came or went is noticed, and what
he left unread is not given to the next one.  Nothing here is paced and nothing waits
but `wait`, which is bounded.
"""
