"""The lines of one kind of node: what was worked out for it, and what may be."""
